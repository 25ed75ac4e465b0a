"""Lack of fit, curvature, intercept and what stands beside them."""

from __future__ import annotations

import numpy as np
import pytest
import statsmodels.api as sm
from scipy import stats

from validator.errors import NotEstimable
from validator.statistics.linearity import (
    intercept_test,
    lack_of_fit,
    mandel,
    method_standard_deviation,
    quality_coefficient,
    response_factors,
)
from validator.statistics.regression import fit

X = np.repeat([1.0, 2, 4, 8, 16], [2, 3, 2, 3, 2])


def signals(seed, bend=0.0, x=X):
    rng = np.random.default_rng(seed)
    return 5 + 3 * x + bend * x**2 + 0.3 * rng.standard_normal(x.size)


@pytest.mark.parametrize("weighted", [False, True])
@pytest.mark.parametrize(("model", "p"), [("linear", 2), ("linear_through_origin", 1), ("quadratic", 3)])
def test_lack_of_fit_is_the_nested_comparison_with_free_level_means(model, p, weighted):
    """F is that of statsmodels' comparison of the model with one mean per level."""
    y = signals(1, bend=0.02)
    weights = 1 / X if weighted else np.ones(X.size)
    design = {"linear": [X**0, X], "linear_through_origin": [X], "quadratic": [X**0, X, X**2]}[model]
    small = sm.WLS(y, np.stack(design, axis=1), weights=weights).fit()
    full = sm.WLS(y, (X[:, None] == np.unique(X)).astype(float), weights=weights).fit()
    statistic, probability, _ = full.compare_f_test(small)

    ours = lack_of_fit(fit(X, y, model=model, weights=weights))

    assert ours.df == (5 - p, 7)
    assert ours.statistic == pytest.approx(statistic, rel=1e-8)
    assert ours.p == pytest.approx(probability, rel=1e-7)


@pytest.mark.parametrize("weighted", [False, True])
def test_mandel_is_the_nested_comparison_with_a_parabola(weighted):
    """F is that of statsmodels' comparison of parabola and line with the same weights."""
    y = signals(3, bend=0.02)
    weights = 1 / X**2 if weighted else np.ones(X.size)
    line = sm.WLS(y, np.stack([X**0, X], axis=1), weights=weights).fit()
    parabola = sm.WLS(y, np.stack([X**0, X, X**2], axis=1), weights=weights).fit()
    statistic, probability, _ = parabola.compare_f_test(line)

    ours = mandel(fit(X, y, weights=weights))

    assert ours.df == (1, X.size - 3)
    assert ours.statistic == pytest.approx(statistic, rel=1e-7)
    assert ours.p == pytest.approx(probability, rel=1e-6)
    assert ours.critical == pytest.approx(stats.f.ppf(0.99, 1, X.size - 3), rel=1e-10)


@pytest.mark.parametrize("unit", [1e-12, 1e12])
def test_tests_do_not_depend_on_the_units(unit):
    """F is a ratio of variances."""
    y = signals(4, bend=0.01)
    before, after = fit(X, y), fit(X * unit, y * unit)
    assert lack_of_fit(after).statistic == pytest.approx(lack_of_fit(before).statistic, rel=1e-9)
    assert mandel(after).statistic == pytest.approx(mandel(before).statistic, rel=1e-8)
    assert intercept_test(after).statistic == pytest.approx(intercept_test(before).statistic, rel=1e-9)


def test_exact_shapes_are_told_apart():
    """Points on a line are not bent; points on a parabola are, without any doubt."""
    x = np.arange(1.0, 8.0)
    assert mandel(fit(x, 2 * x)).p == 1
    bent = mandel(fit(x, x + x**2))
    assert bent.p < 1e-12


def test_intercept_t_is_that_of_a_general_library():
    """Student t and its p against 0 are those of statsmodels."""
    y = signals(5)
    theirs = sm.OLS(y, np.stack([X**0, X], axis=1)).fit()
    ours = intercept_test(fit(X, y))
    assert ours.statistic == pytest.approx(theirs.tvalues[0], rel=1e-9)
    assert ours.p == pytest.approx(theirs.pvalues[0], rel=1e-8)
    assert ours.df == (X.size - 2,)


