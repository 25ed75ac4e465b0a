"""Records of stability and robustness."""

from __future__ import annotations

from typing import ClassVar, Literal

from validator.evaluation.results.calibration import Range
from validator.evaluation.results.trueness import Equivalence
from validator.records import (
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


class FactorEffectRecord(Record, frozen=True, kw_only=True):
    """Effect of one factor.

    Attributes:
        factor: its name.
        low, high, nominal, unit: the settings as written.
        setting: which way it was changed, in a one-at-a-time design; None in a two-level design.
        effect: mean at high less mean at low, or mean of the change less mean of the nominal procedure.
        effect_percent: in percent of the mean result (of the nominal one), which counts as exact.
        t, p: of the effect; ``p_adjusted`` allows for the number of comparisons (Bonferroni), where it is
            the p that decides.
        significant: beyond the margin, by ``p_adjusted`` in a one-at-a-time design; None without an error.
        beyond_allowed: the effect itself is beyond what the study allows; None where it states nothing.
        controlled_range: setting inside which the effect stays within the margin.
    """

    factor: str
    low: str
    high: str
    nominal: str | None = None
    unit: str | None = None
    setting: Literal["low", "high"] | None = None
    effect: EstimateRecord
    effect_percent: EstimateRecord
    t: float | None = None
    p: float | None = None
    p_adjusted: float | None = None
    significant: bool | None = None
    beyond_allowed: bool | None = None
    controlled_range: Range | None = None


class RobustnessRecord(Record, frozen=True, kw_only=True):
    """Effects of small changes of the procedure.

    Attributes:
        design: as declared; a factor whose name begins with "dummy" stands for none.
        runs, results: different settings, and results of them.
        mean: of all results; of the nominal procedure in a one-at-a-time design.
        effects: in the order of the factors.
        error_source: where the standard error comes from: "replicates", "dummies" (free columns), "lenth"
            (most effects taken as null) or "none".
        standard_error, degrees_of_freedom, margin: of an effect; it is significant beyond the margin.
        allowed_percent: largest effect the study allows; None where it states nothing.
        to_control: factors whose setting must be kept: effects beyond the allowed one, else significant ones.
        orthogonal: the effects can be told apart; None in a one-at-a-time design.
        reason: why there is no standard error.
    """

    always: ClassVar[tuple[str, ...]] = ("standard_error",)
    design: str
    runs: int
    results: int
    mean: float
    effects: tuple[FactorEffectRecord, ...]
    error_source: str
    standard_error: float | None
    degrees_of_freedom: float | None = None
    margin: float | None = None
    allowed_percent: float | None = None
    to_control: tuple[str, ...] = ()
    orthogonal: bool | None = None
    reason: str | None = None
    excluded: tuple[ExcludedPoint, ...] = ()
    with_excluded: RobustnessRecord | None = None
