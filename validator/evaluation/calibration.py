"""The calibration of one analyte and configuration: fit, tests, range, points."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from validator.errors import NotEstimable
from validator.evaluation.convert import (
    attempt,
    estimate_record,
    f_test,
    finite,
    not_assessed,
    one_sided_level,
    t_test,
    test_record,
)
from validator.evaluation.results import (
    CalibrationPoint,
    CalibrationRecord,
    CalibrationSummary,
    ExcludedPoint,
    FTest,
    Homoscedasticity,
    Influence,
    LevelUncertainty,
    LinearRange,
    LinearRangeStep,
    Normality,
    NotAssessed,
    Range,
    ReadingScatter,
    RunsTest,
    TestRecord,
    WeightingStep,
)
from validator.evaluation.rows import Cell, Value, excluded, independent_values, kept, runs_of
from validator.statistics.distributions import student_interval
from validator.statistics.errors_in_variables import level_uncertainty_effect
from validator.statistics.homoscedasticity import breusch_pagan, brown_forsythe, cochran_c, variance_ratio
from validator.statistics.inverse_prediction import back_calculate
from validator.statistics.levels import by_level, pooled_variance
from validator.statistics.linear_range import linear_range
from validator.statistics.linearity import (
    intercept_test,
    lack_of_fit,
    mandel,
    method_standard_deviation,
    quality_coefficient,
)
from validator.statistics.regression import CalibrationFit, fit
from validator.statistics.residuals import durbin_watson, influence, runs_test, shapiro_wilk
from validator.statistics.weighting import Weighting, weights_for
from validator.statistics.weighting_choice import choose_weighting
from validator.study.models.calibration import CalibrationRun

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import ArrayLike, NDArray

    from validator.study import Study
    from validator.study.models.analysis import AnalysisChoices


@dataclass(frozen=True, slots=True)
class RelativeVariance:
    """Variance of a signal by level, as the limit variants ask for it."""

    weighting: Weighting

    def variance(self, level: ArrayLike) -> NDArray[np.float64]:
        """Variance at *level*, up to a common factor."""
        return self.weighting.relative_variance(level)


@dataclass(frozen=True, slots=True)
class Fitted:
    """A calibration as other characteristics use it."""

    fit: CalibrationFit
    weighting: Weighting
    record: CalibrationRecord

    @property
    def variance_function(self) -> RelativeVariance | None:
        """How the variance depends on the level; None where the fit is not weighted."""
        return None if self.weighting.scheme == "none" else RelativeVariance(self.weighting)


@dataclass(frozen=True, slots=True)
class _Points:
    """Independent preparations as arrays."""

    x: NDArray[np.float64]
    y: NDArray[np.float64]
    values: tuple[Value, ...]

    @property
    def signal_sd(self) -> NDArray[np.float64] | None:
        """Declared standard deviations of the signal, where every point has one."""
        return self._declared("signal_sd")

    @property
    def level_uncertainty(self) -> NDArray[np.float64] | None:
        """Standard uncertainties of the levels, where every point has one."""
        return self._declared("level_uncertainty")

    def _declared(self, field: str) -> NDArray[np.float64] | None:
        found = [getattr(value.run, field, None) for value in self.values]
        if not found or any(one is None for one in found):
            return None
        return np.array(found, dtype=np.float64)

    @property
    def order(self) -> NDArray[np.int64] | None:
        """Places in the run order, where every point has its own."""
        orders = [value.run.order for value in self.values]
        if any(order is None for order in orders) or len(set(orders)) != len(orders):
            return None
        return np.array(orders, dtype=np.int64)


def calibration(study: Study, cell: Cell) -> Fitted | NotAssessed:
    """Fit and test the calibration of *cell*."""
    runs = [run for run in runs_of(study.calibration, cell) if isinstance(run, CalibrationRun)]
    if not runs:
        return NotAssessed(
            not_assessed="the study holds no calibration runs",
            needs="standards at five or more levels, each prepared independently",
        )
    return calibrate(runs, study.analysis_for(cell.analyte))


def calibrate(runs: Sequence[CalibrationRun], choices: AnalysisChoices) -> Fitted | NotAssessed:
    """Fit and test the calibration that *runs* make under the declared *choices*."""
    try:
        points = _points(kept(runs))
        line, weighting, path, reason = _fit(points, choices, choices.confidence)
        record = _record(points, line, weighting, choices, path, reason)
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
    line, *_ = _fit(_points(kept(runs)), choices, choices.confidence)
    return line


def _points(runs: Sequence[CalibrationRun]) -> _Points:
    values = independent_values(runs)
    if not values:
        raise NotEstimable("every calibration run is excluded", "standards that count")
    levels = [value.run.level for value in values if isinstance(value.run, CalibrationRun)]
    return _Points(np.array(levels), np.array([value.value for value in values]), values)


def _fit(
    points: _Points, choices: AnalysisChoices, confidence: float
) -> tuple[CalibrationFit, Weighting, tuple[WeightingStep, ...], str]:
    model, scheme = choices.calibration.model, choices.calibration.weighting
    path: tuple[WeightingStep, ...] = ()
    if scheme == "auto":
        choice = choose_weighting(
            points.x, points.y, model=model, signal_sd=points.signal_sd, alpha=_significance(choices)
        )
        weighting = choice.weighting
        path = tuple(
            WeightingStep(
                test=step.test, statistic=finite(step.statistic), p=finite(step.p), decision=step.decision
            )
            for step in choice.path
        ) + tuple(
            WeightingStep(
                test=f"sum of |relative errors read back| (%), weights {candidate.scheme}: decides nothing",
                statistic=finite(candidate.sum_of_relative_errors),
                decision=candidate.reason,
            )
            for candidate in choice.candidates
        )
        decided = [step.decision for step in choice.path[:-1] if not step.test.startswith("log likelihood")]
        reason = f"chosen by the stated rule: {'; '.join(decided)}; weights {weighting.scheme}"
    else:
        weighting = weights_for(points.x, points.y, scheme, signal_sd=points.signal_sd, model=model)
        declared = choices.declared("calibration.weighting")
        reason = "declared in the study" if declared else "nothing was declared: ordinary least squares"
    weights = None if weighting.scheme == "none" else weighting.weights
    return (
        fit(points.x, points.y, model=model, weights=weights, confidence=confidence),
        weighting,
        path,
        reason,
    )


def _record(
    points: _Points,
    line: CalibrationFit,
    weighting: Weighting,
    choices: AnalysisChoices,
    path: tuple[WeightingStep, ...],
    reason: str,
) -> CalibrationRecord:
    bound = student_interval(line.slope, one_sided_level(choices.confidence))
    msd = method_standard_deviation(line)
    order = points.order
    return CalibrationRecord(
        model=line.model,
        weighting=weighting.scheme,
        weighting_reason=reason,
        n=line.n,
        levels=int(np.unique(points.x).size),
        degrees_of_freedom=line.degrees_of_freedom,
        slope=estimate_record(line.slope, one_sided=bound),
        intercept=estimate_record(line.intercept),
        quadratic=None if line.quadratic is None else estimate_record(line.quadratic),
        residual_standard_deviation=line.residual_standard_deviation,
        r_squared=line.r_squared,
        correlation=line.correlation,
        method_standard_deviation=msd.value,
        method_standard_deviation_percent=msd.relative_percent,
        quality_coefficient_percent=_or_none(quality_coefficient, line),
        lack_of_fit=attempt(lambda: _lack_of_fit(line)),
        quadratic_test=attempt(lambda: _curvature(line)),
        homoscedasticity=Homoscedasticity(
            variance_ratio=attempt(lambda: test_record(variance_ratio(points.x, points.y))),
            breusch_pagan=attempt(lambda: test_record(breusch_pagan(line))),
            cochran=attempt(lambda: test_record(cochran_c(points.x, points.y))),
            brown_forsythe=attempt(lambda: test_record(brown_forsythe(points.x, points.y))),
        ),
        intercept_test=attempt(lambda: t_test(intercept_test(line))),
        runs_test=attempt(lambda: _runs(line)),
        durbin_watson=attempt(lambda: _durbin_watson(line, order)),
        normality=attempt(lambda: _normality(line)),
        influence=attempt(lambda: _influence(line)),
        linear_range=attempt(lambda: _linear_range(points, weighting, choices)),
        working_range=Range(lower=float(points.x.min()), upper=float(points.x.max())),
        points=_point_records(line),
        weighting_path=path,
        repeated_readings=_reading_scatter(points),
        level_uncertainty=_level_uncertainty(points, line),
        alternative_quadratic=_quadratic_beside(points, line, weighting, choices),
    )


def _significance(choices: AnalysisChoices) -> float:
    """Level of the tests: what the study's level of confidence leaves; ``alpha`` is that of detection."""
    return 1 - choices.confidence


