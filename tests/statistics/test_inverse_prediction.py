"""From a signal back to a level."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats
from scipy.optimize import brentq

from validator.errors import NotEstimable
from validator.statistics.inverse_prediction import (
    back_calculate,
    back_calculation,
    inverse_prediction,
    level_read,
)
from validator.statistics.regression import fit
from validator.statistics.weighting import weights_for

X = np.array([1.0, 1, 2, 4, 7, 7, 11, 16])


def calibration(seed=1, *, model="linear", weights=None, scatter=0.3, blank=2.0):
    rng = np.random.default_rng(seed)
    y = blank + 1.5 * X + (0.02 * X**2 if model == "quadratic" else 0) + scatter * rng.standard_normal(X.size)
    return fit(X, y, model=model, weights=weights)


@pytest.mark.parametrize("model", ["linear", "linear_through_origin"])
@pytest.mark.parametrize("weighted", [False, True])
@pytest.mark.parametrize("m", [1, 4])
def test_fieller_limits_are_where_the_t_statistic_reaches_its_bound(model, weighted, m):
    """At both limits (ȳ0 − ŷ(x))² = t² [s²/(m w0) + var ŷ(x)], found here by bisection."""
    line = calibration(model=model, weights=1 / X if weighted else None, blank=0.0)
    found = inverse_prediction(line, 9.0, m=m, level=0.9)
    t = stats.t.ppf(0.95, line.degrees_of_freedom)
    extra = line.residual_standard_deviation**2 / (m * float(line.weight_at(found.value)))

    def beyond(x):
        return (9.0 - float(line.predict(x))) ** 2 - t**2 * (extra + float(line.standard_error_at(x)) ** 2)

    assert found.interval.lower == pytest.approx(brentq(beyond, -20, found.value), rel=1e-8)
    assert found.interval.upper == pytest.approx(brentq(beyond, found.value, 40), rel=1e-8)
    assert found.interval.level == 0.9


@pytest.mark.parametrize("m", [1, 3])
def test_standard_error_has_its_three_terms(m):
    """s_x0² = (s/b)² [1/m + 1/n + (ȳ0 − ȳ)²/(b² Sxx)], term by term."""
    line = calibration()
    found = inverse_prediction(line, 9.0, m=m)
    s, b = line.residual_standard_deviation, line.slope.value
    third = (9.0 - line.y.mean()) ** 2 / (b**2 * line.s_xx)
    assert list(found.terms) == pytest.approx([(s / b) ** 2 * term for term in (1 / m, 1 / 8, third)])
    assert found.standard_error**2 == pytest.approx(sum(found.terms))
    assert found.degrees_of_freedom == 6


def test_the_weight_at_the_level_comes_from_the_weighting():
    """With weights 1/x² the sample's own scatter at x0 is s x0/√K."""
    weighting = weights_for(X, X, "1/x^2")
    line = calibration(weights=weighting.weights)
    found = inverse_prediction(line, 9.0, relative_variance=weighting.relative_variance)
    expected = (
        line.residual_standard_deviation / line.slope.value * found.value
    ) ** 2 / weighting.normalisation
    assert found.terms.sample == pytest.approx(expected)


def test_without_weighting_the_variance_is_interpolated():
    """The default w0 is that of the fit between its levels."""
    line = calibration(weights=1 / X)
    found = inverse_prediction(line, 9.0)
    explicit = inverse_prediction(line, 9.0, relative_variance=lambda x: 1 / line.weight_at(x))
    assert found == explicit


def test_a_slope_lost_in_the_noise_gives_no_bounds():
    """From g = 1 on the interval is the whole axis and is flagged."""
    line = fit([1, 2, 3, 4], [1.0, 3.0, 0.5, 2.0])
    found = inverse_prediction(line, 1.5)
    assert found.g > 1
    assert found.unbounded
    assert (found.interval.lower, found.interval.upper) == (-math.inf, math.inf)
    assert found.interval.method == "Fieller, unbounded"
    assert math.isfinite(found.standard_error)


def test_g_is_the_squared_ratio_of_t_bound_to_t_of_the_slope():
    """The flag rests on g = t² s_b²/b²."""
    line = calibration()
    t = stats.t.ppf(0.975, 6)
    expected = (t * line.slope.standard_error / line.slope.value) ** 2
    assert inverse_prediction(line, 9.0).g == pytest.approx(expected, rel=1e-9)


