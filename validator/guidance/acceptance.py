"""Acceptance limits as a profile writes them: a number, a range, a table by mass fraction or by analyte."""

from __future__ import annotations

from itertools import pairwise
from typing import TYPE_CHECKING, Annotated, Literal, Self

from pydantic import BaseModel, BeforeValidator, ConfigDict, Field, model_validator

from validator.characteristics.order import FIGURES, FigureName
from validator.guidance.vocabulary import Place, Status

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping

STRICT = ConfigDict(frozen=True, extra="forbid", populate_by_name=False, defer_build=True)


def _no_truth_value(value: object) -> object:
    # YAML reads yes/no/on/off as truth values, which would pass as 1 and 0
    if isinstance(value, bool):
        message = "a number is expected here; YAML reads yes, no, on and off as truth values"
        raise ValueError(message)  # noqa: TRY004 - pydantic reports a ValueError with the field it stands in
    return value


Number = Annotated[float, BeforeValidator(_no_truth_value), Field(allow_inf_nan=False)]
Count = Annotated[int, BeforeValidator(_no_truth_value), Field(ge=1)]
Text = Annotated[str, Field(min_length=1, pattern=r"\S")]

UNITS = {"1": 1.0, "%": 1e2, "g/kg": 1e3, "mg/kg": 1e6, "ug/kg": 1e9, "ng/kg": 1e12}
"""How many of the unit make a mass fraction of one."""


Consulted = Literal["seen", "reprint", "quotation", "memory"]
"""How far the words of a rule were consulted; ``validator.sources`` says what each means."""


class OwnSource(BaseModel):
    """A part of a rule that may say for itself where it was seen; else the rule's own mark holds."""

    model_config = STRICT
    source: Consulted | None = None


WORDS = ("min", "max", "rsd_max", "p_min", "within")
"""The words for a limit, in profiles as in studies."""


class Bounds(BaseModel):
    """One of ``min``, ``max``, ``rsd_max``, ``p_min`` or ``within``.

    The ends belong to what is allowed, unless ``exclusive`` says that the document writes "lower than".
    """

    model_config = STRICT
    min: Number | None = None
    max: Number | None = None
    rsd_max: Number | None = None
    p_min: Number | None = None
    within: tuple[Number, Number] | None = None
    exclusive: bool = False

    @property
    def word(self) -> str | None:
        """The word the limit is written with; None where a table sets it."""
        return next((name for name in WORDS if getattr(self, name) is not None), None)

    @property
    def lower(self) -> float | None:
        """Smallest value allowed, if any."""
        return self.within[0] if self.within else self.min if self.p_min is None else self.p_min

    @property
    def upper(self) -> float | None:
        """Largest value allowed, if any."""
        return self.within[1] if self.within else self.max if self.rsd_max is None else self.rsd_max

    @property
    def form(self) -> tuple[bool, bool]:
        """Whether there is a lower and an upper bound."""
        return self.lower is not None, self.upper is not None

    @model_validator(mode="after")
    def _range_has_two_ends(self) -> Self:
        if self.within and not self.within[0] < self.within[1]:
            message = (
                f"within: [{self.within[0]:g}, {self.within[1]:g}] is empty; write the lower "
                "limit first, then the upper limit"
            )
            raise ValueError(message)
        return self


def _refuse_other_than_one(given: Mapping[str, object], what: str) -> None:
    """Refuse an entry that limits its figure in no way or in several."""
    found = [name for name, value in given.items() if value is not None]
    if len(found) == 1:
        return
    message = f"{what} takes exactly one of {', '.join(given)}; found {' and '.join(found) or 'none of them'}"
    if set(found) == {"min", "max"}:
        message += ", which together are written within: [lower, upper]"
    raise ValueError(message)


class RowBounds(Bounds):
    """Bounds of one row of a table: exactly one form."""

    @model_validator(mode="after")
    def _one_form(self) -> Self:
        _refuse_other_than_one({name: getattr(self, name) for name in WORDS}, "a row")
        return self


