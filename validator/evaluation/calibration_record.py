"""A fitted calibration: its points, and the record of its tests and its range."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
from msgspec import Struct

from validator.errors import NotEstimable
from validator.evaluation.convert import attempt, f_test, t_test, test_record
from validator.evaluation.results import (
    CalibrationPoint,
    CalibrationRecord,
    CalibrationSummary,
    FittedFunction,
    FTest,
    Homoscedasticity,
    Influence,
    LevelMisfit,
    LevelUncertainty,
    LinearRange,
    Normality,
    Range,
    ReadingScatter,
    RunsTest,
    SeriesLine,
    SeriesOfLines,
    TestRecord,
    WeightingStep,
)
from validator.evaluation.rows import Value, independent_values
from validator.records import finite
from validator.statistics.errors_in_variables import level_uncertainty_effect
from validator.statistics.interval import estimate_record, significance, two_sided_record
from validator.statistics.inverse_prediction import back_calculate
from validator.statistics.levels import by_level, pooled_variance
from validator.statistics.linearity import (
    BACK_CALCULATION,
    intercept_test,
    lack_of_fit,
    level_misfit,
    linear_range,
    mandel,
    method_standard_deviation,
    quality_coefficient,
)
from validator.statistics.regression import CalibrationFit, fit
from validator.statistics.residuals import (
    breusch_pagan,
    brown_forsythe,
    cochran_c,
    durbin_watson,
    influence,
    runs_test,
    shapiro_wilk,
    variance_ratio,
)
from validator.statistics.slopes import equal_lines
from validator.study.models.calibration import CalibrationRun

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from validator.statistics.interval import SignificanceTest
    from validator.statistics.linearity import LinearRange as LinearRangeSearch
    from validator.statistics.weighting import Weighting
    from validator.study.models.analysis import AnalysisChoices


def calibration_record(
    points: Points,
    line: CalibrationFit,
    weighting: Weighting,
    choices: AnalysisChoices,
    path: tuple[WeightingStep, ...],
    reason: str,
    found: LinearRangeSearch | NotEstimable,
) -> CalibrationRecord:
    """Everything that is told of *line*: coefficients, tests, range and points.

    *path* and *reason* say how its weights were chosen, *found* which range is linear.

    Raises:
        NotEstimable: the slope or the mean level is 0.
    """
    msd = None if line.is_weighted else method_standard_deviation(line)
    order, curvature = points.order, _curvature(line)
    return CalibrationRecord(
        model=line.model,
        weighting=weighting.scheme,
        weighting_reason=reason,
        n=line.n,
        levels=int(np.unique(points.x).size),
        degrees_of_freedom=line.degrees_of_freedom,
        slope=estimate_record(line.slope),
        intercept=two_sided_record(line.intercept),
        quadratic=None if line.quadratic is None else two_sided_record(line.quadratic),
        function=FittedFunction(
            centre=line.centre,
            scale=line.scale,
            coefficients=tuple(line.scaled_coefficients),
            covariance=tuple(tuple(row) for row in line.scaled_covariance),
        ),
        residual_standard_deviation=line.residual_standard_deviation,
        r_squared=line.r_squared,
        correlation=line.correlation,
        method_standard_deviation=None if msd is None else msd.value,
        method_standard_deviation_percent=None if msd is None else msd.relative_percent,
        quality_coefficient_percent=_or_none(quality_coefficient, line),
        lack_of_fit=attempt(lambda: lack_of_fit_record(line)),
        quadratic_test=attempt(lambda: f_test(_estimable(curvature))),
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
        linear_range=attempt(lambda: _linear_range(found, choices)),
        rejected_ranges=() if isinstance(found, NotEstimable) or found.found else found.steps,
        series=_series_of_lines(points, line, choices.confidence),
        fit_over="linear_range" if choices.calibration.fit_over == "linear_range" else None,
        working_range=Range(lower=float(points.x.min()), upper=float(points.x.max())),
        points=_point_records(line),
        misfit=_misfit(line, choices.confidence),
        weighting_path=path,
        repeated_readings=_reading_scatter(points),
        level_uncertainty=_level_uncertainty(points, line),
        alternative_quadratic=_quadratic_beside(points, curvature, weighting, choices),
    )


FEWEST_IN_SERIES = 3
"""Points, and levels, from which a series has a line of its own with a doubt."""


def _series_of_lines(points: Points, line: CalibrationFit, confidence: float) -> SeriesOfLines | None:
    """The lines of the series, where there are several and each can carry one."""
    labels = [value.run.series for value in points.values]
    names = list(dict.fromkeys(labels))
    if line.model != "linear" or None in names or len(names) < 2:
        return None
    members = {name: np.array([one == name for one in labels]) for name in names if name is not None}
    if any(
        own.sum() < FEWEST_IN_SERIES or np.unique(points.x[own]).size < FEWEST_IN_SERIES
        for own in members.values()
    ):
        return None
    weights = line.weights if line.is_weighted else None
    lines = {
        name: fit(
            points.x[own],
            points.y[own],
            weights=None if weights is None else weights[own],
            confidence=confidence,
        )
        for name, own in members.items()
    }
    slopes = np.array([one.slope.value for one in lines.values()])
    intercepts = np.array([one.intercept.value for one in lines.values()])
    equal = equal_lines(points.x, points.y, labels, weights=weights)
    return SeriesOfLines(
        lines=tuple(
            SeriesLine(
                series=name,
                n=one.n,
                slope=two_sided_record(one.slope),
                intercept=two_sided_record(one.intercept),
            )
            for name, one in lines.items()
        ),
        slopes=None if equal.slopes is None else significance(equal.slopes),
        intercepts=None if equal.intercepts is None else significance(equal.intercepts),
        slope_rsd_percent=float(100 * slopes.std(ddof=1) / abs(slopes.mean())),
        intercept_sd=float(intercepts.std(ddof=1)),
    )


def _misfit(line: CalibrationFit, confidence: float) -> tuple[LevelMisfit, ...]:
    try:
        found = level_misfit(line, confidence=confidence)
    except NotEstimable:
        return ()
    return tuple(LevelMisfit(level=level, percent=two_sided_record(percent)) for level, percent in found)


def significance_level(choices: AnalysisChoices) -> float:
    """Level of the tests: what the study's level of confidence leaves; ``alpha`` is that of detection."""
    return 1 - choices.confidence


