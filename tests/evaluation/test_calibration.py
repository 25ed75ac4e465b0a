"""The calibration of a cell: what enters the fit, what is recorded of it, what is left out and shown."""

from __future__ import annotations

import numpy as np
import pytest
import statsmodels.api as sm
from scipy import stats

from validator.evaluation.results import NotAssessed

LEVELS = np.repeat([1.0, 2.0, 4.0, 6.0, 8.0, 10.0], 3)
RNG = np.random.default_rng(11)
SIGNALS = 0.02 + 0.1 * LEVELS + 0.004 * RNG.standard_normal(LEVELS.size)


def runs(levels=LEVELS, signals=SIGNALS, **more):
    return [
        {"level": float(x), "signal": float(y), **{name: values[i] for name, values in more.items()}}
        for i, (x, y) in enumerate(zip(levels, signals, strict=True))
    ]


@pytest.fixture
def line_of(record_of, described):
    """The calibration record of a study."""

    def line_of(written, choices=None, **analysis):
        blocks = {"calibration": {"runs": written}}
        if choices or analysis:
            blocks["analysis"] = {**analysis, **({"calibration": choices} if choices else {})}
        return record_of(described(**blocks)).calibration

    return line_of


def test_a_line_agrees_with_another_library(line_of):
    """Coefficients, their errors and intervals, r² and s are those of statsmodels' ordinary least squares."""
    line = line_of(runs())
    reference = sm.OLS(SIGNALS, sm.add_constant(LEVELS)).fit()

    (a, b), (s_a, s_b) = reference.params, reference.bse
    assert (line.intercept.value, line.slope.value) == pytest.approx((a, b), rel=1e-10)
    assert (line.intercept.standard_error, line.slope.standard_error) == pytest.approx((s_a, s_b), rel=1e-10)
    assert line.slope.ci == pytest.approx(reference.conf_int(0.05)[1], rel=1e-9)
    assert line.slope.one_sided == pytest.approx(reference.conf_int(0.10)[1], rel=1e-9)
    assert line.residual_standard_deviation == pytest.approx(np.sqrt(reference.mse_resid), rel=1e-10)
    assert line.r_squared == pytest.approx(reference.rsquared, rel=1e-12)
    assert line.intercept_test.t == pytest.approx(reference.tvalues[0], rel=1e-9)
    assert line.intercept_test.p == pytest.approx(reference.pvalues[0], rel=1e-8)


@pytest.mark.parametrize(("weighting", "power"), [("1/x", 1), ("1/x^2", 2)])
def test_declared_weights_agree_with_another_library(line_of, weighting, power):
    """Weighted fits are those of statsmodels; the weights in the file are scaled to the number of points."""
    line = line_of(runs(), {"weighting": weighting})
    reference = sm.WLS(SIGNALS, sm.add_constant(LEVELS), weights=LEVELS**-power).fit()

    assert (line.intercept.value, line.slope.value) == pytest.approx(tuple(reference.params), rel=1e-9)
    assert line.slope.standard_error == pytest.approx(reference.bse[1], rel=1e-9)
    weights = np.array([point.weight for point in line.points])
    assert weights.sum() == pytest.approx(line.n)
    assert weights / weights[0] == pytest.approx((LEVELS / LEVELS[0]) ** -power)
    assert line.weighting == weighting
    assert line.weighting_reason == "declared in the study"


@pytest.mark.parametrize(("model", "power"), [("linear", 0), ("linear", 1), ("quadratic", 1)])
def test_the_recorded_function_gives_the_bands_of_another_library(line_of, model, power):
    """Function and both bands from the record alone, also after the JSON, as statsmodels predicts them."""
    line = line_of(runs(), {"model": model, "weighting": "1/x" if power else "none"})
    function = line.function_at(0.9)
    exponents = range(3 if model == "quadratic" else 2)
    at = np.array([1.0, 4.0, 7.0, 10.0])
    reference = sm.WLS(SIGNALS, np.column_stack([LEVELS**e for e in exponents]), weights=LEVELS**-power).fit()
    predicted = reference.get_prediction(np.column_stack([at**e for e in exponents]), weights=at**-power)
    expected = predicted.summary_frame(alpha=0.1)

    assert function.predict(at) == pytest.approx(expected["mean"], rel=1e-9)
    assert function.band(at)[0] == pytest.approx(expected["mean_ci_lower"], rel=1e-9)
    assert function.band(at, "prediction")[1] == pytest.approx(expected["obs_ci_upper"], rel=1e-9)