class Band(RowBounds):
    """A row that holds over a stretch of mass fractions.

    ``from`` and ``to`` include the end, ``above`` and ``below`` leave it out; a missing end is open.
    """

    from_: Number | None = Field(default=None, alias="from")
    above: Number | None = None
    to: Number | None = None
    below: Number | None = None

    @property
    def start(self) -> float | None:
        """Lower end, included or not."""
        return self.from_ if self.from_ is not None else self.above

    @property
    def end(self) -> float | None:
        """Upper end, included or not."""
        return self.to if self.to is not None else self.below

    @model_validator(mode="after")
    def _ends_in_order(self) -> Self:
        if self.from_ is not None and self.above is not None:
            message = "a band starts with from (the end belongs to it) or with above (it does not), not both"
            raise ValueError(message)
        if self.to is not None and self.below is not None:
            message = "a band ends with to (the end belongs to it) or with below (it does not), not both"
            raise ValueError(message)
        if self.start is not None and self.end is not None and self.start >= self.end:
            message = f"the band runs from {self.start:g} to {self.end:g}; its end must lie above its start"
            raise ValueError(message)
        return self


class Point(RowBounds):
    """A row that holds at one mass fraction."""

    at: Annotated[Number, Field(gt=0)]


class MassFractionTable(BaseModel):
    """Limits that depend on the mass fraction of the analyte, in bands or at points."""

    model_config = STRICT
    unit: Literal["1", "%", "g/kg", "mg/kg", "ug/kg", "ng/kg"] = "1"
    bands: tuple[Band, ...] = ()
    points: tuple[Point, ...] = ()
    between: Literal["log_interpolation"] | None = None
    """Rule between two points: the limit runs straight over the logarithm of the mass fraction."""

    @model_validator(mode="after")
    def _bands_or_points(self) -> Self:
        if bool(self.bands) == bool(self.points):
            message = "a table by mass fraction takes either bands or points"
            raise ValueError(message)
        if bool(self.points) != (self.between is not None):
            message = "points need 'between: log_interpolation'; bands take no such rule"
            raise ValueError(message)
        rows = self.bands or self.points
        if len({row.form for row in rows}) > 1:
            message = f"all rows of a table bound the same side: use the same one of {', '.join(WORDS)}"
            raise ValueError(message)
        return self

    @model_validator(mode="after")
    def _no_gap(self) -> Self:
        for lower, upper in pairwise(self.bands):
            meets_once = (lower.to is not None and lower.to == upper.above) or (
                lower.below is not None and lower.below == upper.from_
            )
            if not meets_once:
                message = (
                    "bands must follow each other without gap or overlap: write 'to: 10' then 'above: 10', "
                    "or 'below: 10' then 'from: 10'"
                )
                raise ValueError(message)
        for before, after in pairwise(self.points):
            if before.at >= after.at:
                message = "the points must be in rising order of 'at'"
                raise ValueError(message)
        return self


class PredictedRsd(BaseModel):
    """A limit that is a multiple of the reproducibility RSD predicted from the mass fraction."""

    model_config = STRICT
    model: Literal["horwitz", "thompson"]
    factor: Annotated[Number, Field(gt=0)] = 1.0


class AtLevel(BaseModel):
    """A level at which a limit holds: a share of the legal limit, or a fixed one."""

    model_config = STRICT
    percent_of_legal_limit: Annotated[Number, Field(gt=0)] | None = None
    level: Annotated[Number, Field(gt=0)] | None = None
    unit: Text | None = None

    @model_validator(mode="after")
    def _one_level(self) -> Self:
        names = ("percent_of_legal_limit", "level")
        _refuse_other_than_one({name: getattr(self, name) for name in names}, "a level")
        if (self.level is None) != (self.unit is None):
            message = "'level' and 'unit' are written together, such as {level: 3, unit: mg/L}"
            raise ValueError(message)
        return self


