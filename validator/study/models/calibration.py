"""The blocks ``calibration``, ``matrix_calibration`` and ``standard_addition``."""

from typing import Literal, Self

from pydantic import model_validator

from validator.study.models.base import (
    Flag,
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

    Additions are stated as increases of the content (``added``), or as volumes of a standard into a volume of
    the sample, in one unit of volume (``added_volume``, ``sample_volume``, ``standard_concentration``).
    ``blank_signals`` are subtracted; ``blank_correction: subtracted`` says that it was done before.
    ``successive`` additions go into one solution.  ``dilution_factor`` multiplies the concentration found;
    ``reference`` is an independently known value.
    """

    in_analyte_unit = frozenset({"added", "reference", "standard_concentration"})
    in_signal_unit = frozenset({"signals", "blank_signals"})
    gathers_rows = True
    sample: Label
    added: NonNegatives | None = None
    added_volume: NonNegatives | None = None
    sample_volume: Positive | None = None
    standard_concentration: Positive | None = None
    signals: Numbers
    blank_signals: Numbers | None = None
    blank_correction: Literal["none", "subtracted"] | None = None
    successive: Flag | None = None
    dilution_factor: Positive = 1.0
    reference: NonNegative | None = None

    @property
    def additions(self) -> tuple[float, ...]:
        """Increase of the content that each addition makes, in the volume of the sample as it was taken."""
        if self.added is not None:
            return self.added
        assert self.added_volume is not None
        assert self.sample_volume
        assert self.standard_concentration
        return tuple(v * self.standard_concentration / self.sample_volume for v in self.added_volume)

    @property
    def responses(self) -> tuple[float, ...]:
        """The signals, less the mean blank, as they would be in the volume of the sample as it was taken."""
        blank = 0.0 if self.blank_signals is None else sum(self.blank_signals) / len(self.blank_signals)
        net = [signal - blank for signal in self.signals]
        if self.added is not None or not self.added_volume or not self.sample_volume:
            return tuple(net)
        return tuple(
            y * (self.sample_volume + v) / self.sample_volume
            for y, v in zip(net, self.added_volume, strict=True)
        )

    @property
    def is_successive(self) -> bool:
        """True where additions went into one solution: as stated, and where volumes are and nothing is."""
        return self.added_volume is not None if self.successive is None else self.successive

    @property
    def values(self) -> tuple[float, ...]:
        """The signals, one for each addition."""
        return self.signals

    @model_validator(mode="after")
    def _in_pairs(self) -> Self:
        by_volume = {
            name: getattr(self, name) is not None
            for name in ("added_volume", "sample_volume", "standard_concentration")
        }
        if (self.added is not None) == any(by_volume.values()):
            where = ("added",) if self.added is not None else ()
            refuse("give either added, or added_volume with sample_volume and standard_concentration", *where)
        for name, is_given in by_volume.items():
            if self.added is None and not is_given:
                refuse(f"{name} is missing; additions by volume require it")
        if self.blank_signals is not None and self.blank_correction == "subtracted":
            refuse("blank_signals would be subtracted again; omit one of both", "blank_correction")
        count = len(self.added if self.added is not None else self.added_volume or ())
        if len(self.signals) != count:
            refuse(
                f"{len(self.signals)} signals for {count} additions; give one signal "
                "per addition, and repeat the addition for replicates",
                "signals",
            )
        return self


class StandardAdditionBlock(Block):
    """The block ``standard_addition``."""

    runs: tuple[StandardAdditionRun, ...]
