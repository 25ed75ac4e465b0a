"""The blocks ``blanks``, ``low_level`` and ``noise``: what detection and quantification limits rest on."""

from typing import Literal

from validator.study.models.base import Count, NonNegative, Positive
from validator.study.models.runs import Block, MeasuredRun, Run


class BlankRun(MeasuredRun):
    """Readings of blanks.

    ``blank_correction`` says whether results are reported with the blank subtracted,
    ``replicates_averaged`` how many readings make one value here.
    """

    kind: Literal["reagent", "matrix", "field"] | None = None
    blank_correction: Literal["none", "subtracted"] | None = None
    replicates_averaged: Count | None = None


class BlanksBlock(Block):
    """The block ``blanks``; ``blanks_per_correction`` of them are averaged to correct a routine result."""

    blanks_per_correction: Count | None = None
    runs: tuple[BlankRun, ...]


class LowLevelRun(MeasuredRun):
    """Readings of samples near the expected limit; ``level`` is spiked or nominal."""

    level: NonNegative


class LowLevelBlock(Block):
    """The block ``low_level``."""

    runs: tuple[LowLevelRun, ...]


class NoiseRun(Run):
    """Height of the signal of ``level`` and the noise beside it, both in the signal's unit."""

    in_analyte_unit = frozenset({"level"})
    in_signal_unit = frozenset({"signal_height", "noise"})
    level: Positive
    signal_height: Positive
    noise: Positive
    noise_kind: Literal["peak_to_peak", "rms"]


class NoiseBlock(Block):
    """The block ``noise``."""

    runs: tuple[NoiseRun, ...]
