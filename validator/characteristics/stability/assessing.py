"""Stability under each condition of storage: trend over time, and the last time against the first."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Literal

import numpy as np
from msgspec import Struct
from msgspec.structs import replace

from validator import numbers
from validator.assessment.caveats.raising import Raised, Subject, Trigger
from validator.assessment.observation import Observation, Units, figure
from validator.characteristics.stability.results import (
    BatchesRecord,
    BatchStabilityRecord,
    StabilityRecord,
    StabilityTrendRecord,
    TimePoint,
)
from validator.characteristics.stability.runs import StabilityBlock, StabilityRun
from validator.characteristics.stability.statistic import (
    POOLING_LEVEL,
    Direction,
    first_versus_last,
    poolability,
    stability_trend,
    trend_from_level,
)
from validator.errors import NotEstimable
from validator.evaluation.chosen_guidance import BY_STUDY, CUSTOMARY, own_criterion
from validator.evaluation.convert import attempt
from validator.evaluation.rows import Cell, excluded, excluded_points, independent_values, kept
from validator.records import Equivalence, EstimateRecord, NotAssessed, finite
from validator.statistics.interval import estimate_record, significance
from validator.statistics.precision import single_series

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from numpy.typing import NDArray

    from validator.evaluation.given import Given
    from validator.study import Study

ALLOWED_PERCENT = 10.0
"""Change that is allowed where the study states none (common practice)."""
FEW_TIMES = 3
"""Points in time below which nothing is seen of a course (customary)."""


class _Allowed(Struct, frozen=True):
    """The change that is allowed, in which direction, and who says so."""

    percent: float
    direction: Direction
    by: str


class _Series(Struct, frozen=True):
    """Values of one condition and level over time, with the batch of each where there are several."""

    condition: str
    level: float | None
    axis: Literal["signal", "concentration"]
    time_unit: str
    times: NDArray[np.float64]
    values: NDArray[np.float64]
    batches: tuple[str, ...] | None
    from_level: bool

    def of(self, batch: str) -> _Series:
        """The values of one *batch*."""
        own = np.array([one == batch for one in self.batches or ()], dtype=np.bool_)
        return replace(self, times=self.times[own], values=self.values[own], batches=None)

    def check(self) -> None:
        """Refuse what cannot be averaged.

        Raises:
            NotEstimable: no value counts.
        """
        if not self.values.size:
            raise NotEstimable("all results for this condition are excluded", "results that are not excluded")


def evaluate(given: Given) -> tuple[StabilityRecord, ...] | NotAssessed:
    """One record for each condition and level of the cell."""
    runs = given.runs("stability", StabilityRun)
    if not runs:
        return NotAssessed(
            not_assessed="no stability data were provided",
            needs="results of the same material at several times for each storage condition",
        )
    groups: dict[tuple[str, float | None, str], list[StabilityRun]] = {}
    for run in runs:
        groups.setdefault((run.condition, run.level, run.axis), []).append(run)
    allowed = _allowed(given.study, given.cell)
    confidence = given.study.analysis_for(given.cell.analyte).confidence
    block = given.block("stability", StabilityBlock)
    from_level = block is not None and block.relative_to == "level"
    return tuple(_record(members, allowed, confidence, from_level=from_level) for members in groups.values())


def _allowed(study: Study, cell: Cell) -> _Allowed:
    """The study's own limits of what remains, else the customary change either way."""
    criterion = own_criterion(study, cell, "stability", "min", "max")
    if criterion is None:
        return _Allowed(ALLOWED_PERCENT, "either", CUSTOMARY)
    loss = None if criterion.min is None else 100 - criterion.min
    gain = None if criterion.max is None else criterion.max - 100
    stated = [one for one in (loss, gain) if one is not None and one > 0]
    if not stated:
        return _Allowed(ALLOWED_PERCENT, "either", CUSTOMARY)
    direction: Direction = "decrease" if gain is None else "increase" if loss is None else "either"
    return _Allowed(min(stated), direction, BY_STUDY)


def _series(runs: Sequence[StabilityRun], counted: Sequence[StabilityRun], *, from_level: bool) -> _Series:
    by_time: dict[float, list[StabilityRun]] = {}
    for run in counted:
        by_time.setdefault(run.time, []).append(run)
    # repeated readings are averaged within one time only
    found = [(time, value) for time in sorted(by_time) for value in independent_values(by_time[time])]
    points = [(time, value.value) for time, value in found]
    return _Series(
        condition=runs[0].condition,
        level=runs[0].level,
        axis=runs[0].axis,
        time_unit=runs[0].time_unit,
        times=np.array([time for time, _ in points]),
        values=np.array([value for _, value in points]),
        batches=_batches([(time, value.run.series) for time, value in found]),
        from_level=from_level,
    )


