"""The calibration of one analyte and configuration: which runs enter the fit, weights, what is left out."""

from __future__ import annotations

from typing import TYPE_CHECKING

from msgspec import Struct
from msgspec.structs import replace

from validator.errors import NotEstimable
from validator.evaluation.calibration_record import (
    Points,
    calibration_record,
    points_of,
    search_linear_range,
    significance_level,
    summary,
    within,
)
from validator.evaluation.convert import not_assessed
from validator.evaluation.results import (
    CalibrationRecord,
    CalibrationSummary,
    EstimateRecord,
    ExcludedPoint,
    NotAssessed,
    WeightingStep,
)
from validator.evaluation.rows import Cell, excluded, kept, runs_of
from validator.records import finite
from validator.statistics.interval import two_sided_record
from validator.statistics.regression import CalibrationFit, fit
from validator.statistics.slopes import sensitivity_per_area
from validator.statistics.weighting import Weighting, choose_weighting, weights_for
from validator.study.models.calibration import CalibrationRun

if TYPE_CHECKING:
    from collections.abc import Sequence

    import numpy as np
    from numpy.typing import ArrayLike, NDArray

    from validator.study import Study
    from validator.study.models.analysis import AnalysisChoices
    from validator.study.models.method import Quantity


class RelativeVariance(Struct, frozen=True):
    """Variance of a signal by level, as the limit variants ask for it."""

    weighting: Weighting

    def variance(self, level: ArrayLike) -> NDArray[np.float64]:
        """Variance at *level*, up to a common factor where the weights are known."""
        return self.weighting.variance(level)


class Fitted(Struct, frozen=True):
    """A calibration as other characteristics use it."""

    fit: CalibrationFit
    weighting: Weighting
    record: CalibrationRecord

    @property
    def variance_function(self) -> RelativeVariance | None:
        """How the variance depends on the level; None where the fit is not weighted."""
        return None if self.weighting.scheme == "none" else RelativeVariance(self.weighting)


def calibration(study: Study, cell: Cell) -> Fitted | NotAssessed:
    """Fit and test the calibration of *cell*."""
    runs = [run for run in runs_of(study.calibration, cell) if isinstance(run, CalibrationRun)]
    if not runs:
        return NotAssessed(
            not_assessed="no calibration data were provided",
            needs="calibration standards at five or more levels, each prepared independently",
        )
    found = calibrate(runs, study.analysis_for(cell.analyte))
    own = (one.active_area for one in study.method.configurations if one.id == cell.configuration)
    area = next(own, None)
    if area is None or isinstance(found, NotAssessed):
        return found
    per_area = _per_area(found.fit, area)
    return Fitted(
        found.fit, found.weighting, replace(found.record, sensitivity_per_area=per_area, area_unit=area.unit)
    )


def _per_area(line: CalibrationFit, area: Quantity) -> EstimateRecord:
    """The slope over the active area, with the doubt of both."""
    try:
        return two_sided_record(
            sensitivity_per_area(
                line, area.value, area_uncertainty=area.uncertainty or 0.0, confidence=line.confidence
            )
        )
    except NotEstimable as refusal:
        return EstimateRecord(value=None, reason=refusal.reason)


def calibrate(runs: Sequence[CalibrationRun], choices: AnalysisChoices) -> Fitted | NotAssessed:
    """Fit and test the calibration that *runs* make under the declared *choices*."""
    try:
        points = points_of(kept(runs))
        line, weighting, path, reason = _fit(points, choices, choices.confidence)
        found = search_linear_range(points, weighting, choices)
        if choices.calibration.fit_over == "linear_range":
            points = within(points, found)
            line, weighting, path, reason = _fit(points, choices, choices.confidence)
        record = calibration_record(points, line, weighting, choices, path, reason, found)
    except NotEstimable as refusal:
        return not_assessed(refusal)
    left_out = excluded(runs)
    if left_out:
        record = replace(record, excluded=_excluded(left_out), with_excluded=_summary_with_all(runs, choices))
    return Fitted(line, weighting, record)


def calibration_function(runs: Sequence[CalibrationRun], choices: AnalysisChoices) -> CalibrationFit:
    """The function that ``calibrate`` fits, without its tests.

    Raises:
        NotEstimable: the runs cannot carry it.
    """
    return _function(points_of(kept(runs)), choices)


def _function(points: Points, choices: AnalysisChoices) -> CalibrationFit:
    line, weighting, *_ = _fit(points, choices, choices.confidence)
    if choices.calibration.fit_over == "linear_range":
        inside = within(points, search_linear_range(points, weighting, choices))
        line, *_ = _fit(inside, choices, choices.confidence)
    return line


def _fit(
    points: Points, choices: AnalysisChoices, confidence: float
) -> tuple[CalibrationFit, Weighting, tuple[WeightingStep, ...], str]:
    model, scheme = choices.calibration.model, choices.calibration.weighting
    path: tuple[WeightingStep, ...] = ()
    if scheme == "auto":
        choice = choose_weighting(
            points.x, points.y, model=model, signal_sd=points.signal_sd, alpha=significance_level(choices)
        )
        weighting = choice.weighting
        path = choice.path + tuple(
            WeightingStep(
                kind="candidate",
                test=(
                    "sum of absolute relative back-calculation errors (%), weights "
                    f"{candidate.scheme} (for information)"
                ),
                statistic=finite(candidate.sum_of_relative_errors),
                decision=candidate.reason,
            )
            for candidate in choice.candidates
        )
        decided = [step.decision for step in choice.path[:-1] if step.kind == "test"]
        reason = f"selected by rule: {'; '.join(decided)}; weights {weighting.scheme}"
    else:
        weighting = weights_for(points.x, points.y, scheme, signal_sd=points.signal_sd, model=model)
        declared = choices.declared("calibration.weighting")
        reason = "declared in the study" if declared else "not declared; ordinary least squares by default"
    weights = None if weighting.scheme == "none" else weighting.weights
    return (
        fit(points.x, points.y, model=model, weights=weights, confidence=confidence),
        weighting,
        path,
        reason,
    )


def _summary_with_all(runs: Sequence[CalibrationRun], choices: AnalysisChoices) -> CalibrationSummary | None:
    try:
        return summary(_function(points_of(runs), choices))
    except NotEstimable:
        return None


def _excluded(runs: Sequence[CalibrationRun]) -> tuple[ExcludedPoint, ...]:
    return tuple(
        ExcludedPoint(level=run.level, signal=signal, place=run.place, cause=run.excluded or "")
        for run in runs
        for signal in run.values
    )
