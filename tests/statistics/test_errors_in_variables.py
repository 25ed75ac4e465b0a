"""Lines through points that are uncertain in both directions."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import optimize

from validator.errors import NotEstimable
from validator.statistics.errors_in_variables import level_uncertainty_effect, york
from validator.statistics.regression import fit


def points(seed, n=10):
    rng = np.random.default_rng(seed)
    u_x, u_y = rng.uniform(0.1, 0.4, n), rng.uniform(0.1, 0.6, n)
    x = np.linspace(1, 10, n)
    return x + u_x * rng.standard_normal(n), 2 + 1.3 * x + u_y * rng.standard_normal(n), u_x, u_y


@pytest.mark.parametrize("seed", range(4))
def test_minimises_the_weighted_distances(seed):
    """No line has a smaller sum of squares W (y − a − b x)², errors correlated or not."""
    x, y, u_x, u_y = points(seed)
    r = np.random.default_rng(seed).uniform(-0.8, 0.8, x.size)

    def chi_squared(p):
        a, b = p
        return ((y - a - b * x) ** 2 / (u_y**2 + (b * u_x) ** 2 - 2 * b * r * u_x * u_y)).sum()

    found = york(x, y, u_x=u_x, u_y=u_y, correlation=r)
    best = optimize.minimize(
        chi_squared, [2, 1.3], method="Nelder-Mead", options={"xatol": 1e-10, "fatol": 1e-12}
    )
    assert [found.intercept.value, found.slope.value] == pytest.approx(best.x, abs=1e-6)
    assert found.chi_squared == pytest.approx(best.fun, rel=1e-9)


def test_exact_levels_give_the_weighted_line():
    """With u(x) = 0 slope, intercept and scaled standard errors are those of weighted least squares."""
    x, y, _, u_y = points(1)
    ours, line = york(x, y, u_x=0.0, u_y=u_y), fit(x, y, weights=u_y**-2)
    assert ours.slope.value == pytest.approx(line.slope.value, rel=1e-10)
    assert ours.slope.standard_error == pytest.approx(line.slope.standard_error, rel=1e-9)
    assert ours.intercept.standard_error == pytest.approx(line.intercept.standard_error, rel=1e-9)
    assert ours.slope.interval.upper == pytest.approx(line.slope.interval.upper, rel=1e-9)


def test_swapped_axes_give_the_inverse_line():
    """Errors in both directions know no dependent variable."""
    x, y, u_x, u_y = points(2)
    one, other = york(x, y, u_x=u_x, u_y=u_y), york(y, x, u_x=u_y, u_y=u_x)
    assert other.slope.value == pytest.approx(1 / one.slope.value, rel=1e-10)
    assert other.intercept.value == pytest.approx(-one.intercept.value / one.slope.value, rel=1e-9)
    assert other.chi_squared == pytest.approx(one.chi_squared, rel=1e-10)


@settings(max_examples=40, deadline=None)
@given(
    seed=st.integers(0, 1000),
    x_unit=st.sampled_from([1e-12, 1e3, 1e12]),
    y_unit=st.sampled_from([1e-12, 1e6]),
)
def test_units_scale_the_line(seed, x_unit, y_unit):
    """Coefficients and uncertainties scale, χ² does not."""
    x, y, u_x, u_y = points(seed)
    before = york(x, y, u_x=u_x, u_y=u_y)
    after = york(x * x_unit, y * y_unit, u_x=u_x * x_unit, u_y=u_y * y_unit)
    assert after.slope.value == pytest.approx(before.slope.value * y_unit / x_unit, rel=1e-9)
    assert after.intercept.value == pytest.approx(
        before.intercept.value * y_unit, rel=1e-8, abs=1e-9 * y_unit
    )
    assert after.intercept_standard_uncertainty == pytest.approx(
        before.intercept_standard_uncertainty * y_unit, rel=1e-9
    )
    assert after.chi_squared == pytest.approx(before.chi_squared, rel=1e-9)


def test_stated_uncertainties_hold_in_simulation():
    """Over 2000 lines the coefficients scatter by their standard uncertainties, within 5 %; χ² is right."""
    rng = np.random.default_rng(5)
    x, u_x, u_y = np.linspace(0, 10, 8), 0.2, 0.3
    found = [
        york(
            x + u_x * rng.standard_normal(8),
            1 + 2 * x + u_y * rng.standard_normal(8),
            u_x=u_x,
            u_y=u_y,
        )
        for _ in range(2000)
    ]
    slopes, intercepts = [one.slope.value for one in found], [one.intercept.value for one in found]
    assert np.std(slopes) == pytest.approx(
        np.mean([one.slope_standard_uncertainty for one in found]), rel=0.05
    )
    assert np.std(intercepts) == pytest.approx(
        np.mean([one.intercept_standard_uncertainty for one in found]), rel=0.05
    )
    assert np.mean([one.p < 0.05 for one in found]) == pytest.approx(0.05, abs=0.015)


def test_small_level_uncertainty_does_not_matter():
    """b·u(x) below a third of the scatter: levels stay exact, no second line."""
    x, y, *_ = points(6)
    line = fit(x, y)
    u = 0.3 * line.residual_standard_deviation / line.slope.value
    effect = level_uncertainty_effect(line, u)
    assert effect.largest_share == pytest.approx(0.3)
    assert effect.york is None


def test_large_level_uncertainty_brings_the_second_line():
    """Beyond a third a line with errors in both directions stands beside, with u(y) = s/√w."""
    x, y, u_x, _ = points(7)
    line = fit(x, y, weights=1 / np.abs(x))
    effect = level_uncertainty_effect(line, u_x)
    u_y = line.residual_standard_deviation / np.sqrt(line.weights)
    assert effect.largest_share == pytest.approx((line.slope.value * u_x / u_y).max())
    assert effect.york.slope == york(x, y, u_x=u_x, u_y=u_y).slope


def test_a_parabola_gets_the_share_but_no_line():
    """The sensitivity at each level counts; there is no straight line to fit beside."""
    x, y, *_ = points(8)
    curve = fit(x, y, model="quadratic")
    effect = level_uncertainty_effect(curve, 5.0)
    assert effect.largest_share == pytest.approx(
        np.abs(curve.slope_at(x)).max() * 5 / curve.residual_standard_deviation
    )
    assert effect.york is None


@pytest.mark.parametrize(
    ("arguments", "reason"),
    [
        ({"x": [1, 2], "y": [1, 2], "u_x": 1, "u_y": 1}, "only 2 points"),
        (
            {"x": [1, 2, 3], "y": [1, 2, 4], "u_x": 0, "u_y": [0, 1, 1]},
            "no uncertainty is stated for one of the points",
        ),
    ],
)
def test_says_what_is_missing(arguments, reason):
    """Points that cannot carry the line are refused in a sentence."""
    with pytest.raises(NotEstimable) as no:
        york(**arguments)
    assert no.value.reason == reason


def test_exact_points_have_no_scatter_to_compare():
    """Without residuals b·u(x) has nothing beside it."""
    with pytest.raises(NotEstimable, match="exactly on the fitted function"):
        level_uncertainty_effect(fit([1, 2, 3], [2, 4, 6]), 0.1)


@pytest.mark.parametrize("arguments", [{"u_x": -1, "u_y": 1}, {"u_x": 1, "u_y": 1, "correlation": 1}])
def test_misuse_is_an_error(arguments):
    """Uncertainties are not negative, correlations lie between −1 and 1."""
    with pytest.raises(ValueError, match="must not be negative"):
        york([1, 2, 3], [1, 2, 4], **arguments)
    with pytest.raises(ValueError, match="must not be negative"):
        level_uncertainty_effect(fit([1, 2, 3], [1, 2, 4]), -1)


def test_points_without_a_line_are_refused():
    """When the iteration does not settle there is no answer, rather than the last one tried."""
    x, y = np.random.default_rng(19).standard_normal((2, 4))
    with pytest.raises(
        NotEstimable, match=("the regression with errors in both variables does not converge")
    ):
        york(x, y, u_x=[1, 5, 1, 0.1], u_y=[0.1, 1, 1, 1])