def _or_none(compute: object, line: CalibrationFit) -> float | None:
    try:
        return finite(compute(line))  # type: ignore[operator]
    except NotEstimable:
        return None


def lack_of_fit_record(line: CalibrationFit) -> FTest:
    """The test of lack of fit as it is printed."""
    test = lack_of_fit(line)
    return FTest(f=test.statistic, df=(test.df[0], test.df[1]), p=test.p)


def _curvature(line: CalibrationFit) -> SignificanceTest | NotEstimable:
    if line.model != "linear":
        return NotEstimable(
            "Mandel's test applies to a straight line with intercept; another function was fitted",
            "the linear model",
        )
    try:
        return mandel(line)
    except NotEstimable as refusal:
        return NotEstimable(refusal.reason, refusal.needs)


def _estimable(test: SignificanceTest | NotEstimable) -> SignificanceTest:
    if isinstance(test, NotEstimable):
        raise test
    return test


def _runs(line: CalibrationFit) -> RunsTest:
    test = runs_test(line)
    return RunsTest(runs=test.statistic, expected=test.expected, statistic=float(test.statistic), p=test.p)


def _durbin_watson(line: CalibrationFit, order: NDArray[np.int64] | None) -> TestRecord:
    if order is None:
        raise NotEstimable(
            "the run order is not recorded", "the position of each measurement in the run order"
        )
    return test_record(durbin_watson(line, order))


def _normality(line: CalibrationFit) -> Normality:
    test = shapiro_wilk(np.sqrt(line.weights) * line.residuals)
    return Normality(shapiro_w=test.statistic, p=test.p if test.p is not None else 1.0)


def _influence(line: CalibrationFit) -> Influence:
    found = influence(line)
    return Influence(max_cook=found.max_cook, at=float(line.x[found.at]))