def _batches(found: Sequence[tuple[float, str | None]]) -> tuple[str, ...] | None:
    """The batch of each result; none where series are days of measurement, each at a single time."""
    times: dict[str, set[float]] = {}
    for time, batch in found:
        if batch is None:
            return None
        times.setdefault(batch, set()).add(time)
    if len(times) < 2 or any(len(one) < 2 for one in times.values()):
        return None
    return tuple(batch for _, batch in found if batch is not None)


class _Answers(Struct, frozen=True):
    """What remains, whether that is equivalent to the start, and the line."""

    remaining: EstimateRecord | NotAssessed
    equivalence: Equivalence | None
    trend: StabilityTrendRecord | NotAssessed


def _answers(series: _Series, allowed: _Allowed, confidence: float) -> _Answers:
    return _Answers(
        remaining=attempt(lambda: _remaining(series, confidence)),
        equivalence=None if series.from_level else _equivalence(series, allowed, confidence),
        trend=attempt(lambda: _trend(series, allowed, confidence)),
    )


def _of_batches(
    series: _Series, allowed: _Allowed, confidence: float
) -> tuple[_Answers, BatchesRecord | None]:
    """All results together where batches may be pooled, else the worst batch."""
    if series.batches is None:
        return _answers(series, allowed, confidence), None
    pooling = poolability(series.times, series.values, series.batches)
    record = BatchesRecord(
        slopes=None if pooling.slopes is None else significance(pooling.slopes),
        intercepts=None if pooling.intercepts is None else significance(pooling.intercepts),
        level=POOLING_LEVEL,
        decision=pooling.decision,
    )
    if pooling.decision == "one line" or (pooling.decision == "common slope" and not series.from_level):
        own = series if pooling.decision == "common slope" else replace(series, batches=None)
        return _answers(own, allowed, confidence), record
    each = {batch: series.of(batch) for batch in dict.fromkeys(series.batches)}
    answers = {batch: _answers(one, allowed, confidence) for batch, one in each.items()}
    worst = min(answers, key=lambda batch: _margin(answers[batch].remaining, allowed))
    return answers[worst], replace(
        record,
        decision="separate lines",
        worst=worst,
        each=tuple(
            BatchStabilityRecord(
                batch=batch,
                n=each[batch].values.size,
                remaining_percent=one.remaining,
                trend=one.trend,
            )
            for batch, one in answers.items()
        ),
    )


def _margin(remaining: EstimateRecord | NotAssessed, allowed: _Allowed) -> float:
    """How far from 100 % the bound lies in the direction that counts, negative; below the limit is worst.

    Where there is no bound, or no result, the limit itself stands for it at best: such a batch comes before
    those that are shown to keep the limit, and after those shown to miss it.
    """
    if isinstance(remaining, NotAssessed) or remaining.value is None:
        return -allowed.percent
    lower, upper = remaining.ci or (remaining.value, remaining.value)
    below = -math.inf if lower is None else lower - 100
    above = -math.inf if upper is None else 100 - upper
    margin = {"decrease": below, "increase": above, "either": min(below, above)}[allowed.direction]
    return margin if remaining.ci else min(margin, -allowed.percent)


def _record(
    runs: Sequence[StabilityRun], allowed: _Allowed, confidence: float, *, from_level: bool
) -> StabilityRecord:
    series = _series(runs, kept(runs), from_level=from_level)
    answers, batches = _of_batches(series, allowed, confidence)
    beside = None
    if excluded(runs):
        everything = _series(runs, runs, from_level=from_level)
        beside = _of_batches(everything, allowed, confidence)[0].remaining
    several = np.unique(series.times).size > 1 and not from_level
    return StabilityRecord(
        condition=series.condition,
        level=series.level,
        axis=series.axis,
        time_unit=series.time_unit,
        first_time=float(series.times.min(initial=runs[0].time)),
        last_time=float(series.times.max(initial=runs[0].time)),
        times=int(np.unique(series.times).size),
        n=series.values.size,
        remaining_percent=answers.remaining,
        relative_to="start" if several or series.level is None else "nominal",
        equivalence=answers.equivalence,
        allowed_percent=allowed.percent,
        allowed_by=allowed.by,
        direction=allowed.direction,
        trend=answers.trend,
        points=tuple(
            TimePoint(time=float(time), value=float(value))
            for time, value in zip(series.times, series.values, strict=True)
        ),
        excluded=excluded_points(runs),
        with_excluded=beside,
        batches=batches,
    )


def _remaining(series: _Series, confidence: float) -> EstimateRecord:
    """Last against first; against the level where the study says so or a single time was tested."""
    series.check()
    if series.level and (series.from_level or np.unique(series.times).size == 1):
        return _against_nominal(series, confidence)
    found = first_versus_last(
        series.times, series.values, allowed_percent=ALLOWED_PERCENT, confidence=confidence
    )
    return estimate_record(found.change.change, found.change.reason).shifted(100)