def test_response_factors_are_blank_free():
    """(y − a)/x above level 0, ascending."""
    x, y = np.array([10.0, 0, 5, 1]), np.array([32.1, 2.0, 17.2, 5.05])
    levels, factors = response_factors(x, y, 1.9)
    assert levels.tolist() == [1, 5, 10]
    assert factors == pytest.approx([(5.05 - 1.9) / 1, (17.2 - 1.9) / 5, (32.1 - 1.9) / 10])


def test_method_standard_deviation_is_in_units_of_the_level():
    """s_x0 = s/b and V_x0 = 100 s_x0/x̄; a parabola uses its slope at the mean level."""
    y = signals(6, bend=0.05)
    line, parabola = fit(X, y), fit(X, y, model="quadratic")
    of_line, of_parabola = method_standard_deviation(line), method_standard_deviation(parabola)
    assert of_line.value == pytest.approx(line.residual_standard_deviation / line.slope.value)
    assert of_line.relative_percent == pytest.approx(100 * of_line.value / X.mean())
    sensitivity = parabola.slope.value + 2 * parabola.quadratic.value * X.mean()
    assert of_parabola.value == pytest.approx(parabola.residual_standard_deviation / sensitivity)


def test_quality_coefficient_is_relative_to_the_mean_signal():
    """QC = 100 sqrt(Σ(r/ȳ)²/(n − 1))."""
    y = signals(7)
    line = fit(X, y)
    expected = 100 * np.sqrt(((line.residuals / y.mean()) ** 2).sum() / (X.size - 1))
    assert quality_coefficient(line) == pytest.approx(expected)


@pytest.mark.parametrize(
    ("compute", "arguments", "reason"),
    [
        (lack_of_fit, {"x": [1, 2, 3, 4], "y": [1, 2, 3, 5]}, "no level was measured in replicate"),
        (lack_of_fit, {"x": [1, 1, 2, 2], "y": [1, 2, 3, 5]}, "only 2 levels for 2 coefficients"),
        (
            lack_of_fit,
            {"x": [1, 1, 2, 2, 3], "y": [1, 1, 3, 3, 4]},
            "the replicates at each level are identical",
        ),
        (mandel, {"x": [1, 2, 3], "y": [1, 2, 4]}, "only 3 points"),
        (intercept_test, {"x": [1, 2, 3], "y": [2, 4, 6]}, "all points lie exactly on the fitted function"),
        (
            intercept_test,
            {"x": [1, 2], "y": [1, 2.1], "model": "linear_through_origin"},
            "the function was constrained through the origin",
        ),
        (method_standard_deviation, {"x": [-1, 0, 1], "y": [1, 2, 4]}, "the mean level is 0"),
        (quality_coefficient, {"x": [1, 2, 3], "y": [-1, 0, 1]}, "the mean signal is zero"),
    ],
)
def test_says_what_is_missing(compute, arguments, reason):
    """Data that cannot carry a figure are refused in a sentence."""
    found = fit(**arguments)
    with pytest.raises(NotEstimable) as no:
        compute(found)
    assert no.value.reason == reason


def test_mandel_needs_a_line_with_intercept():
    """Other models are not what the test compares."""
    with pytest.raises(ValueError, match="compares a line with intercept and a parabola"):
        mandel(fit(X, signals(1), model="quadratic"))


def test_false_alarms_are_as_rare_as_stated():
    """On 4000 true lines lack of fit and Mandel, weighted or not, reject at 5 % in 4 to 6 %."""
    rng = np.random.default_rng(8)
    x = np.repeat([1.0, 2, 4, 8, 16], 3)
    alarms = np.zeros(4)
    for _ in range(4000):
        noise = rng.standard_normal(x.size)
        plain, weighted = fit(x, 2 * x + noise), fit(x, 2 * x + x * noise, weights=x**-2)
        alarms += [test(line).p < 0.05 for line in (plain, weighted) for test in (lack_of_fit, mandel)]
    assert (np.abs(alarms / 4000 - 0.05) <= 0.01).all()