def test_normality_is_that_of_the_residuals(line_of):
    """Shapiro-Wilk is that of scipy on the residuals of statsmodels' fit, times the roots of the weights."""
    design = sm.add_constant(LEVELS)
    plain, weighted = line_of(runs()).normality, line_of(runs(), {"weighting": "1/x"}).normality
    expected = stats.shapiro(sm.OLS(SIGNALS, design).fit().resid)
    expected_weighted = stats.shapiro(sm.WLS(SIGNALS, design, weights=1 / LEVELS).fit().wresid)

    assert plain.shapiro_w == pytest.approx(expected.statistic, rel=1e-6)
    assert plain.p == pytest.approx(expected.pvalue, rel=1e-5)
    assert weighted.shapiro_w == pytest.approx(expected_weighted.statistic, rel=1e-6)
    assert weighted.p == pytest.approx(expected_weighted.pvalue, rel=1e-5)


def test_the_quadratic_function_agrees_with_another_library(line_of):
    """A declared parabola has its third coefficient; a test for a bend is not made of it."""
    line = line_of(runs(), {"model": "quadratic"})
    design = np.column_stack([np.ones_like(LEVELS), LEVELS, LEVELS**2])
    reference = sm.OLS(SIGNALS, design).fit()

    found = (line.intercept, line.slope, line.quadratic)
    assert [one.value for one in found] == pytest.approx(list(reference.params), rel=1e-8)
    assert [one.standard_error for one in found] == pytest.approx(list(reference.bse), rel=1e-8)
    assert isinstance(line.quadratic_test, NotAssessed)
    assert line.model == "quadratic"


def test_a_line_through_the_origin(line_of):
    """One coefficient; the intercept is zero by definition and is not tested."""
    line = line_of(runs(), {"model": "linear_through_origin"})

    assert line.slope.value == pytest.approx(float(LEVELS @ SIGNALS / (LEVELS @ LEVELS)), rel=1e-12)
    assert line.intercept.value == 0
    assert isinstance(line.intercept_test, NotAssessed)
    assert isinstance(line.quadratic_test, NotAssessed)


def test_repeated_readings_add_no_degrees_of_freedom(line_of):
    """The fit has one point a preparation however often it is read; the scatter of readings is told."""
    readings = [[y - 0.001, y, y + 0.001] for y in SIGNALS]
    written = [
        {"level": float(x), "signals": [float(y) for y in some], "preparation": "repeated_reading"}
        for x, some in zip(LEVELS, readings, strict=True)
    ]

    line, single = line_of(written), line_of(runs())

    assert (line.n, line.degrees_of_freedom) == (18, 16)
    assert line.slope.value == pytest.approx(single.slope.value, rel=1e-12)
    assert line.slope.standard_error == pytest.approx(single.slope.standard_error, rel=1e-9)
    assert line.lack_of_fit.df == single.lack_of_fit.df
    assert line.repeated_readings.sd == pytest.approx(0.001)
    assert line.repeated_readings.degrees_of_freedom == 36
    assert line.repeated_readings.preparations == 18
    assert single.repeated_readings is None


def test_excluded_points_are_left_out_listed_and_their_effect_shown(line_of):
    """The decision rests on what is left; what was excluded is listed, and the line with it is shown."""
    written = runs()
    written[3] |= {"signal": 0.9, "excluded": "sensor cracked"}

    line = line_of(written)
    without = line_of([run for run in written if "excluded" not in run])

    assert line.n == 17
    assert line.slope == without.slope
    (point,) = line.excluded
    assert (point.level, point.signal, point.cause) == (2.0, 0.9, "sensor cracked")
    assert point.place.startswith("study.yaml:")
    assert line.with_excluded.n == 18
    assert line.with_excluded.residual_standard_deviation > 5 * line.residual_standard_deviation
    assert without.with_excluded is None


