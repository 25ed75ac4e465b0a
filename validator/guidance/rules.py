"""The rules of a guidance document: what is cited, the minimum design, the requirement, the practice."""

from __future__ import annotations

from typing import TYPE_CHECKING, Annotated, Self

from pydantic import BaseModel, Field, model_validator

from validator.characteristics.order import CHARACTERISTICS, CharacteristicName, FigureName
from validator.guidance.acceptance import (
    STRICT,
    Acceptance,
    Consulted,
    Count,
    OwnSource,
    Text,
)
from validator.guidance.vocabulary import (
    Counter,
    Kind,
    Status,
    Topic,
)
from validator.sources import Source

if TYPE_CHECKING:
    from collections.abc import Mapping

    from validator.guidance.limits import Limit

MOST_WORDS = 15
"""So much of a document is quoted as shows that its words were seen."""

RuleId = Annotated[str, Field(pattern=r"^[a-z0-9]+(-[a-z0-9]+)*$")]


def citation(document: str, edition: str, clause: str, source: Consulted) -> Source:
    """How a rule is cited, and how far the passage was consulted."""
    return Source(", ".join(part for part in (document, edition, clause) if part), source)


class Sourced(BaseModel):
    """Anything that cites a clause.

    Attributes:
        clause: where in the document it stands ("common practice" where there is no document).
        source: how far the passage was consulted: ``seen`` in the document, in a ``reprint``, in a public
            text that quotes it (``quotation``), or not at all (``memory``).
        quote: words of the passage, at most fifteen.
        document, edition: filled from the profile unless the rule names its own.
    """

    model_config = STRICT
    clause: Text
    source: Consulted
    quote: Text | None = None
    document: str = ""
    edition: str = ""

    @model_validator(mode="after")
    def _quotes_what_was_seen(self) -> Self:
        if self.quote is None:
            return self
        if self.source == "memory":
            message = "a rule from memory quotes nothing; leave 'quote' out, or say where the words were seen"
            raise ValueError(message)
        words = len(self.quote.split())
        if words > MOST_WORDS:
            message = f"'quote' has {words} words; quote at most {MOST_WORDS}"
            raise ValueError(message)
        return self

    def cite(self) -> Source:
        """Document, edition and clause, with a mark where the original was not seen."""
        return citation(self.document, self.edition, self.clause, self.source)


class Rule(Sourced):
    """A rule with its id and its text, in our own words."""

    id: RuleId
    text: Text


class Alternative(BaseModel):
    """One of several designs, any of which is enough."""

    model_config = STRICT
    name: Text
    minimums: Annotated[dict[Counter, Count], Field(min_length=1)]


class Design(OwnSource):
    """The smallest design a document accepts, and what it recommends beyond it.

    ``status: customary`` marks minima that no document demands: a smaller design is told and decides nothing.
    """

    status: Status = Status.REQUIRED
    minimums: dict[Counter, Count] = Field(default_factory=dict)
    alternatives: tuple[Alternative, ...] = ()
    recommended: dict[Counter, Count] = Field(default_factory=dict)
    note: Text | None = None

    @property
    def counters(self) -> frozenset[Counter]:
        """Every counter the design names."""
        named = set(self.minimums) | set(self.recommended)
        for alternative in self.alternatives:
            named |= set(alternative.minimums)
        return frozenset(named)

    def ways(self) -> tuple[Mapping[Counter, int], ...]:
        """The complete sets of minimums; a study that fulfils any one of them is sufficient."""
        if not self.alternatives:
            return (self.minimums,) if self.minimums else ()
        return tuple({**self.minimums, **alternative.minimums} for alternative in self.alternatives)

    @model_validator(mode="after")
    def _asks_for_something(self) -> Self:
        if not self.counters:
            message = "a design names at least one counter under minimums, alternatives or recommended"
            raise ValueError(message)
        if len(self.alternatives) == 1:
            message = "a single alternative is not permitted; move its counters to minimums"
            raise ValueError(message)
        return self

    @model_validator(mode="after")
    def _recommends_no_less(self) -> Self:
        for counter, wanted in self.recommended.items():
            if wanted < self.minimums.get(counter, 0):
                message = (
                    f"recommended {counter}: {wanted} is less than the minimum of {self.minimums[counter]}; "
                    "exchange them or drop one"
                )
                raise ValueError(message)
        return self


class Requirement(Rule):
    """A rule about one performance characteristic.

    Attributes:
        kinds: the kinds of method it holds for; empty for all.
        design: minimum design of the data behind the characteristic.
        acceptance: limits for its figures.
        user_sets: figures for which the document wants a limit fixed beforehand but gives none.
    """

    characteristic: CharacteristicName
    kinds: tuple[Kind, ...] = ()
    design: Design | None = None
    acceptance: tuple[Acceptance, ...] = ()
    user_sets: tuple[FigureName, ...] = ()

    def applies_to(self, kind: Kind) -> bool:
        """Whether the rule holds for a method of this kind; ``any`` means undeclared."""
        return not self.kinds or kind in self.kinds

    def cite_limit(self, acceptance: Acceptance, limit: Limit | None = None) -> Source:
        """The citation of one acceptance limit, whose source may differ from the rule's."""
        source = self.source
        for part in (acceptance, limit):
            if part is not None and part.source is not None:
                source = part.source
        return citation(self.document, self.edition, acceptance.clause or self.clause, source)

    def cite_design(self) -> Source:
        """The citation of the minimum design, whose source may differ from the rule's."""
        if self.design is None or self.design.source is None:
            return self.cite()
        return citation(self.document, self.edition, self.clause, self.design.source)

    @model_validator(mode="after")
    def _counters_suit(self) -> Self:
        known = CHARACTERISTICS[self.characteristic].counters
        for counter in sorted(self.design.counters if self.design else ()):
            if counter not in known:
                message = (
                    f"the counter '{counter}' does not belong to {self.characteristic}; "
                    f"possible: {', '.join(sorted(known))}"
                )
                raise ValueError(message)
        return self

    @model_validator(mode="after")
    def _figures_suit(self) -> Self:
        for figure in (*(limit.figure for limit in self.acceptance), *self.user_sets):
            known = CHARACTERISTICS[self.characteristic].figures
            if figure not in known:
                message = (
                    f"the figure '{figure}' does not belong to {self.characteristic}; "
                    f"possible: {', '.join(sorted(known))}"
                )
                raise ValueError(message)
        return self

    @model_validator(mode="after")
    def _limits_agree(self) -> Self:
        for index, first in enumerate(self.acceptance):
            for second in self.acceptance[index + 1 :]:
                if (first.figure, first.at) == (second.figure, second.at):
                    _refuse_contradiction(first, second)
        return self


def _refuse_contradiction(first: Acceptance, second: Acceptance) -> None:
    if first.form == second.form:
        message = f"'{first.figure}' is limited twice at the same levels; keep one of the two"
        raise ValueError(message)
    lower = max(bound for bound in (first.lower, second.lower, float("-inf")) if bound is not None)
    upper = min(bound for bound in (first.upper, second.upper, float("inf")) if bound is not None)
    if lower > upper:
        message = f"contradictory limits for '{first.figure}': at least {lower:g} and at most {upper:g}"
        raise ValueError(message)


class Practice(Rule):
    """A rule about how the work is planned, done or reported, where no figure is judged.

    Attributes:
        no_statistical_exclusion: characteristics whose results no statistical test may exclude.
    """

    topic: Topic
    no_statistical_exclusion: tuple[CharacteristicName, ...] = ()
