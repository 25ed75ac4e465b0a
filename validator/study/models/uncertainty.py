"""The block ``uncertainty``: contributions that the data of the study do not show."""

from typing import Annotated, Literal, Self

from pydantic import BeforeValidator, model_validator

from validator.study.models.base import (
    Flag,
    Label,
    NonNegative,
    Number,
    Positive,
    Record,
    Text,
    problem,
    refuse,
)

_BIAS_FROM = {"from recovery": "recovery", "from reference materials": "reference materials"}


class Component(Record):
    """A contribution to the uncertainty of a result.

    ``value`` is a standard uncertainty, an expanded one (divided by ``k``) or the half-width of a tolerance
    (turned by ``distribution``, rectangular where none is named). It is in ``unit``, or in percent of the
    quantity where ``relative`` is true. Without ``analyte`` it counts for every analyte.
    """

    name: Text
    value: NonNegative
    kind: Literal["standard", "expanded", "tolerance"]
    k: Positive | None = None
    distribution: Literal["normal", "rectangular", "triangular", "u_shaped"] | None = None
    unit: Label | None = None
    relative: Flag = False
    sensitivity: Number = 1.0
    source: Text
    degrees_of_freedom: Positive | None = None
    analyte: Label | None = None
    note: Text | None = None

    @model_validator(mode="after")
    def _can_be_converted(self) -> Self:
        if self.kind == "expanded" and self.k is None:
            refuse("an expanded uncertainty needs its coverage factor: give k", "kind")
        if self.kind != "expanded" and self.k is not None:
            refuse(f"k belongs to an expanded uncertainty, this one is {self.kind}", "k")
        if self.kind != "tolerance" and self.distribution is not None:
            refuse(f"a distribution belongs to a tolerance, this one is {self.kind}", "distribution")
        if self.relative and self.unit is not None:
            refuse("unit and relative exclude each other; a relative value is in percent", "unit")
        if not self.relative and self.unit is None:
            refuse("the unit is missing: give unit, or relative: true where the value is in percent")
        return self


class Bias(Record):
    """Where the contribution of bias comes from.

    ``origin`` is what the data blocks show, or ``stated`` with ``value`` (a bias) and
    ``standard_uncertainty``, in percent where ``relative`` is true, else in the unit of the analyte.
    """

    origin: Literal["recovery", "reference materials", "stated"] = "stated"
    value: Number | None = None
    standard_uncertainty: NonNegative | None = None
    relative: Flag = False
    source: Text | None = None

    @model_validator(mode="after")
    def _is_complete(self) -> Self:
        if self.origin == "stated" and (self.value is None or self.standard_uncertainty is None):
            refuse("a stated bias needs value and standard_uncertainty")
        return self


def _bias(value: object) -> object:
    if not isinstance(value, str):
        return value
    if value not in _BIAS_FROM:
        raise problem(
            "write from recovery, from reference materials, or a table with value, "
            f"standard_uncertainty and source; found '{value}'"
        )
    return {"origin": _BIAS_FROM[value]}


class UncertaintyBlock(Record):
    """The block ``uncertainty``."""

    components: tuple[Component, ...] = ()
    bias: Annotated[Bias | None, BeforeValidator(_bias)] = None

    @model_validator(mode="after")
    def _is_not_empty(self) -> Self:
        if not self.components and self.bias is None:
            refuse("give components, bias or both")
        return self