def test_everything_excluded(line_of):
    """A calibration of excluded runs is none."""
    line = line_of([{**run, "excluded": "wrong stock solution"} for run in runs()])

    assert line == NotAssessed(
        not_assessed="all calibration data are excluded", needs="calibration data that are not excluded"
    )


def test_the_run_order_is_used_where_it_is_known(line_of):
    """Neighbours in time are tested only where every point has its place in the order."""
    order = list(range(1, 19))

    known = line_of(runs(order=order))
    unknown = line_of(runs())
    doubtful = line_of(runs(order=[*order[:-1], 1]))

    assert 0 < known.durbin_watson.statistic < 4
    assert isinstance(unknown.durbin_watson, NotAssessed)
    assert isinstance(doubtful.durbin_watson, NotAssessed)


def test_nothing_declared_is_said(line_of):
    """Where the study declares no weighting ordinary least squares is used, and the record says so."""
    assert line_of(runs()).weighting_reason == "not declared; ordinary least squares by default"


def test_automatic_weights_write_their_path(line_of):
    """The rule that chose the weights is told; proportional scatter gets weights, constant scatter none."""
    levels = np.repeat(LEVELS[::3], 8)
    proportional = 0.1 * levels * (1 + 0.03 * np.random.default_rng(3).standard_normal(levels.size))

    even = line_of(runs(), {"weighting": "auto"})
    uneven = line_of(runs(levels, proportional), {"weighting": "auto"})

    assert even.weighting == "none"
    assert uneven.weighting != "none"
    for line in (even, uneven):
        assert line.weighting_path
        assert any(
            "(for information)" in step.test and step.kind == "candidate" for step in line.weighting_path
        )
    rule = "selected by rule: homogeneity of variances"
    assert even.weighting_reason == f"{rule} not rejected; weights none"
    assert uneven.weighting_reason == f"{rule} rejected; variance form: proportional; weights 1/x^2"


def test_a_bent_calibration_gets_a_parabola_beside_it(line_of):
    """Where Mandel's test finds a bend the second-order function is offered; the declared line stands."""
    bent = line_of(runs(signals=SIGNALS - 0.003 * LEVELS**2))
    straight = line_of(runs())

    assert bent.quadratic_test.p < 0.01
    assert bent.model == "linear"
    assert bent.alternative_quadratic.quadratic.value == pytest.approx(-0.003, rel=0.2)
    assert straight.alternative_quadratic is None


def test_uncertain_levels_are_weighed_against_the_scatter(line_of):
    """A level uncertainty beyond a third of the scatter gets a fit with errors in both coordinates beside."""
    large = line_of([{**run, "level_uncertainty": 0.05 * run["level"]} for run in runs()])
    small = line_of([{**run, "level_uncertainty": 1e-6} for run in runs()])
    none = line_of(runs())

    assert large.level_uncertainty.largest_share > 1 / 3
    assert large.level_uncertainty.york_slope.value == pytest.approx(large.slope.value, rel=0.05)
    assert small.level_uncertainty.largest_share < 1 / 3
    assert small.level_uncertainty.york_slope is None
    assert none.level_uncertainty is None


def test_points_are_told_with_what_was_made_of_them(line_of):
    """Each point: level, signal, fitted value, residual, and the level read back from the line."""
    line = line_of(runs())

    assert [point.level for point in line.points] == LEVELS.tolist()
    for point in line.points:
        assert point.fitted + point.residual == pytest.approx(point.signal, rel=1e-12)
        read = (point.signal - line.intercept.value) / line.slope.value
        assert point.back_calculated == pytest.approx(read, rel=1e-9)
        assert point.relative_error_percent == pytest.approx(100 * (read / point.level - 1), rel=1e-6)
    assert (line.working_range.lower, line.working_range.upper) == (1, 10)


