"""The block ``interference``."""

from typing import Literal, Self

from pydantic import Field, model_validator

from validator.study.models.base import Label, NonNegative, Numbers, Positive, Readings, Text, refuse
from validator.study.models.runs import Axis, Block, Run, exactly_one, numbers_of


class InterferenceRun(Run):
    """Readings with an interferent beside the analyte, and ``reference`` readings without it.

    ``reference`` is on the axis of the readings: results beside ``found``, signals beside ``signals``.
    A ``ratio`` without ``ratio_kind`` is one of masses.
    """

    in_analyte_unit = frozenset({"analyte_level", "found"})
    in_signal_unit = frozenset({"signals"})
    in_either_unit = frozenset({"reference"})
    interferent: Text
    ratio: Positive | None = None
    ratio_kind: Literal["mass", "molar"] | None = None
    interferent_level: NonNegative | None = None
    interferent_unit: Label | None = None
    analyte_level: NonNegative
    found: Readings | None = None
    signals: Numbers | None = None
    reference: Readings

    @property
    def axis(self) -> Axis:
        """What the readings and the reference are."""
        return "signal" if self.found is None else "concentration"

    @property
    def values(self) -> tuple[float, ...]:
        """The readings with the interferent."""
        return (self.signals if self.found is None else numbers_of(self.found)) or ()

    @property
    def reference_values(self) -> tuple[float, ...]:
        """The readings without the interferent."""
        return numbers_of(self.reference)

    @model_validator(mode="after")
    def _says_how_much(self) -> Self:
        exactly_one(self, "found", "signals")
        if self.ratio is None and self.interferent_level is None:
            refuse(
                "the amount of interferent is missing; give ratio, or interferent_level and interferent_unit"
            )
        if self.ratio is not None and self.interferent_level is not None:
            refuse("ratio and interferent_level are mutually exclusive; give only one", "interferent_level")
        if self.interferent_level is not None and self.interferent_unit is None:
            refuse("interferent_unit is missing (for example mg/L)", "interferent_level")
        for amount, companion in (("ratio", "ratio_kind"), ("interferent_level", "interferent_unit")):
            if getattr(self, companion) is not None and getattr(self, amount) is None:
                refuse(f"{companion} requires {amount}", companion)
        return self


class InterferenceBlock(Block):
    """The block ``interference``.

    ``expected_max`` is the largest ratio of an interferent to the analyte that occurs in samples: larger
    amounts inform.
    """

    runs: tuple[InterferenceRun, ...]
    expected_max: dict[Label, Positive] = Field(default={})