def _against_nominal(series: _Series, confidence: float) -> EstimateRecord:
    if not series.level:
        raise NotEstimable("results are available at one time only", "results at two or more times")
    if series.axis == "signal":
        raise NotEstimable(
            "signals at one time cannot be compared with a nominal level",
            "concentrations, or signals at a second time",
        )
    percent = 100 * series.values[series.times == series.times.max()] / series.level
    if percent.size == 1:
        return EstimateRecord(value=float(percent[0]), reason="only one result")
    return estimate_record(single_series(percent, level=confidence).mean)


def _equivalence(series: _Series, allowed: _Allowed, confidence: float) -> Equivalence | None:
    try:
        series.check()
        found = first_versus_last(
            series.times, series.values, allowed_percent=allowed.percent, confidence=confidence
        )
    except NotEstimable:
        return None
    if found.equivalence is None:
        return None
    return Equivalence(
        lower=100 - allowed.percent,
        upper=100 + allowed.percent,
        passes=found.equivalence.passes,
        p=found.equivalence.p,
    )


def _trend(series: _Series, allowed: _Allowed, confidence: float) -> StabilityTrendRecord:
    series.check()
    found = (
        trend_from_level(
            series.times,
            series.values,
            series.level,
            allowed_percent=allowed.percent,
            direction=allowed.direction,
            confidence=confidence,
        )
        if series.from_level and series.level
        else stability_trend(
            series.times,
            series.values,
            series.batches,
            allowed_percent=allowed.percent,
            direction=allowed.direction,
            confidence=confidence,
        )
    )
    return StabilityTrendRecord(
        change_per_time=estimate_record(found.change_per_time),
        change_at_end=estimate_record(found.change_at_end),
        test=significance(found.test),
        curvature=None if found.curvature is None else significance(found.curvature),
        time_until_allowed=finite(found.time_point),
        time_until_allowed_guarded=finite(found.time_guarded),
        shown=found.shown_guarded,
    )


def _observations(entries: tuple[StabilityRecord, ...], _units: Units) -> Iterator[Observation]:
    for entry in entries:
        worst = entry.batches.worst if entry.batches else None
        what = entry.condition if worst is None else f"{entry.condition}, batch {worst}"
        yield figure(entry.remaining_percent, level=entry.level, what=what, n=entry.n)


def stability_claim_beyond_test(subject: Subject) -> Trigger:
    """Few points in time; or the confidence bound of the trend reaches the limit before the last of them."""
    found: Sequence[StabilityRecord] | NotAssessed = subject.record.of("stability")
    if isinstance(found, NotAssessed):
        return
    few = [record for record in found if record.n > 0 and record.times < FEW_TIMES]
    if few:
        record = min(few, key=lambda one: one.times)
        yield Raised(
            id="stability_claim_beyond_test",
            case="few_points",
            values={
                "points": numbers.counted(record.times, "point in time", "points in time"),
                "condition": record.condition,
            },
        )
    crossed = [
        (trend.shown / record.last_time, trend.shown, record)
        for record in found
        if (trend := _line(record)) is not None and trend.shown < record.last_time
    ]
    if crossed:
        _, shown, record = min(crossed, key=lambda one: one[0])
        yield Raised(
            id="stability_claim_beyond_test",
            case="bound_crossed",
            values={
                "condition": record.condition,
                "allowed": numbers.as_given(record.allowed_percent),
                "supported": numbers.significant(shown, 2),
                "tested": numbers.as_given(record.last_time),
                "time_unit": record.time_unit,
            },
        )


def _line(record: StabilityRecord) -> StabilityTrendRecord | None:
    return record.trend if isinstance(record.trend, StabilityTrendRecord) else None


def answers_on_stability_differ(subject: Subject) -> Trigger:
    """The trend stays inside the allowed change, and the last against the first results does not show it."""
    found: Sequence[StabilityRecord] | NotAssessed = subject.record.of("stability")
    if isinstance(found, NotAssessed):
        return
    for record in found:
        trend, remaining = _line(record), record.remaining_percent
        if trend is None or record.equivalence is None or isinstance(remaining, NotAssessed):
            continue
        if trend.shown < record.last_time or record.equivalence.passes:
            continue
        yield Raised(
            id="answers_on_stability_differ",
            case="trend_inside",
            values={
                "condition": record.condition,
                "time": numbers.quantity(numbers.as_given(record.last_time), record.time_unit),
                "change": numbers.with_interval(
                    trend.change_at_end.value, *(trend.change_at_end.ci or (None, None))
                ),
                "p": numbers.p_text(trend.test.p),
                "remaining": numbers.with_interval(remaining.value, *(remaining.ci or (None, None))),
                "allowed": numbers.as_given(record.allowed_percent),
            },
            effect=_furthest(remaining) / record.allowed_percent if record.allowed_percent else None,
        )


def _furthest(remaining: EstimateRecord) -> float:
    """The largest change that the interval includes, percent."""
    ends = [end for end in (remaining.ci or ()) if end is not None]
    return max((abs(end - 100) for end in ends), default=0.0)


READERS = {"min": _observations, "max": _observations}
TRIGGERS = (stability_claim_beyond_test, answers_on_stability_differ)