def test_the_confidence_of_the_study_holds_for_every_interval(line_of):
    """A study at 99 % has wider intervals and keeps its estimates."""
    usual, strict = line_of(runs()), line_of(runs(), confidence=0.99)

    assert strict.slope.value == usual.slope.value
    assert strict.slope.ci[0] < usual.slope.ci[0] < usual.slope.ci[1] < strict.slope.ci[1]


def test_the_tests_are_at_the_level_of_confidence(line_of):
    """``confidence`` governs intervals and tests; ``alpha``, the false positives of detection, does not."""
    bent = SIGNALS - 0.00035 * LEVELS**2
    at_95, at_99 = line_of(runs(signals=bent)), line_of(runs(signals=bent), confidence=0.99)
    assert 0.01 < at_95.quadratic_test.p < 0.05

    assert at_95.alternative_quadratic is not None
    assert at_99.alternative_quadratic is None
    assert "is significant at 0.05 with a misfit" in at_95.linear_range.rule
    assert "is significant at 0.01 with a misfit" in at_99.linear_range.rule
    detection = line_of(runs(signals=bent), alpha=0.01)
    assert detection.linear_range == at_95.linear_range
    assert detection.alternative_quadratic == at_95.alternative_quadratic


def test_a_bend_beyond_all_doubt_is_offered_a_parabola(line_of):
    """A p that underflows to 0 is a p: the second-order function stands beside the line."""
    levels = np.tile(np.arange(1.0, 11.0), 60)
    signals = levels**2 + 1e-4 * RNG.standard_normal(levels.size)

    line = line_of(runs(levels, signals))

    assert line.quadratic_test.p == 0
    assert line.alternative_quadratic is not None


# --- the linear range ------------------------------------------------------------------------------
SEVEN = np.repeat([1.0, 2.0, 5.0, 10.0, 20.0, 40.0, 80.0], 3)


def test_a_bend_that_moves_no_level_mean_matters_only_where_it_is_declared_to(line_of):
    """Significant beyond doubt, and 1.5 % at most: the range is kept unless the study allows 0.01 % only."""
    levels = np.repeat(np.arange(1.0, 11.0), 3)
    signals = 10 * levels - 0.02 * levels**2 + 0.005 * np.tile([1.0, -1.0, 0.0], 10)

    kept = line_of(runs(levels, signals))
    strict = line_of(runs(levels, signals), {"linear_range": {"largest_misfit_percent": 0.01}})

    assert kept.quadratic_test.p < 1e-6
    assert (kept.linear_range.lower, kept.linear_range.upper) == (1.0, 10.0)
    assert isinstance(strict.linear_range, NotAssessed)
    assert strict.rejected_ranges[0].failed[0] == "Mandel"
    assert kept.rejected_ranges == ()


def test_the_function_of_the_linear_range_stands_beside_and_can_be_chosen(line_of):
    """A calibration that saturates: slope and scatter of the linear part, reported or fitted."""
    rng = np.random.default_rng(8)
    signals = 5 * SEVEN * np.where(SEVEN > 20, 0.7, 1.0) * (1 + 0.01 * rng.standard_normal(SEVEN.size))

    whole = line_of(runs(SEVEN, signals), {"weighting": "1/x^2"})
    part = line_of(runs(SEVEN, signals), {"weighting": "1/x^2", "fit_over": "linear_range"})

    assert whole.linear_range.upper == 20
    assert whole.linear_range.fit.slope.value == pytest.approx(5, rel=0.02)
    assert part.slope.value == pytest.approx(whole.linear_range.fit.slope.value, rel=1e-9)
    assert (part.n, part.working_range.upper, part.fit_over) == (15, 20.0, "linear_range")
    assert part.linear_range == whole.linear_range


