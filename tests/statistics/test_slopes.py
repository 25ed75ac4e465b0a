"""Slopes of independent calibrations compared."""

from __future__ import annotations

import math

import numpy as np
import pytest
import statsmodels.api as sm
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats
from scipy.optimize import brentq

from validator.errors import NotEstimable
from validator.statistics.regression import fit
from validator.statistics.slopes import (
    common_slope_test,
    equal_lines,
    matrix_effect,
    pooled_slope_test,
    residual_variance_ratio,
    slope_difference,
    slope_ratio,
)

X = np.array([1.0, 2, 3, 5, 8, 13])
WEIGHTED = "the residual variances of weighted fits refer to different levels"


def line(seed, slope=2.0, scatter=0.3, x=X, **options):
    return fit(x, 1 + slope * x + scatter * np.random.default_rng(seed).standard_normal(x.size), **options)


def pooled_models(fits):
    """Design matrices of separate slopes and of one common slope, each line with its own intercept."""
    group = np.repeat(np.arange(len(fits)), [one.n for one in fits])
    x, y = np.concatenate([one.x for one in fits]), np.concatenate([one.y for one in fits])
    own = (group[:, None] == np.arange(len(fits))).astype(float)
    return (
        sm.OLS(y, np.column_stack([own, own * x[:, None]])).fit(),
        sm.OLS(y, np.column_stack([own, x])).fit(),
    )


def test_pooled_t_is_that_of_the_joint_regression():
    """The pooled t of two slopes is the t of their contrast in one regression of both lines."""
    one, other = line(1), line(2, slope=2.2, x=X[:5])
    separate, _ = pooled_models([one, other])
    contrast = separate.t_test([0, 0, 1, -1])
    ours = pooled_slope_test(one, other)
    assert ours.statistic == pytest.approx(contrast.tvalue.item(), rel=1e-9)
    assert ours.p == pytest.approx(contrast.pvalue.item(), rel=1e-8)
    assert ours.df == (7,)


@pytest.mark.parametrize("k", [2, 3, 5])
def test_common_slope_f_is_that_of_the_joint_regression(k):
    """F of k lines is the comparison of separate slopes with one slope."""
    fits = [line(seed, slope=2 + 0.03 * seed) for seed in range(k)]
    separate, common = pooled_models(fits)
    statistic, p, df = separate.compare_f_test(common)
    ours = common_slope_test(fits)
    assert ours.statistic == pytest.approx(statistic, rel=1e-8)
    assert ours.p == pytest.approx(p, rel=1e-7)
    assert ours.df == (df, 4 * k)


def test_welch_difference_has_its_own_degrees_of_freedom():
    """Welch: t = (b1 − b2)/sqrt(s_b1² + s_b2²) with ν of Welch and Satterthwaite."""
    one, other = line(1), line(2, scatter=1.5)
    u1, u2 = one.slope.standard_error, other.slope.standard_error
    nu = (u1**2 + u2**2) ** 2 / (u1**4 / 4 + u2**4 / 4)
    found = slope_difference(one, other)
    assert found.statistic == pytest.approx((one.slope.value - other.slope.value) / np.hypot(u1, u2))
    assert found.df == pytest.approx((nu,))
    assert found.p == pytest.approx(2 * stats.t.sf(abs(found.statistic), nu))


def test_residual_variances_are_compared_before_pooling():
    """The F test of the residual variances is two-sided with the larger above."""
    one, other = line(1), line(2, scatter=1.5, x=np.arange(1.0, 11.0))
    ratio = (other.residual_standard_deviation / one.residual_standard_deviation) ** 2
    test = residual_variance_ratio(one, other)
    assert test.statistic == pytest.approx(ratio)
    assert test.df == (8, 4)
    assert test.p == pytest.approx(2 * stats.f.sf(ratio, 8, 4))


