"""Stability under each condition of storage: trend over time, and the last time against the first."""

from __future__ import annotations

from typing import TYPE_CHECKING, Literal

import numpy as np
from msgspec import Struct

from validator.errors import NotEstimable
from validator.evaluation.chosen_guidance import BY_STUDY, CUSTOMARY, own_criterion
from validator.evaluation.convert import attempt, estimate_record, significance
from validator.evaluation.results import (
    Equivalence,
    EstimateRecord,
    NotAssessed,
    StabilityRecord,
    StabilityTrendRecord,
    TimePoint,
)
from validator.evaluation.rows import Cell, excluded, excluded_points, independent_values, kept, runs_of
from validator.records import finite
from validator.statistics.precision import single_series
from validator.statistics.stability import Direction, first_versus_last, stability_trend
from validator.study.models.stability import StabilityRun

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from validator.study import Study

ALLOWED_PERCENT = 10.0
"""Change that is allowed where the study states none (common practice)."""


class _Allowed(Struct, frozen=True):
    """The change that is allowed, in which direction, and who says so."""

    percent: float
    direction: Direction
    by: str


class _Series(Struct, frozen=True):
    """Values of one condition and level over time."""

    condition: str
    level: float | None
    axis: Literal["signal", "concentration"]
    time_unit: str
    times: NDArray[np.float64]
    values: NDArray[np.float64]

    def check(self) -> None:
        """Refuse what cannot be averaged.

        Raises:
            NotEstimable: no value counts.
        """
        if not self.values.size:
            raise NotEstimable("all results for this condition are excluded", "results that are not excluded")


def stability(study: Study, cell: Cell) -> tuple[StabilityRecord, ...] | NotAssessed:
    """One record for each condition and level of *cell*."""
    runs = [run for run in runs_of(study.stability, cell) if isinstance(run, StabilityRun)]
    if not runs:
        return NotAssessed(
            not_assessed="no stability data were provided",
            needs="results of the same material at several times for each storage condition",
        )
    groups: dict[tuple[str, float | None, str], list[StabilityRun]] = {}
    for run in runs:
        groups.setdefault((run.condition, run.level, run.axis), []).append(run)
    allowed = _allowed(study, cell)
    confidence = study.analysis_for(cell.analyte).confidence
    return tuple(_record(members, allowed, confidence) for members in groups.values())


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


def _series(runs: Sequence[StabilityRun], counted: Sequence[StabilityRun]) -> _Series:
    by_time: dict[float, list[StabilityRun]] = {}
    for run in counted:
        by_time.setdefault(run.time, []).append(run)
    # repeated readings are averaged within one time only
    points = [(time, value.value) for time in sorted(by_time) for value in independent_values(by_time[time])]
    return _Series(
        condition=runs[0].condition,
        level=runs[0].level,
        axis=runs[0].axis,
        time_unit=runs[0].time_unit,
        times=np.array([time for time, _ in points]),
        values=np.array([value for _, value in points]),
    )


def _record(runs: Sequence[StabilityRun], allowed: _Allowed, confidence: float) -> StabilityRecord:
    series = _series(runs, kept(runs))
    remaining = attempt(lambda: _remaining(series, confidence))
    beside = None
    if excluded(runs):
        everything = _series(runs, runs)
        beside = attempt(lambda: _remaining(everything, confidence))
    several = np.unique(series.times).size > 1
    return StabilityRecord(
        condition=series.condition,
        level=series.level,
        axis=series.axis,
        time_unit=series.time_unit,
        first_time=float(series.times.min(initial=runs[0].time)),
        last_time=float(series.times.max(initial=runs[0].time)),
        times=int(np.unique(series.times).size),
        n=series.values.size,
        remaining_percent=remaining,
        relative_to="start" if several or series.level is None else "nominal",
        equivalence=_equivalence(series, allowed, confidence),
        allowed_percent=allowed.percent,
        allowed_by=allowed.by,
        direction=allowed.direction,
        trend=attempt(lambda: _trend(series, allowed, confidence)),
        points=tuple(
            TimePoint(time=float(time), value=float(value))
            for time, value in zip(series.times, series.values, strict=True)
        ),
        excluded=excluded_points(runs),
        with_excluded=beside,
    )


def _remaining(series: _Series, confidence: float) -> EstimateRecord:
    """Last against first; against the nominal level where a single time was tested."""
    series.check()
    if np.unique(series.times).size == 1 and series.level:
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
    percent = 100 * series.values / series.level
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
    found = stability_trend(
        series.times,
        series.values,
        allowed_percent=allowed.percent,
        direction=allowed.direction,
        confidence=confidence,
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