def _or_none(compute: object, line: CalibrationFit) -> float | None:
    try:
        return finite(compute(line))  # type: ignore[operator]
    except NotEstimable:
        return None


def _lack_of_fit(line: CalibrationFit) -> FTest:
    test = lack_of_fit(line)
    return FTest(f=test.statistic, df=(test.df[0], test.df[1]), p=test.p)


def _curvature(line: CalibrationFit) -> FTest:
    if line.model != "linear":
        raise NotEstimable(
            "Mandel's test asks whether a straight line with intercept is bent; another function was fitted",
            "the model linear",
        )
    return f_test(mandel(line))


def _runs(line: CalibrationFit) -> RunsTest:
    test = runs_test(line)
    return RunsTest(runs=test.statistic, expected=test.expected, statistic=float(test.statistic), p=test.p)


def _durbin_watson(line: CalibrationFit, order: NDArray[np.int64] | None) -> TestRecord:
    if order is None:
        raise NotEstimable(
            "the run order is not recorded", "the place of each run in the order of measurement"
        )
    return test_record(durbin_watson(line, order))


def _normality(line: CalibrationFit) -> Normality:
    test = shapiro_wilk(line.standardised_residuals)
    return Normality(shapiro_w=test.statistic, p=test.p if test.p is not None else 1.0)