def search_linear_range(
    points: Points, weighting: Weighting, choices: AnalysisChoices
) -> LinearRangeSearch | NotEstimable:
    """The search for the linear range among *points*, or why there is none."""
    try:
        return linear_range(
            points.x,
            points.y,
            weights=None if weighting.scheme == "none" else weighting.weights,
            alpha=significance_level(choices),
            largest_misfit=choices.calibration.linear_range.largest_misfit_percent / 100,
            confidence=choices.confidence,
        )
    except NotEstimable as refusal:
        return refusal


def within(points: Points, found: LinearRangeSearch | NotEstimable) -> Points:
    """The points of the linear range.

    Raises:
        NotEstimable: there is none.
    """
    found = _searched(found)
    assert found.lower is not None
    assert found.upper is not None
    inside = (points.x >= found.lower) & (points.x <= found.upper)
    return Points(
        points.x[inside],
        points.y[inside],
        tuple(value for value, kept in zip(points.values, inside, strict=True) if kept),
    )


def _searched(found: LinearRangeSearch | NotEstimable) -> LinearRangeSearch:
    if isinstance(found, NotEstimable):
        raise NotEstimable(found.reason, found.needs)
    if not found.found:
        only_low = any(step.failed == (BACK_CALCULATION,) for step in found.steps)
        raise NotEstimable(
            f"every set of {found.minimum_levels} or more adjacent levels fails the tests of linearity",
            "weights: the line is straight, and only the back-calculation at the low end fails"
            if only_low
            else "five or more levels over a shorter range, or a second-order calibration function",
        )
    return found


def _linear_range(found: LinearRangeSearch | NotEstimable, choices: AnalysisChoices) -> LinearRange:
    found = _searched(found)
    assert found.lower is not None
    assert found.upper is not None
    assert found.fit is not None
    return LinearRange(
        lower=found.lower,
        upper=found.upper,
        rule=(
            "levels are removed from the top and then from the bottom until neither Mandel's "
            f"test nor the test of lack of fit is significant at {found.alpha:g} with a misfit of a level "
            f"mean above {choices.calibration.linear_range.largest_misfit_percent:g} %, and the mean "
            f"back-calculation error of every level is within ±{100 * found.tolerance:g} % "
            f"(±{100 * found.lowest_tolerance:g} % at the lowest level); at least "
            f"{found.minimum_levels} levels are retained"
        ),
        path=found.steps,
        fit=summary(found.fit),
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


def _reading_scatter(points: Points) -> ReadingScatter | None:
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


def _level_uncertainty(points: Points, line: CalibrationFit) -> LevelUncertainty | None:
    u = points.level_uncertainty
    if u is None or not u.any():
        return None
    effect = level_uncertainty_effect(line, u)
    return LevelUncertainty(
        largest_share=effect.largest_share,
        york_slope=None if effect.york is None else two_sided_record(effect.york.slope),
        york_intercept=None if effect.york is None else two_sided_record(effect.york.intercept),
    )


def _quadratic_beside(
    points: Points, test: SignificanceTest | NotEstimable, weighting: Weighting, choices: AnalysisChoices
) -> CalibrationSummary | None:
    """A second-order function beside a line that Mandel's *test* finds bent: offered, it decides nothing."""
    if isinstance(test, NotEstimable) or test.p is None or test.p >= significance_level(choices):
        return None
    try:
        curve = fit(
            points.x,
            points.y,
            model="quadratic",
            weights=None if weighting.scheme == "none" else weighting.weights,
            confidence=choices.confidence,
        )
    except NotEstimable:
        return None
    return summary(curve)


def summary(line: CalibrationFit) -> CalibrationSummary:
    """The line in short, for standing beside another."""
    return CalibrationSummary(
        n=line.n,
        slope=two_sided_record(line.slope),
        intercept=two_sided_record(line.intercept),
        quadratic=None if line.quadratic is None else two_sided_record(line.quadratic),
        residual_standard_deviation=line.residual_standard_deviation,
        correlation=line.correlation,
    )


class Points(Struct, frozen=True):
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


def points_of(runs: Sequence[CalibrationRun]) -> Points:
    """The points of *runs*.

    Raises:
        NotEstimable: no run counts.
    """
    values = independent_values(runs)
    if not values:
        raise NotEstimable("all calibration data are excluded", "calibration data that are not excluded")
    levels = [value.run.level for value in values if isinstance(value.run, CalibrationRun)]
    return Points(np.array(levels), np.array([value.value for value in values]), values)