def test_the_top_is_not_cut_for_what_is_misread_at_the_low_end(line_of):
    """Scatter in proportion over three decades, unweighted: weights are asked for."""
    rng = np.random.default_rng(9)
    levels = np.repeat([0.5, 1.0, 5.0, 50.0, 500.0], 3)
    signals = 0.3 * levels * (1 + 0.03 * rng.standard_normal(levels.size))

    plain = line_of(runs(levels, signals))
    weighted = line_of(runs(levels, signals), {"weighting": "1/x^2"})

    assert isinstance(plain.linear_range, NotAssessed)
    assert plain.linear_range.needs.startswith("weights")
    assert {step.upper for step in plain.rejected_ranges} == {500.0}
    assert (weighted.linear_range.lower, weighted.linear_range.upper) == (0.5, 500.0)


def test_nothing_is_fitted_over_a_range_that_was_not_found(line_of):
    """The refusal is that of the search."""
    levels = np.repeat(np.arange(1.0, 8.0), 3)

    refused = line_of(runs(levels, levels**3 + 0.01 * np.tile([1.0, -1, 0], 7)), {"fit_over": "linear_range"})

    assert refused.not_assessed.endswith("fails the tests of linearity")


DAYS = ("d1", "d2", "d3")


def by_day(slopes=(0.1, 0.1, 0.1), offsets=(0.0, 0.0, 0.0)):
    """Each third preparation of a level in a series of its own."""
    day = np.tile(np.arange(3), LEVELS.size // 3)
    signals = SIGNALS + (np.array(slopes)[day] - 0.1) * LEVELS + np.array(offsets)[day]
    return runs(signals=signals, series=[DAYS[i] for i in day]), day, signals


def test_each_series_has_its_line(line_of):
    """Lines of the series are ordinary fits of their own points; with two points there are none."""
    written, day, signals = by_day(slopes=(0.09, 0.1, 0.11), offsets=(0.0, 0.01, 0.03))
    found = line_of(written).series
    alone = [np.polyfit(LEVELS[day == i], signals[day == i], 1) for i in range(3)]

    assert [one.series for one in found.lines] == list(DAYS)
    assert [(one.slope.value, one.intercept.value) for one in found.lines] == [
        pytest.approx(tuple(one), rel=1e-8) for one in alone
    ]
    slopes, intercepts = np.transpose(alone)
    assert found.slope_rsd_percent == pytest.approx(100 * slopes.std(ddof=1) / slopes.mean())
    assert found.intercept_sd == pytest.approx(intercepts.std(ddof=1))
    assert found.slopes.p < 0.001


@pytest.mark.parametrize(
    "written",
    [
        runs(),
        runs(series=["d1"] * LEVELS.size),
        runs(series=["d1"] * 16 + ["d2"] * 2),
    ],
    ids=["no series", "one series", "two points in a series"],
)
def test_without_several_lines_nothing_is_compared(line_of, written):
    """A series needs three levels for a line with a doubt."""
    assert line_of(written).series is None


def test_intercepts_of_three_series_give_a_limit(record_of, described):
    """3.3 standard deviations of the intercepts over the slope of all points, by numpy."""
    written, day, signals = by_day(offsets=(0.0, 0.01, 0.03))
    found = record_of(described(calibration={"runs": written})).detection
    limit = found.variants["intercepts_3.3"].detection_limit.value
    intercepts = [np.polyfit(LEVELS[day == i], signals[day == i], 1)[1] for i in range(3)]

    assert limit == pytest.approx(
        3.3 * np.std(intercepts, ddof=1) / np.polyfit(LEVELS, signals, 1)[0], rel=1e-8
    )


def test_figures_of_equal_variance_are_not_given_for_a_weighted_fit(line_of):
    """ISO 8466-1 defines the method standard deviation for equal variances."""
    plain, weighted = line_of(runs()), line_of(runs(), {"weighting": "1/x"})

    assert plain.method_standard_deviation_percent == pytest.approx(
        100 * plain.residual_standard_deviation / plain.slope.value / LEVELS.mean()
    )
    assert weighted.method_standard_deviation is weighted.method_standard_deviation_percent is None