def _influence(line: CalibrationFit) -> Influence:
    found = influence(line)
    return Influence(max_cook=found.max_cook, at=float(line.x[found.at]))


def _linear_range(points: _Points, weighting: Weighting, choices: AnalysisChoices) -> LinearRange:
    found = linear_range(
        points.x,
        points.y,
        weights=None if weighting.scheme == "none" else weighting.weights,
        alpha=_significance(choices),
        confidence=choices.confidence,
    )
    if found.lower is None or found.upper is None:
        raise NotEstimable(
            f"no {found.minimum_levels} neighbouring levels pass the tests of linearity",
            "a shorter range with five or more levels, or a second-order calibration function",
        )
    return LinearRange(
        lower=found.lower,
        upper=found.upper,
        rule=(
            "levels are dropped from the top, then from the bottom, until Mandel's test and lack of fit are "
            f"not significant at {found.alpha:g} and the mean back-calculated value of every level is within "
            f"±{100 * found.tolerance:g} % (±{100 * found.lowest_tolerance:g} % at the lowest); "
            f"at least {found.minimum_levels} levels stay"
        ),
        path=tuple(
            LinearRangeStep(
                lower=step.lower,
                upper=step.upper,
                levels=step.levels,
                mandel_p=step.mandel_p,
                lack_of_fit_p=step.lack_of_fit_p,
                worst_relative_error_percent=step.worst_relative_error_percent,
                worst_level=step.worst_level,
                failed=step.failed,
            )
            for step in found.steps
        ),
    )


def _point_records(line: CalibrationFit) -> tuple[CalibrationPoint, ...]:
    found: NDArray[np.float64] | None
    errors: NDArray[np.float64] | None
    try:
        back = back_calculate(line, line.x, line.y)
        found, errors = back.found, back.relative_error_percent
    except NotEstimable:
        found = errors = None
    return tuple(
        CalibrationPoint(
            level=float(line.x[i]),
            signal=float(line.y[i]),
            weight=float(line.weights[i]),
            fitted=float(line.fitted[i]),
            residual=float(line.residuals[i]),
            standardised_residual=finite(float(line.standardised_residuals[i])),
            back_calculated=None if found is None else finite(float(found[i])),
            relative_error_percent=None if errors is None else finite(float(errors[i])),
        )
        for i in range(line.n)
    )


def _reading_scatter(points: _Points) -> ReadingScatter | None:
    repeated = [value.readings for value in points.values if len(value.readings) > 1]
    if not repeated:
        return None
    levels = by_level(
        np.repeat(np.arange(len(repeated), dtype=np.float64), [len(some) for some in repeated]),
        np.concatenate([np.array(some) for some in repeated]),
    )
    return ReadingScatter(
        sd=float(np.sqrt(pooled_variance(levels))),
        degrees_of_freedom=float(levels.degrees_of_freedom.sum()),
        preparations=len(repeated),
    )


def _level_uncertainty(points: _Points, line: CalibrationFit) -> LevelUncertainty | None:
    u = points.level_uncertainty
    if u is None or not u.any():
        return None
    effect = level_uncertainty_effect(line, u)
    return LevelUncertainty(
        largest_share=effect.largest_share,
        york_slope=None if effect.york is None else estimate_record(effect.york.slope),
        york_intercept=None if effect.york is None else estimate_record(effect.york.intercept),
    )


def _quadratic_beside(
    points: _Points, line: CalibrationFit, weighting: Weighting, choices: AnalysisChoices
) -> CalibrationSummary | None:
    """A second-order function beside a line that Mandel's test finds bent: offered, it decides nothing."""
    if line.model != "linear":
        return None
    try:
        test = mandel(line)
        if test.p is None or test.p >= _significance(choices):
            return None
        curve = fit(
            points.x,
            points.y,
            model="quadratic",
            weights=None if weighting.scheme == "none" else weighting.weights,
            confidence=choices.confidence,
        )
    except NotEstimable:
        return None
    return _summary(curve)


def _summary(line: CalibrationFit) -> CalibrationSummary:
    return CalibrationSummary(
        n=line.n,
        slope=estimate_record(line.slope),
        intercept=estimate_record(line.intercept),
        quadratic=None if line.quadratic is None else estimate_record(line.quadratic),
        residual_standard_deviation=line.residual_standard_deviation,
    )


def _summary_with_all(runs: Sequence[CalibrationRun], choices: AnalysisChoices) -> CalibrationSummary | None:
    try:
        line, *_ = _fit(_points(runs), choices, choices.confidence)
    except NotEstimable:
        return None
    return _summary(line)


def _excluded(runs: Sequence[CalibrationRun]) -> tuple[ExcludedPoint, ...]:
    return tuple(
        ExcludedPoint(level=run.level, signal=signal, place=run.place, cause=run.excluded or "")
        for run in runs
        for signal in run.values
    )
