"""The key ``method``: what is measured, with what, and which variant of it is validated."""

from typing import Annotated, Literal, Self

from pydantic import (
    Field,
    ValidationInfo,
    ValidatorFunctionWrapHandler,
    WrapValidator,
    field_validator,
    model_validator,
)

from validator.study.conversion import Inconvertible, converted
from validator.study.models.base import (
    Flag,
    Label,
    NonNegative,
    NonNegatives,
    Positive,
    Record,
    Text,
    Texts,
    refuse,
)

MethodKind = Literal[
    "assay", "impurity_quantitative", "impurity_limit", "identification", "trace", "screening"
]
"""What a method is for, where guidance asks for different things."""


class Specification(Record):
    """Limits of the product or sample that results are compared with, in the analyte's unit.

    They may be written in another ``unit``, a molar one for example; after reading they are in the analyte's.
    """

    lower: NonNegative | None = None
    upper: NonNegative | None = None
    unit: Label | None = None

    @model_validator(mode="after")
    def _has_limits_in_order(self) -> Self:
        if self.lower is None and self.upper is None:
            refuse("give lower, upper or both")
        if self.lower is not None and self.upper is not None and self.upper <= self.lower:
            refuse("upper must be greater than lower", "upper")
        return self


class ClaimedRange(Record):
    """The levels that the method is claimed for, in the analyte's unit."""

    start: NonNegative = Field(alias="from")
    end: Positive = Field(alias="to")

    @model_validator(mode="after")
    def _in_order(self) -> Self:
        if self.end <= self.start:
            refuse("to must be greater than from", "to")
        return self


class Standard(Record):
    """A standard or reference material; ``independent`` where its source is not that of the calibration."""

    name: Text
    use: Text | None = None
    lot: Text | None = None
    certificate: Text | None = None
    independent: Flag | None = None


class LimitInUnit(Record):
    """A limit written with a unit of its own."""

    value: Positive
    unit: Label


def _converted(value: float, unit: str, into: str, molar_mass: float | None, *loc: str) -> float:
    try:
        return converted(value, unit, into, molar_mass)
    except Inconvertible as error:
        refuse(str(error), *loc)


def in_unit_of_analyte(
    limit: object, validate: ValidatorFunctionWrapHandler, info: ValidationInfo
) -> float | None:
    """A legal limit, also where it is written in another unit than the analyte's."""
    if not isinstance(limit, dict):
        found: float | None = validate(limit)
        return found
    written = LimitInUnit.model_validate(limit)
    if "unit" not in info.data:  # told already
        return written.value
    return _converted(written.value, written.unit, info.data["unit"], info.data.get("molar_mass"), "unit")


LimitOfAnalyte = Annotated[Positive | None, WrapValidator(in_unit_of_analyte)]
"""A level in the unit of the analyte, or written as ``{value: 0.8, unit: mmol/L}``."""

LIMITS_OF_ANALYTE = (
    "legal_limit",
    "reference_point_for_action",
    "lowest_calibrated_level",
    "screening_target",
)
"""The keys of an analyte that are levels which may be written with a unit of their own."""


class Analyte(Record):
    """What is determined.

    ``unit`` is the unit of levels and concentrations, ``signal_unit`` that of signals ("1" for none);
    ``molar_mass`` is in g/mol. Limits are shown in ``display_unit`` too. ``legal_limit`` and the levels of
    residue control may be written as ``{value: 0.8, unit: mmol/L}``; after reading they are in ``unit``.
    ``status`` says whether residues of the substance are permitted, up to the legal limit, or unauthorised.
    """

    id: Label
    name: Text
    unit: Label
    signal: Text
    signal_unit: Label
    molar_mass: Positive | None = None
    display_unit: Label | None = None
    target_levels: NonNegatives = ()
    status: Literal["permitted", "unauthorised"] | None = None
    legal_limit: LimitOfAnalyte = None
    reference_point_for_action: LimitOfAnalyte = None
    lowest_calibrated_level: LimitOfAnalyte = None
    screening_target: LimitOfAnalyte = None
    specification: Specification | None = None
    claimed_range: ClaimedRange | None = None

    @field_validator("display_unit")
    @classmethod
    def _can_be_shown(cls, display_unit: str | None, info: ValidationInfo) -> str | None:
        if display_unit is not None and "unit" in info.data:
            _converted(1.0, info.data["unit"], display_unit, info.data.get("molar_mass"))
        return display_unit

    @model_validator(mode="after")
    def _levels_suit_the_status(self) -> Self:
        if self.status == "unauthorised" and self.legal_limit is not None:
            refuse(
                "an unauthorised substance has no legal limit; write reference_point_for_action or nothing",
                "legal_limit",
            )
        if self.status == "permitted" and self.reference_point_for_action is not None:
            refuse(
                "a permitted substance has no reference point for action; write legal_limit",
                "reference_point_for_action",
            )
        return self

    @field_validator("specification")
    @classmethod
    def _specification_in_unit(
        cls, specification: Specification | None, info: ValidationInfo
    ) -> Specification | None:
        if specification is None or specification.unit is None or "unit" not in info.data:
            return specification
        unit, mass = specification.unit, info.data.get("molar_mass")
        ends = {
            name: None if end is None else _converted(end, unit, info.data["unit"], mass, "unit")
            for name, end in (("lower", specification.lower), ("upper", specification.upper))
        }
        return Specification.model_validate(ends)


class Quantity(Record):
    """A positive value with its unit and, where known, its standard uncertainty."""

    value: Positive
    unit: Label
    uncertainty: NonNegative | None = None


class Configuration(Record):
    """A variant of the measuring device."""

    id: Label
    name: Text
    description: Text | None = None
    active_area: Quantity | None = None


class Method(Record):
    """The method under validation; ``configuration`` names the variant that is validated.

    ``kind`` says what the method is for: rules of guidance for that kind hold, those for others do not.
    """

    title: Text | None = None
    kind: MethodKind | None = None
    principle: Text | None = None
    procedure: Text | None = None
    conditions: dict[Label, Text] = Field(default={})
    equipment: Texts = ()
    standards: tuple[Standard, ...] = ()
    not_required: dict[Literal["precision", "trueness"], Text] = Field(default={})
    reagents: Texts = ()
    analytes: tuple[Analyte, ...]
    configurations: tuple[Configuration, ...] = ()
    configuration: Label | None = None

    @model_validator(mode="after")
    def _has_an_analyte(self) -> Self:
        if not self.analytes:
            refuse("the list is empty; name at least one analyte", "analytes")
        return self
