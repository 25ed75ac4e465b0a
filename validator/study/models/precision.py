"""The blocks ``precision`` and ``repeated_use``."""

from typing import Literal

from validator.study.models.base import Count, Label, NonNegative, Number, Text
from validator.study.models.runs import Block, MeasuredRun, Run


class PrecisionRun(MeasuredRun):
    """Replicates of one level under one set of conditions.

    A ``level`` is the content unless ``level_is`` says that it is a mere label; ``level_confirmed``
    states why results far from it are right. The factors are ``series``, ``day``, ``operator``,
    ``instrument``, ``device`` and ``laboratory``.
    """

    level: NonNegative
    level_is: Literal["content", "label"] | None = None
    level_confirmed: Text | None = None
    day: Label | None = None
    laboratory: Label | None = None


class PrecisionBlock(Block):
    """The block ``precision``."""

    runs: tuple[PrecisionRun, ...]


class RepeatedUseRun(Run):
    """The signal of a device at its first, second, third ... use."""

    in_signal_unit = frozenset({"signal"})
    device: Label
    use: Count
    signal: Number

    @property
    def values(self) -> tuple[float, ...]:
        """The signal, as a tuple of one."""
        return (self.signal,)


class RepeatedUseBlock(Block):
    """The block ``repeated_use``."""

    runs: tuple[RepeatedUseRun, ...]