@pytest.mark.parametrize("model", ["linear", "linear_through_origin", "quadratic"])
@settings(max_examples=40, deadline=None)
@given(
    seed=st.integers(0, 1000),
    level=st.floats(1.5, 15.5),
    x_unit=st.sampled_from([1e-12, 1e3, 1e12]),
    y_unit=st.sampled_from([1e-12, 1e6]),
)
def test_units_scale_the_level(model, seed, level, x_unit, y_unit):
    """Predicting a level and reading it back returns it, in any unit; errors scale with it."""
    before = calibration(seed, model=model, scatter=0.1)
    after = fit(X * x_unit, before.y * y_unit, model=model)
    signal = float(before.predict(level))
    one, other = inverse_prediction(before, signal, m=2), inverse_prediction(after, signal * y_unit, m=2)
    assert one.value == pytest.approx(level, rel=1e-9)
    assert other.value == pytest.approx(level * x_unit, rel=1e-9)
    assert other.standard_error == pytest.approx(one.standard_error * x_unit, rel=1e-7)
    assert other.interval.lower == pytest.approx(one.interval.lower * x_unit, rel=1e-7, abs=1e-7 * x_unit)
    assert one.value in one.interval


def test_quadratic_standard_error_is_the_delta_method():
    """Gradient of the root with respect to signal and coefficients, taken here by finite differences."""
    curve = calibration(model="quadratic")
    found = inverse_prediction(curve, 14.0, m=2)
    coefficients = np.array([curve.intercept.value, curve.slope.value, curve.quadratic.value])

    def root(c, signal):
        return brentq(lambda x: c[0] + c[1] * x + c[2] * x**2 - signal, 0, 20, xtol=1e-14)

    step = 1e-6
    gradient = [
        (root(coefficients + step * unit, 14.0) - root(coefficients - step * unit, 14.0)) / (2 * step)
        for unit in np.eye(3)
    ]
    of_signal = (root(coefficients, 14.0 + step) - root(coefficients, 14.0 - step)) / (2 * step)
    variance = (
        gradient @ curve.covariance @ gradient + of_signal**2 * curve.residual_standard_deviation**2 / 2
    )
    assert found.value == pytest.approx(root(coefficients, 14.0), rel=1e-10)
    assert found.standard_error == pytest.approx(np.sqrt(variance), rel=1e-6)
    half_width = stats.t.ppf(0.975, 5) * found.standard_error
    assert found.interval.upper - found.value == pytest.approx(half_width, rel=1e-9)


def test_quadratic_g_is_that_of_the_slope_at_the_level():
    """The flag of a parabola rests on t² var(b + 2 c x0)/(b + 2 c x0)²."""
    curve = calibration(model="quadratic")
    found = inverse_prediction(curve, 14.0)
    gradient = np.array([0, 1, 2 * found.value])
    t = stats.t.ppf(0.975, 5)
    expected = t**2 * (gradient @ curve.covariance @ gradient) / float(curve.slope_at(found.value)) ** 2
    assert found.g == pytest.approx(expected, rel=1e-8)


def test_quadratic_standard_error_agrees_with_a_bootstrap():
    """4000 parametric bootstrap calibrations and signals scatter as the delta method says, within 5 %."""
    curve = calibration(model="quadratic", scatter=0.2)
    rng = np.random.default_rng(2)
    s = curve.residual_standard_deviation
    levels = [
        inverse_prediction(
            fit(X, curve.fitted + s * rng.standard_normal(X.size), model="quadratic"),
            14.0 + s * rng.standard_normal() / np.sqrt(3),
        ).value
        for _ in range(4000)
    ]
    assert inverse_prediction(curve, 14.0, m=3).standard_error == pytest.approx(np.std(levels), rel=0.05)


def test_a_flat_end_of_a_parabola_is_unbounded():
    """Where the slope at x0 is not significantly different from 0 there is no finite interval."""
    x = np.arange(1.0, 9.0)
    y = 4 * x - 0.25 * x**2 + 0.3 * np.array([1, -1, 1, -1, 1, -1, 1, -1])
    curve = fit(x, y, model="quadratic")
    found = inverse_prediction(curve, float(curve.predict(7.7)))
    assert found.unbounded
    assert found.interval.method == "Student t, delta method, unbounded"