class AnalyteRow(Bounds, OwnSource):
    """A row that holds for one analyte, under any of the names given.

    Attributes:
        by_legal_limit: in place of a number: the limit by the legal limit of the analyte as a mass fraction.
        at: the level at which this row holds, where it differs from that of the other rows.
    """

    analytes: Annotated[tuple[Text, ...], Field(min_length=1)]
    by_legal_limit: MassFractionTable | None = None
    at: AtLevel | None = None

    @model_validator(mode="after")
    def _one_form(self) -> Self:
        names = (*WORDS, "by_legal_limit")
        _refuse_other_than_one({name: getattr(self, name) for name in names}, "a row")
        return self

    @property
    def rows(self) -> tuple[Bounds, ...]:
        """What sets numbers in this row: itself, or the rows of its table."""
        table = self.by_legal_limit
        return (self,) if table is None else table.bands or table.points


class Acceptance(Bounds, OwnSource):
    """What a figure must keep.

    Exactly one of ``min``, ``max``, ``rsd_max``, ``p_min``, ``within``, ``by_mass_fraction``,
    ``predicted_rsd`` (an upper limit) and ``by_analyte``; ``rsd_max`` for a relative standard deviation,
    ``p_min`` for a probability.

    Attributes:
        at: the levels at which it holds.
        status: required, recommended or customary.
        decides: False where the document wants the figure looked at but fails nothing by it.
        consequence: what follows when the limit is not kept, where that is not failure.
        clause, source: where they differ from those of the requirement.
    """

    figure: FigureName
    by_mass_fraction: MassFractionTable | None = None
    predicted_rsd: PredictedRsd | None = None
    by_analyte: Annotated[tuple[AnalyteRow, ...], Field(min_length=1)] | None = None
    at: Place = Place.EVERY_LEVEL
    status: Status = Status.REQUIRED
    decides: bool = True
    consequence: Text | None = None
    note: Text | None = None
    clause: Text | None = None

    @model_validator(mode="after")
    def _one_limit(self) -> Self:
        names = (*WORDS, "by_mass_fraction", "predicted_rsd", "by_analyte")
        _refuse_other_than_one({name: getattr(self, name) for name in names}, "an acceptance")
        return self

    @model_validator(mode="after")
    def _suits_the_figure(self) -> Self:
        meaning = FIGURES[self.figure]
        if meaning.information_only and self.decides:
            message = f"'{self.figure}' is shown for information and cannot decide; write 'decides: false'"
            raise ValueError(message)
        if self.at is not Place.EVERY_LEVEL and not meaning.per_level:
            message = f"'{self.figure}' is one figure, not one for each level; leave 'at' out"
            raise ValueError(message)
        if self.consequence and self.decides:
            message = "a consequence other than failure is written together with 'decides: false'"
            raise ValueError(message)
        return self

    @model_validator(mode="after")
    def _words_suit_the_figure(self) -> Self:
        fitting = _limited_by(self.figure)
        rows: tuple[Bounds, ...] = (self, *self._rows())
        for row in rows:
            if row.word is not None and row.word not in fitting:
                message = f"'{self.figure}' is limited by {' or '.join(fitting)}, not by '{row.word}'"
                raise ValueError(message)
        return self

    def _rows(self) -> Iterator[Bounds]:
        if self.by_mass_fraction is not None:
            yield from self.by_mass_fraction.bands or self.by_mass_fraction.points
        for row in self.by_analyte or ():
            yield from row.rows

    @model_validator(mode="after")
    def _each_analyte_once(self) -> Self:
        names = [name.casefold() for row in self.by_analyte or () for name in row.analytes]
        twice = sorted({name for name in names if names.count(name) > 1})
        if twice:
            message = f"the analyte '{twice[0]}' stands in more than one row; keep one"
            raise ValueError(message)
        return self


def _limited_by(figure: str) -> tuple[str, ...]:
    """The words a limit on *figure* is written with, those of the criteria of a study."""
    if figure.endswith("_p"):
        return ("p_min",)
    if figure.endswith("_rsd_percent"):
        return ("rsd_max",)
    return ("min", "max", "within")