def test_fieller_limits_of_the_ratio_solve_their_equation():
    """At both limits |b1 − ρ b2| = t sqrt(s_b1² + ρ² s_b2²)."""
    one, other = line(1), line(2, slope=1.0)
    found = slope_ratio(one, other)
    t = stats.t.ppf(0.975, found.degrees_of_freedom)
    b1, b2 = one.slope.value, other.slope.value
    u1, u2 = one.slope.standard_error, other.slope.standard_error

    def beyond(ratio):
        return (b1 - ratio * b2) ** 2 - t**2 * (u1**2 + ratio**2 * u2**2)

    variances = np.array([u1**2, (b1 / b2 * u2) ** 2])
    assert found.degrees_of_freedom == pytest.approx(variances.sum() ** 2 / (variances**2 / 4).sum())
    assert found.value == pytest.approx(b1 / b2)
    assert found.standard_error == pytest.approx(np.hypot(u1, b1 / b2 * u2) / b2)
    assert found.interval.lower == pytest.approx(brentq(beyond, 0, found.value), rel=1e-9)
    assert found.interval.upper == pytest.approx(brentq(beyond, found.value, 9), rel=1e-9)


def test_a_reference_without_slope_gives_no_bounds():
    """From g = 1 on the ratio has no finite interval and says so."""
    found = slope_ratio(line(1), fit([1, 2, 3, 4], [1.0, 3.0, 0.5, 2.0]))
    assert (found.interval.lower, found.interval.upper) == (-math.inf, math.inf)
    assert found.interval.method == "Fieller, unbounded"


def test_matrix_effect_is_the_ratio_in_percent():
    """100 (b_matrix/b_solvent − 1), with standard error and interval to match."""
    matrix, solvent = line(1, slope=1.7), line(2)
    ratio, effect = slope_ratio(matrix, solvent), matrix_effect(matrix, solvent)
    assert effect.value == pytest.approx(100 * (ratio.value - 1))
    assert effect.standard_error == pytest.approx(100 * ratio.standard_error)
    assert effect.interval.lower == pytest.approx(100 * (ratio.interval.lower - 1))
    assert effect.interval.upper == pytest.approx(100 * (ratio.interval.upper - 1))


def test_lines_through_the_origin_are_compared_too():
    """The pooled t takes Σx² in place of Sxx: same as the joint regression without intercepts."""
    one, other = (line(seed, model="linear_through_origin") for seed in (1, 2))
    group = np.repeat([0, 1], 6)
    x = np.concatenate([one.x, other.x])
    joint = sm.OLS(np.concatenate([one.y, other.y]), (group[:, None] == [0, 1]) * x[:, None]).fit()
    expected = joint.t_test([1, -1]).tvalue.item()
    assert pooled_slope_test(one, other).statistic == pytest.approx(expected, rel=1e-9)


def test_weighted_lines_are_never_pooled():
    """Their residual variances belong to different reference levels."""
    one, other = line(1, weights=1 / X), line(2)
    for compute in (pooled_slope_test, residual_variance_ratio, lambda *fits: common_slope_test(fits)):
        with pytest.raises(NotEstimable, match="residual variances of weighted fits refer to different"):
            compute(one, other)


@settings(max_examples=40, deadline=None)
@given(
    seed=st.integers(0, 1000),
    x_unit=st.sampled_from([1e-12, 1e3, 1e12]),
    y_unit=st.sampled_from([1e-12, 1e6]),
)
def test_units_do_not_change_a_comparison(seed, x_unit, y_unit):
    """Ratio, t and F do not depend on the units that both lines share."""
    before = [line(seed), line(seed + 1)]
    after = [fit(one.x * x_unit, one.y * y_unit) for one in before]
    assert slope_ratio(*after).interval.upper == pytest.approx(slope_ratio(*before).interval.upper, rel=1e-8)
    ours, theirs = slope_difference(*after), slope_difference(*before)
    assert ours.statistic == pytest.approx(theirs.statistic, rel=1e-6, abs=1e-8)
    ours, theirs = pooled_slope_test(*after), pooled_slope_test(*before)
    assert ours.statistic == pytest.approx(theirs.statistic, rel=1e-6, abs=1e-8)
    assert common_slope_test(after).p == pytest.approx(common_slope_test(before).p, rel=1e-5, abs=1e-9)


