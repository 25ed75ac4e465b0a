"""The key ``criteria``: what the study itself asks of the method."""

from typing import Literal, Self, get_args

from pydantic import model_validator

from validator.study.models.base import (
    Label,
    NonNegative,
    Number,
    Positive,
    Probability,
    Record,
    Text,
    refuse,
)

Characteristic = Literal[
    "linearity",
    "lack_of_fit",
    "residual_pattern",
    "working_range",
    "sensitivity",
    "detection_limit",
    "quantification_limit",
    "decision_limit",
    "detection_capability",
    "repeatability",
    "intermediate_precision",
    "reproducibility",
    "trueness",
    "recovery",
    "selectivity",
    "interference",
    "matrix_effect",
    "robustness",
    "stability",
    "carry_over",
    "device_to_device",
    "repeated_use",
    "uncertainty",
    "accuracy_profile",
    "method_comparison",
]
CHARACTERISTICS: tuple[Characteristic, ...] = get_args(Characteristic)

LIMITS: dict[Characteristic, tuple[str, ...]] = {
    "linearity": ("min", "p_min"),
    "lack_of_fit": ("p_min",),
    "residual_pattern": ("p_min",),
    "working_range": ("min", "max"),
    "sensitivity": ("min", "max"),
    "detection_limit": ("max",),
    "quantification_limit": ("max",),
    "decision_limit": ("min", "max"),
    "detection_capability": ("min", "max"),
    "repeatability": ("rsd_max", "max"),
    "intermediate_precision": ("rsd_max", "max"),
    "reproducibility": ("rsd_max", "max"),
    "trueness": ("min", "max", "p_min"),
    "recovery": ("min", "max"),
    "selectivity": ("min", "max"),
    "interference": ("min", "max"),
    "matrix_effect": ("min", "max"),
    "robustness": ("min", "max", "p_min"),
    "stability": ("min", "max"),
    "carry_over": ("max",),
    "device_to_device": ("rsd_max", "max"),
    "repeated_use": ("rsd_max", "min", "max"),
    "uncertainty": ("rsd_max", "max"),
    "accuracy_profile": ("min", "max"),
    "method_comparison": ("min", "max", "p_min"),
}
"""The kinds of limit that mean something for each characteristic."""

IN_ANALYTE_UNIT: frozenset[Characteristic] = frozenset(
    {
        "working_range",
        "detection_limit",
        "quantification_limit",
        "decision_limit",
        "detection_capability",
    }
)
"""Characteristics whose ``min`` and ``max`` are in the unit of the analyte."""


class Criterion(Record):
    """A limit that a characteristic must keep, at a level where one is named.

    ``rsd_max`` is in percent, ``p_min`` a probability; ``min`` and ``max`` are in the unit of the figure:
    the analyte's unit for limits and ranges, percent for recoveries, biases, effects and changes. ``within``
    is both at once; after reading it stands in ``min`` and ``max``. Those in the analyte's unit may be
    written in another ``unit``; after reading they are in the analyte's.
    """

    characteristic: Characteristic
    analyte: Label | None = None
    configuration: Label | None = None
    at: NonNegative | None = None
    rsd_max: Positive | None = None
    min: Number | None = None
    max: Number | None = None
    p_min: Probability | None = None
    within: tuple[Number, Number] | None = None
    unit: Label | None = None
    source: Text | None = None
    note: Text | None = None

    @property
    def limits(self) -> dict[str, float]:
        """The limits that were given, by their name."""
        given = {name: getattr(self, name) for name in ("rsd_max", "min", "max", "p_min")}
        return {name: value for name, value in given.items() if value is not None}

    @model_validator(mode="after")
    def _within_is_min_and_max(self) -> Self:
        if self.within is None:
            return self
        if self.min is not None or self.max is not None:
            refuse("within is min and max at once; write either", "within")
        lower, upper = self.within
        if upper < lower:
            refuse("the second number must not be smaller than the first", "within")
        self.__dict__.update(min=lower, max=upper, within=None)
        return self

    @model_validator(mode="after")
    def _limits_make_sense(self) -> Self:
        fitting = LIMITS[self.characteristic]
        choice = " or ".join(fitting)
        if not self.limits:
            refuse(f"a criterion for {self.characteristic} requires a limit: {choice}")
        for name in self.limits:
            if name not in fitting:
                refuse(f"{name} does not apply to {self.characteristic}; use {choice}", name)
        if self.min is not None and self.max is not None and self.max < self.min:
            refuse("max must not be smaller than min", "max")
        if self.unit is not None and self.characteristic not in IN_ANALYTE_UNIT:
            refuse(f"unit does not apply to a criterion for {self.characteristic}", "unit")
        return self
