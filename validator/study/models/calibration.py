"""The blocks ``calibration``, ``matrix_calibration`` and ``standard_addition``."""

from typing import Self

from pydantic import model_validator

from validator.study.models.base import (
    Label,
    NonNegative,
    NonNegatives,
    Numbers,
    Positive,
    Text,
    refuse,
)
from validator.study.models.runs import Block, Run, SignalRun, exactly_one


class CalibrationRun(SignalRun):
    """Signals of one level.

    ``level_uncertainty`` is a standard uncertainty in the analyte's unit; ``signal_sd`` is a known standard
    deviation of the signal at this level, used for weights where replicates are not listed.
    """

    in_analyte_unit = frozenset({"level", "level_uncertainty"})
    in_signal_unit = frozenset({"signals", "signal", "signal_sd"})
    level: NonNegative
    level_uncertainty: NonNegative | None = None
    signal_sd: Positive | None = None

    @model_validator(mode="after")
    def _has_signals(self) -> Self:
        exactly_one(self, "signals", "signal")
        return self


class CalibrationBlock(Block):
    """The block ``calibration``."""

    runs: tuple[CalibrationRun, ...]


class MatrixCalibrationRun(CalibrationRun):
    """Signals of one level prepared in matrix; ``matrix`` is the study's where the block names none."""


class MatrixCalibrationBlock(Block):
    """The block ``matrix_calibration``; ``matrix`` is a default for its runs."""

    matrix: Text | None = None
    runs: tuple[MatrixCalibrationRun, ...]


class StandardAdditionRun(Run):
    """Additions to one sample and the signals they gave, in pairs.

    ``dilution_factor`` multiplies the concentration found; ``reference`` is an independently known value.
    """

    in_analyte_unit = frozenset({"added", "reference"})
    in_signal_unit = frozenset({"signals"})
    gathers_rows = True
    sample: Label
    added: NonNegatives
    signals: Numbers
    dilution_factor: Positive = 1.0
    reference: NonNegative | None = None

    @property
    def values(self) -> tuple[float, ...]:
        """The signals, one for each addition."""
        return self.signals

    @model_validator(mode="after")
    def _in_pairs(self) -> Self:
        if len(self.signals) != len(self.added):
            refuse(
                (
                    f"{len(self.signals)} signals for {len(self.added)} additions; give one signal "
                    "per addition, and repeat the addition for replicates"
                ),
                "signals",
            )
        return self


class StandardAdditionBlock(Block):
    """The block ``standard_addition``."""

    runs: tuple[StandardAdditionRun, ...]
