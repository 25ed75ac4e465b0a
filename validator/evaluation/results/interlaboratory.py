"""Records of precision over laboratories, beside those of ``precision``."""

from __future__ import annotations

from typing import ClassVar

from validator.records import Record


class LaboratoryRecord(Record, frozen=True, kw_only=True):
    """One laboratory at one level; ``h`` and ``k`` are Mandel's, ``k_critical`` is at 5 % and 1 %."""

    always: ClassVar[tuple[str, ...]] = ("sd", "h", "k")
    laboratory: str
    n: int
    mean: float
    sd: float | None
    h: float | None
    k: float | None
    k_critical: tuple[float, float] | None = None


class ConsistencyRecord(Record, frozen=True, kw_only=True):
    """How far each laboratory agrees with the others; ``h_critical`` bounds the size of h at 5 % and 1 %."""

    h_critical: tuple[float, float] | None = None
    laboratories: tuple[LaboratoryRecord, ...]
    reason: str | None = None


class RobustRecord(Record, frozen=True, kw_only=True):
    """The same figures by algorithms A and S, which a few outlying laboratories do not move.

    ``standard_error`` is that of the mean. Where every laboratory reports a single result only the
    reproducibility can be had.
    """

    mean: float
    standard_error: float
    repeatability_sd: float | None = None
    between_sd: float | None = None
    reproducibility_sd: float
