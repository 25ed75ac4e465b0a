"""What is found of stability."""

from __future__ import annotations

from typing import ClassVar, Literal

from validator.records import (
    Equivalence,
    EstimateRecord,
    ExcludedPoint,
    NotAssessed,
    Record,
    SignificanceRecord,
)


class TimePoint(Record, frozen=True, kw_only=True):
    """One independent result or signal after a time."""

    time: float
    value: float


class StabilityTrendRecord(Record, frozen=True, kw_only=True):
    """Straight line over time, in percent of its fitted start.

    Attributes:
        change_per_time: percent per unit of time.
        change_at_end: percent at the longest time tested.
        test: of no trend.
        curvature: of a second-order term.
        time_until_allowed: time at which the line reaches the allowed change; None when it never does.
        time_until_allowed_guarded: the same for the confidence limit of the line.
        shown: time for which the change is shown to stay inside, never beyond the longest tested.
    """

    always: ClassVar[tuple[str, ...]] = ("time_until_allowed", "time_until_allowed_guarded")
    change_per_time: EstimateRecord
    change_at_end: EstimateRecord
    test: SignificanceRecord
    curvature: SignificanceRecord | None = None
    time_until_allowed: float | None
    time_until_allowed_guarded: float | None
    shown: float


class BatchStabilityRecord(Record, frozen=True, kw_only=True):
    """One batch by itself: what remains of it, and its line."""

    batch: str
    n: int
    remaining_percent: EstimateRecord | NotAssessed
    trend: StabilityTrendRecord | NotAssessed


class BatchesRecord(Record, frozen=True, kw_only=True):
    """Whether batches share a line, and each by itself where they do not.

    Attributes:
        slopes, intercepts: F tests of equal slopes, and of equal intercepts under a common slope.
        level: significance level below which batches are not pooled.
        decision: "one line", "common slope" or "separate lines".
        worst: the batch that decides under separate lines.
        each: every batch, under separate lines.
    """

    slopes: SignificanceRecord | None = None
    intercepts: SignificanceRecord | None = None
    level: float
    decision: Literal["one line", "common slope", "separate lines"]
    worst: str | None = None
    each: tuple[BatchStabilityRecord, ...] = ()


class StabilityRecord(Record, frozen=True, kw_only=True):
    """Stability under one condition of storage at one level.

    Attributes:
        condition, level: as recorded.
        axis: what the values are.
        time_unit, first_time, last_time, times: of the test; ``times`` counts different ones.
        remaining_percent: mean at the last time in percent of that at the first; of the nominal level where
            a single time was tested. ``relative_to`` says which.
        equivalence: two one-sided tests of last over first within the allowed change, in percent.
        allowed_percent: largest change allowed; ``allowed_by`` says who states it.
        direction: of a change that counts.
        trend: the line over all times.
        batches: of several batches, whether they were pooled; where not, ``remaining_percent``,
            ``equivalence`` and ``trend`` are those of the worst one.
    """

    condition: str
    level: float | None = None
    axis: Literal["signal", "concentration"]
    time_unit: str
    first_time: float
    last_time: float
    times: int
    n: int
    remaining_percent: EstimateRecord | NotAssessed
    relative_to: Literal["start", "nominal"]
    equivalence: Equivalence | None = None
    allowed_percent: float
    allowed_by: str
    direction: Literal["decrease", "increase", "either"]
    trend: StabilityTrendRecord | NotAssessed
    points: tuple[TimePoint, ...] = ()
    excluded: tuple[ExcludedPoint, ...] = ()
    with_excluded: EstimateRecord | NotAssessed | None = None
    batches: BatchesRecord | None = None


RECORD = tuple[StabilityRecord, ...]
