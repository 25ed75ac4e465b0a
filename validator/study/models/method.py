"""The key ``method``: what is measured, with what, and which variant of it is validated."""

from typing import Literal, Self

from pydantic import Field, model_validator

from validator.study.models.base import (
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
    """Limits of the product or sample that results are compared with, in the analyte's unit."""

    lower: NonNegative | None = None
    upper: NonNegative | None = None

    @model_validator(mode="after")
    def _has_limits_in_order(self) -> Self:
        if self.lower is None and self.upper is None:
            refuse("give lower, upper or both")
        if self.lower is not None and self.upper is not None and self.upper <= self.lower:
            refuse("upper must be greater than lower", "upper")
        return self


class Analyte(Record):
    """What is determined.

    ``unit`` is the unit of levels and concentrations, ``signal_unit`` that of signals ("1" for none);
    ``molar_mass`` is in g/mol.
    """

    id: Label
    name: Text
    unit: Label
    signal: Text
    signal_unit: Label
    molar_mass: Positive | None = None
    target_levels: NonNegatives = ()
    legal_limit: Positive | None = None
    specification: Specification | None = None


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
    reagents: Texts = ()
    analytes: tuple[Analyte, ...]
    configurations: tuple[Configuration, ...] = ()
    configuration: Label | None = None

    @model_validator(mode="after")
    def _has_an_analyte(self) -> Self:
        if not self.analytes:
            refuse("the list is empty; name at least one analyte", "analytes")
        return self