@pytest.mark.parametrize(
    ("signal", "reason"),
    [
        (100.0, "the second-order function does not reach this signal within its range"),
        (
            8.0,
            (
                "the second-order function has a turning point within its range and gives this signal "
                "at two levels"
            ),
        ),
    ],
)
def test_a_parabola_without_one_root_inside_is_refused(signal, reason):
    """No root inside the range, or two of them, is no answer."""
    x = np.arange(0.0, 9.0)
    curve = fit(x, 6 * x - 0.8 * x**2 + 0.1 * (-1) ** x, model="quadratic")
    with pytest.raises(NotEstimable) as no:
        inverse_prediction(curve, signal)
    assert no.value.reason == reason


def test_a_line_without_slope_is_refused():
    """Signals that do not change with the level lead nowhere."""
    line = fit([1, 1, 2, 2], [1.0, -1.0, 1.0, -1.0])
    with pytest.raises(NotEstimable, match="the slope is zero"):
        inverse_prediction(line, 0.5)
    with pytest.raises(NotEstimable, match="the slope is zero"):
        back_calculation(line)


@pytest.mark.parametrize(("signal", "m"), [(np.nan, 1), (1.0, 0)])
def test_misuse_is_an_error(signal, m):
    """A signal is a finite number, the mean of at least one."""
    with pytest.raises(ValueError, match="m must be at least 1 and the signal finite"):
        inverse_prediction(calibration(), signal, m=m)


@pytest.mark.parametrize("model", ["linear", "linear_through_origin", "quadratic"])
def test_back_calculation_inverts_the_function(model):
    """A fitted signal returns its level with no relative error."""
    curve = calibration(model=model)
    found = back_calculate(curve, X, curve.fitted)
    assert found.found == pytest.approx(X, rel=1e-9)
    assert found.relative_error_percent == pytest.approx(np.zeros(8), abs=1e-6)


def test_back_calculation_has_no_relative_error_at_level_zero():
    """Level 0 has a found level but no relative error; the sum leaves it out."""
    line = fit([0, 1, 2, 4], [0.1, 1.0, 2.2, 3.9])
    found = back_calculation(line)
    expected = (line.y - line.intercept.value) / line.slope.value
    assert found.found == pytest.approx(expected)
    assert np.isnan(found.relative_error_percent[0])
    errors = 100 * (expected[1:] / line.x[1:] - 1)
    assert found.relative_error_percent[1:] == pytest.approx(errors)
    assert found.sum_of_absolute_relative_errors == pytest.approx(np.abs(errors).sum())


def test_back_calculation_beyond_the_end_of_a_parabola():
    """A signal just above the range has a level a little outside; one never reached has none."""
    x = np.arange(1.0, 9.0)
    curve = fit(x, 10 * x - 0.5 * x**2 + 0.1 * (-1) ** x, model="quadratic")
    found = back_calculate(curve, [8.0, 8.0], [float(curve.predict(8.1)), 1000.0])
    assert found.found[0] == pytest.approx(8.1)
    assert np.isnan(found.found[1])


@pytest.mark.parametrize("model", ["linear", "linear_through_origin", "quadratic"])
def test_a_level_is_read_as_by_inverse_prediction(model):
    """Inside the range the level alone is the value of the inverse prediction."""
    line = calibration(model=model)

    for signal in (5.0, 9.0, 20.0):
        assert level_read(line, signal) == inverse_prediction(line, signal).value


@pytest.mark.parametrize("bend", [-0.03, 0.03])
@pytest.mark.parametrize("sign", [1.0, -1.0])
def test_readings_of_the_end_levels_are_read_beyond_the_range(bend, sign):
    """Half of the readings of an end level lie outside of the parabola's range: the branch goes on there."""
    curve = fit(X, sign * (2 + 1.5 * X + bend * X**2), model="quadratic")

    for level in (-2.0, 0.5, 16.2, 18.0):
        signal = sign * (2 + 1.5 * level + bend * level**2)
        assert level_read(curve, signal) == pytest.approx(level, rel=1e-6)


def test_a_signal_beyond_the_turning_point_is_refused():
    """The parabola 3x − 0.05 x² has its top of 45 at x = 30: nothing gives 46, and 44 is given twice."""
    monotone = fit(X, 3 * X - 0.05 * X**2, model="quadratic")
    turning = fit(3 * X, 9 * X - 0.45 * X**2, model="quadratic")

    assert level_read(monotone, 44.8) == pytest.approx(28, rel=1e-6)
    with pytest.raises(NotEstimable, match="does not reach this signal"):
        level_read(monotone, 46.0)
    with pytest.raises(NotEstimable, match="at two levels"):
        level_read(turning, 44.0)
    with pytest.raises(NotEstimable, match="does not reach this signal"):
        level_read(turning, -5.0)