def test_equal_slopes_are_rarely_told_apart():
    """3000 pairs of equal slopes, scatter differing fourfold: Welch rejects at 5 % in 4 to 6.5 %."""
    rng = np.random.default_rng(9)
    rejected = covered = 0
    for _ in range(3000):
        noise = rng.standard_normal((2, 6))
        one, other = fit(X, 2 * X + 0.2 * noise[0]), fit(X, 2 * X + 0.8 * noise[1])
        rejected += slope_difference(one, other).p < 0.05
        covered += 1.0 in slope_ratio(one, other).interval
    assert 0.04 <= rejected / 3000 <= 0.065
    assert 0.935 <= covered / 3000 <= 0.965


EXACT = fit([1, 2, 3], [2, 4, 6])


@pytest.mark.parametrize(
    ("compute", "reason"),
    [
        (
            lambda: slope_ratio(line(1), line(1, model="quadratic")),
            "a second-order function has no single slope",
        ),
        (lambda: slope_ratio(line(1), fit([1, 1, 2, 2], [1, -1, 1, -1])), "the reference slope is 0"),
        (lambda: slope_ratio(EXACT, EXACT), "all points lie exactly on both lines"),
        (lambda: slope_difference(EXACT, EXACT), "all points lie exactly on both lines"),
        (lambda: common_slope_test([EXACT, EXACT]), "all points lie exactly on the lines"),
        (lambda: common_slope_test([line(1)]), "only one calibration line"),
        (lambda: pooled_slope_test(EXACT, EXACT), "all points lie exactly on both lines"),
        (
            lambda: pooled_slope_test(line(1), line(1, model="quadratic")),
            "a second-order function has no single slope",
        ),
        (lambda: pooled_slope_test(line(1), line(2, weights=1 / X)), WEIGHTED),
        (lambda: residual_variance_ratio(line(1), line(2, weights=1 / X)), WEIGHTED),
        (
            lambda: residual_variance_ratio(line(1), EXACT),
            "all points of one configuration lie exactly on its line",
        ),
    ],
)
def test_says_what_is_missing(compute, reason):
    """Lines that cannot be compared are refused in a sentence."""
    with pytest.raises(NotEstimable) as no:
        compute()
    assert no.value.reason == reason


def test_one_exact_line_can_be_compared():
    """An exact reference leaves the doubt to the other line."""
    one = line(1).slope
    t = (one.value - EXACT.slope.value) / one.standard_error
    assert slope_difference(line(1), EXACT).statistic == pytest.approx(t)
    with pytest.raises(NotEstimable, match="lie exactly on its line"):
        residual_variance_ratio(line(1), EXACT)


@pytest.mark.parametrize("weighted", [False, True])
def test_lines_of_groups_are_compared_as_by_analysis_of_covariance(weighted):
    """Equal slopes, then equal intercepts under a common slope: statsmodels' F tests of nested models."""
    rng = np.random.default_rng(5)
    x, groups = np.tile(X, 3), np.repeat(["a", "b", "c"], X.size)
    y = 0.3 + 2 * x + 0.1 * (groups == "b") * x + 0.2 * (groups == "c") + 0.1 * rng.standard_normal(x.size)
    w = 1 / x if weighted else np.ones(x.size)
    dummies = groups[:, None] == np.array(["a", "b", "c"])
    one, common, own = (
        sm.WLS(y, design, weights=w).fit()
        for design in (
            sm.add_constant(x),
            np.column_stack([dummies, x]),
            np.column_stack([dummies, dummies * x[:, None]]),
        )
    )
    found = equal_lines(x, y, list(groups), weights=w if weighted else None)

    for ours, (statistic, p, _) in (
        (found.slopes, own.compare_f_test(common)),
        (found.intercepts, common.compare_f_test(one)),
    ):
        assert ours.statistic == pytest.approx(statistic, rel=1e-8)
        assert ours.p == pytest.approx(p, rel=1e-7)
    assert found.slopes.df == (2, x.size - 6)
    assert found.intercepts.df == (2, x.size - 4)


def test_lines_without_scatter_are_not_compared():
    """Two exact lines leave nothing to test with."""
    found = equal_lines([1, 2, 3, 1, 2, 3], [1, 2, 3, 2, 4, 6], list("aaabbb"))
    assert found.slopes is None
