"""Relative change per step."""

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats
from statsmodels.regression.linear_model import OLS
from statsmodels.tools import add_constant

from validator.errors import NotEstimable
from validator.statistics.trend import pooled_trend, trend_of_units

X = np.array([0.0, 0.0, 1.0, 2.0, 4.0, 7.0, 7.0])
Y = np.array([10.0, 10.1, 9.95, 9.9, 9.8, 9.6, 9.65])


def test_slope_over_start_agrees_with_statsmodels():
    """θ = slope/intercept; at Fieller's limits |b − θ a| equals t times its standard error."""
    trend = pooled_trend(X, Y)
    fit = OLS(Y, add_constant(X)).fit()
    a, b = fit.params
    cov = fit.cov_params()

    assert trend.slope.value == pytest.approx(b / a, rel=1e-9)
    for theta, level in (
        (trend.slope.interval.lower, 0.975),
        (trend.slope.interval.upper, 0.975),
        (trend.limits.one_sided.lower, 0.95),
    ):
        u = math.sqrt(cov[1, 1] + theta**2 * cov[0, 0] - 2 * theta * cov[0, 1])
        assert abs(b - theta * a) / u == pytest.approx(stats.t.ppf(level, 5), rel=1e-9)
    gradient = np.array([-b / a**2, 1 / a])
    assert trend.slope.standard_error == pytest.approx(math.sqrt(gradient @ cov @ gradient), rel=1e-9)
    assert trend.test.p == pytest.approx(fit.pvalues[1], rel=1e-9)


def test_curvature_agrees_with_statsmodels():
    """The t of the quadratic term is that of statsmodels OLS."""
    fit = OLS(Y, np.column_stack([np.ones(7), X, X**2])).fit()
    trend = pooled_trend(X, Y)

    assert trend.curvature.statistic == pytest.approx(fit.tvalues[2], rel=1e-8)
    assert trend.curvature.df == (4,)


def test_homogeneity_agrees_with_statsmodels():
    """F of equal relative slopes: nested fits of y/mean with common and with own slopes."""
    rng = np.random.default_rng(8)
    use, device = np.tile(np.arange(1.0, 7.0), 3), np.repeat([0, 1, 2], 6)
    y = np.array([10.0, 12.0, 8.0])[device] * (1 - 0.02 * use) + rng.normal(0, 0.1, 18)
    trend = pooled_trend(use, y, device.tolist())

    z = y / np.array([y[device == d].mean() for d in range(3)])[device]
    dummies = np.column_stack([device == d for d in range(3)]).astype(float)
    common = OLS(z, np.column_stack([dummies, use])).fit()
    own = OLS(z, np.column_stack([dummies, dummies * use[:, None]])).fit()
    f, p, _ = own.compare_f_test(common)
    assert trend.homogeneity.statistic == pytest.approx(f, rel=1e-8)
    assert trend.homogeneity.p == pytest.approx(p, rel=1e-7)


def test_devices_as_units_are_a_mean_of_slopes():
    """Each device's own slope over its own start; standard error from their spread."""
    use, device = [1, 2, 3, 1, 2, 3], ["a", "a", "a", "b", "b", "b"]
    y = [10.0, 9.8, 9.7, 20.0, 19.1, 18.1]
    trend = trend_of_units(use, y, device)

    own = []
    for part in (y[:3], y[3:]):
        line = stats.linregress([0, 1, 2], part)
        own.append(line.slope / line.intercept)
    assert trend.slope.value == pytest.approx(np.mean(own))
    assert trend.slope.standard_error == pytest.approx(np.std(own, ddof=1) / math.sqrt(2))
    assert trend.slope.degrees_of_freedom == 1
    assert trend.limits.one_sided.lower == pytest.approx(
        np.mean(own) - stats.t.ppf(0.95, 1) * trend.slope.standard_error
    )


@given(st.sampled_from([1e-12, 1e12]), st.permutations(list(range(7))), st.floats(0.01, 100))
@settings(deadline=None, max_examples=25)
def test_invariances(scale, order, unit):
    """Signal unit and order do not matter; the unit of time divides the slope."""
    plain = pooled_trend(X, Y)
    other = pooled_trend(X[order] * unit, Y[order] * scale)

    assert other.slope.value * unit == pytest.approx(plain.slope.value, rel=1e-8)
    assert other.slope.interval.lower * unit == pytest.approx(plain.slope.interval.lower, rel=1e-6)
    assert other.test.p == pytest.approx(plain.test.p, rel=1e-6)


@pytest.mark.parametrize(
    ("x", "y", "groups", "message"),
    [
        ([1], [1], None, "1 result; needs at least 3 results"),
        ([1, 2], [1, 2], None, "2 results; needs at least 3 results, 3 of a single unit"),
        (
            [1, 1, 1],
            [1, 2, 3],
            None,
            "a unit was measured at one time or use only; needs at least 2 times or uses for each unit",
        ),
        ([1, 2, 3], [-1, -2, -3], None, "a mean result is not positive; needs positive results"),
        (
            [0, 1, 2],
            [0.3, 0.2, 0.1],
            None,
            "all results lie exactly on a straight line; needs results recorded with higher resolution",
        ),
        (
            [1, 2, 3, 4],
            [0.1, 5, -4, 1],
            None,
            "the mean result does not differ significantly from zero; needs more precise results",
        ),
    ],
)
def test_refuses_in_a_sentence(x, y, groups, message):
    """What cannot carry a trend is refused with what it needs."""
    with pytest.raises(NotEstimable) as refusal:
        pooled_trend(x, y, groups)
    assert str(refusal.value) == message


def test_devices_as_units_need_devices_that_differ():
    """One device, or identical ones, are refused."""
    with pytest.raises(NotEstimable, match="only one device"):
        trend_of_units([1, 2, 3], [3.0, 2.0, 1.5], ["a"] * 3)
    with pytest.raises(NotEstimable, match="the devices do not differ"):
        trend_of_units([1, 2, 1, 2], [3.0, 2.0, 3.0, 2.0], ["a", "a", "b", "b"])


def test_start_that_may_be_zero_is_refused():
    """A steep rise whose line may start at zero has no relative change."""
    with pytest.raises(NotEstimable, match=("the confidence interval of the initial value includes zero")):
        pooled_trend([0, 1, 2, 3, 4], [0.1, 1.3, 1.9, 3.2, 3.9])


def test_tests_without_freedom_are_left_out():
    """Two times allow no curvature, a single result per time and device no homogeneity."""
    assert pooled_trend([0, 0, 1, 1], [5.0, 5.1, 4.8, 4.7]).curvature is None
    two = trend_of_units([1, 2, 1, 2], [3.0, 2.9, 3.0, 2.8], ["a", "a", "b", "b"])
    assert (two.homogeneity, two.curvature) == (None, None)
    exact = trend_of_units([1, 2, 3, 1, 2, 3], [100.0, 90, 80, 100, 80, 60], list("aaabbb"))
    assert exact.homogeneity is None
