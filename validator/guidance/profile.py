"""A guidance document as data: what it asks to be determined, with which design and within which limits."""

from __future__ import annotations

from collections import Counter as Tally
from datetime import date
from typing import Annotated, Literal, Self

from pydantic import BaseModel, Field, model_validator

from validator.characteristics.order import CharacteristicName  # noqa: TC001 (pydantic reads it)
from validator.guidance.acceptance import STRICT, Number, Text
from validator.guidance.rules import Practice, Requirement, RuleId, Sourced
from validator.guidance.vocabulary import Binding, JudgedBy, Kind


class DefaultVariant(Sourced):
    """The variant by which the document itself determines a limit."""

    variant: str
    note: Text | None = None

    @model_validator(mode="after")
    def _is_known(self) -> Self:
        # here, not above: a profile without a variant of its own needs no numerical library
        from validator.statistics.detection import QUANTIFICATION_ALIASES, VARIANTS

        known = sorted({*VARIANTS, *QUANTIFICATION_ALIASES})
        if self.variant not in known:
            message = f"unknown limit variant '{self.variant}'; possible: {', '.join(known)}"
            raise ValueError(message)
        return self


class AskedFor(Sourced):
    """Which characteristics the document asks for, for each kind of method; ``any`` holds for the rest."""

    by_kind: dict[Kind, tuple[CharacteristicName, ...]]
    note: Text | None = None

    @model_validator(mode="after")
    def _has_a_general_list(self) -> Self:
        if Kind.ANY not in self.by_kind:
            message = "by_kind requires a list under 'any', for methods of unstated kind"
            raise ValueError(message)
        return self


Share = Annotated[Number, Field(gt=0, le=1)]


class ProfileFile(BaseModel):
    """A profile as written: complete, or changes to the profile it extends."""

    model_config = STRICT
    format: Literal["guidance-profile/1"]
    id: RuleId
    extends: RuleId | None = None
    without: tuple[RuleId, ...] = ()
    title: Text
    short_title: Text | None = None
    edition: Text | None = None
    issuing_body: Text | None = None
    scope: Text | None = None
    reference: Text | None = None
    note: Text | None = None
    binding: Binding | None = None
    judged_by: JudgedBy | None = None
    superseded_by: Text | None = None
    valid_until: date | None = None
    horrat_share: Share | None = None
    default_detection_limit: DefaultVariant | None = None
    default_quantification_limit: DefaultVariant | None = None
    asked_for: AskedFor | None = None
    requirements: tuple[Requirement, ...] = ()
    practices: tuple[Practice, ...] = ()

    @model_validator(mode="after")
    def _complete_or_extending(self) -> Self:
        if self.extends is None and self.without:
            message = "'without' leaves out rules of the profile named under 'extends'; there is none"
            raise ValueError(message)
        return self

    @model_validator(mode="after")
    def _ids_are_unique(self) -> Self:
        tally = Tally([rule.id for rule in (*self.requirements, *self.practices)])
        twice = sorted(name for name, count in tally.items() if count > 1)
        if twice:
            message = f"the rule id '{twice[0]}' is used {tally[twice[0]]} times; give each rule its own"
            raise ValueError(message)
        return self


class Profile(BaseModel):
    """A guidance profile, complete: what it extends is merged in and every rule names its document.

    Attributes:
        binding: what gives the document its force.
        judged_by: what of a figure it holds against its limits.
        superseded_by: the edition or document that took its place.
        valid_until: last day on which it may be applied.
        horrat_share: share of the predicted reproducibility that repeatability is compared with.
    """

    model_config = STRICT
    id: RuleId
    title: str
    short_title: str
    edition: str
    issuing_body: str
    scope: str
    reference: str | None = None
    note: str | None = None
    binding: Binding = Binding.GUIDANCE
    judged_by: JudgedBy = JudgedBy.ESTIMATE
    superseded_by: str | None = None
    valid_until: date | None = None
    horrat_share: float | None = None
    extends: tuple[str, ...] = ()
    default_detection_limit: DefaultVariant | None = None
    default_quantification_limit: DefaultVariant | None = None
    asked_for: AskedFor | None = None
    requirements: tuple[Requirement, ...] = ()
    practices: tuple[Practice, ...] = ()

    @property
    def name(self) -> str:
        """What it is called where it is referred to: its short title and its edition."""
        return f"{self.short_title}, {self.edition}"

    @model_validator(mode="after")
    def _share_is_stated(self) -> Self:
        for rule in self.requirements:
            if self.horrat_share is None and any(
                limit.figure == "horrat_repeatability" for limit in rule.acceptance
            ):
                message = (
                    f"the rule '{rule.id}' limits horrat_repeatability; "
                    "write horrat_share, the share of the predicted reproducibility it is compared with"
                )
                raise ValueError(message)
        return self

    def characteristics(self, kind: Kind = Kind.ANY) -> tuple[CharacteristicName, ...]:
        """The characteristics asked for, for a method of this kind; empty when the document lists none."""
        if self.asked_for is None:
            return ()
        return self.asked_for.by_kind.get(kind, self.asked_for.by_kind[Kind.ANY])

    def requirements_on(
        self, characteristic: CharacteristicName, kind: Kind = Kind.ANY
    ) -> tuple[Requirement, ...]:
        """The rules on one characteristic for a method of this kind, in the order of the profile."""
        return tuple(
            rule
            for rule in self.requirements
            if rule.characteristic == characteristic and rule.applies_to(kind)
        )
