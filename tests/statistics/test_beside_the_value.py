"""Beside the value: standard errors and both ends of intervals, against plain formulas and scipy.stats."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy import stats

from validator.statistics.found_on_added import found_on_added
from validator.statistics.interval import Estimate, Interval
from validator.statistics.passing_bablok import passing_bablok
from validator.statistics.precision_intervals import repeatability_estimate, total_estimate
from validator.statistics.regression import fit
from validator.statistics.selectivity import blank_matrix_response
from validator.statistics.slopes import slope_difference
from validator.statistics.trend import trend_of_units
from validator.statistics.variance_components import one_way_layout


def ends(interval):
    return interval.lower, interval.upper


def test_found_on_added():
    """Slope and intercept have the standard errors of ordinary regression and Student's interval at n − 2."""
    added = np.array([0.0, 1.0, 2.0, 5.0, 10.0, 20.0])
    found = np.array([0.11, 1.02, 1.87, 5.21, 9.92, 20.3])
    line = stats.linregress(added, found)
    t = stats.t.ppf(0.95, 4)

    result = found_on_added(added, found, confidence=0.90)

    for estimate, value, error in (
        (result.slope, line.slope, line.stderr),
        (result.intercept, line.intercept, line.intercept_stderr),
    ):
        assert estimate.standard_error == pytest.approx(error, rel=1e-9)
        assert ends(estimate.interval) == pytest.approx((value - t * error, value + t * error), rel=1e-9)


GROUPS = [[5.1, 5.3, 5.2], [5.6, 5.5], [4.9, 5.0, 5.1, 4.8], [5.4, 5.7]]


def test_repeatability():
    """s/√(2ν), and the chi-squared interval of the pooled variance with ν = N − p."""
    layout = one_way_layout(GROUPS)
    pooled = sum((len(group) - 1) * np.var(group, ddof=1) for group in GROUPS) / 7
    s = math.sqrt(pooled)

    estimate = repeatability_estimate(layout, pooled, 0.95)

    assert estimate.standard_error == pytest.approx(s / math.sqrt(14), rel=1e-12)
    limits = [s * math.sqrt(7 / stats.chi2.ppf(p, 7)) for p in (0.975, 0.025)]
    assert ends(estimate.interval) == pytest.approx(limits, rel=1e-9)


def test_total_of_a_balanced_layout():
    """Satterthwaite's degrees of freedom of (MS_b + (n − 1) MS_w)/n, and s/√(2ν)."""
    groups = [[1.0, 1.4, 1.1], [2.1, 2.0, 2.3], [1.6, 1.2, 1.5], [2.6, 2.2, 2.4]]
    between = 3 * np.var([np.mean(group) for group in groups], ddof=1)
    within = np.mean([np.var(group, ddof=1) for group in groups])
    variance = (between + 2 * within) / 3
    nu = variance**2 / ((between / 3) ** 2 / 3 + (2 * within / 3) ** 2 / 8)
    s = math.sqrt(variance)

    estimate = total_estimate(one_way_layout(groups), variance, 0.95)

    assert estimate.value == pytest.approx(s, rel=1e-12)
    assert estimate.degrees_of_freedom == pytest.approx(nu, rel=1e-9)
    assert estimate.standard_error == pytest.approx(s / math.sqrt(2 * nu), rel=1e-9)


def test_group_means_of_an_unbalanced_layout():
    """Rounding that is left in the group means is taken out once for each group, whatever its size."""
    offset = 1e9
    groups = [
        [offset + value for value in group] for group in ([0.1, 0.2, 0.4], [0.7, 0.3], [0.5, 0.6, 0.2, 0.9])
    ]

    layout, plain = one_way_layout(groups), one_way_layout([[v - offset for v in g] for g in groups])

    assert layout.ms_within == pytest.approx(plain.ms_within, rel=1e-9)
    assert layout.ms_between == pytest.approx(plain.ms_between, rel=1e-9)


def test_response_of_blank_matrix():
    """Student's two-sided interval of the mean."""
    blanks = np.array([0.011, 0.014, 0.009, 0.012])
    percent = 100 * blanks / 0.2
    error = stats.sem(percent)

    result = blank_matrix_response(blanks, 0.2, confidence=0.95)

    assert result.percent_of_limit.standard_error == pytest.approx(error, rel=1e-12)
    assert ends(result.percent_of_limit.interval) == pytest.approx(
        stats.t.interval(0.95, 3, percent.mean(), error), rel=1e-9
    )


def test_difference_of_slopes():
    """Welch's test: the variances of both slopes added, Satterthwaite's degrees of freedom."""
    x = np.array([1.0, 2.0, 3.0, 4.0, 5.0, 6.0])
    one, other = 2 * x + [0.1, -0.2, 0.1, 0.05, -0.1, 0.05], 1.5 * x + [0.02, 0.03, -0.01, -0.06, 0.04, -0.02]
    lines = [stats.linregress(x, y) for y in (one, other)]
    variance = sum(line.stderr**2 for line in lines)
    nu = variance**2 / sum(line.stderr**4 / 4 for line in lines)
    difference = lines[0].slope - lines[1].slope

    result = slope_difference(fit(x, one), fit(x, other))

    assert result.statistic == pytest.approx(difference / math.sqrt(variance), rel=1e-9)
    assert result.df == pytest.approx((nu,), rel=1e-9)
    assert result.p == pytest.approx(2 * stats.t.sf(abs(result.statistic), nu), rel=1e-9)


def test_trend_of_devices():
    """The devices' relative slopes are a sample: Student's interval, and one-sided limits on both sides."""
    x = np.array([1.0, 2.0, 3.0, 4.0])
    series = {"a": [10.0, 9.8, 9.7, 9.4], "b": [8.0, 7.9, 7.7, 7.75], "c": [12.0, 11.5, 11.4, 11.0]}
    relative = []
    for values in series.values():
        line = stats.linregress(x, values)
        relative.append(line.slope / (line.intercept + line.slope * 1.0))
    mean, error = np.mean(relative), stats.sem(relative)

    result = trend_of_units(np.tile(x, 3), np.concatenate(list(series.values())), np.repeat(list(series), 4))

    assert ends(result.slope.interval) == pytest.approx(stats.t.interval(0.95, 2, mean, error), rel=1e-9)
    t = stats.t.ppf(0.95, 2)
    assert ends(result.limits.one_sided) == pytest.approx((mean - t * error, mean + t * error), rel=1e-9)


def test_linearity_of_ranked_slopes():
    """The largest partial sum along the line over √(L + 1), held against Kolmogorov's distribution.

    The cusum test of H. Passing, W. Bablok, J. Clin. Chem. Clin. Biochem. 21 (1983) 709, section 3 (from
    memory). With l results above the line and L below, one above scores √(L/l) and one below −√(l/L).
    """
    rng = np.random.default_rng(3)
    x = np.sort(rng.uniform(1, 30, 25))
    y = 0.5 + 1.1 * x + np.where(rng.random(25) < 0.3, 2.0, -0.4) + rng.normal(0, 0.1, 25)

    result = passing_bablok(y, x)

    a, b = result.intercept.value, result.slope.value
    e = y - a - b * x
    above, below = int((e > 1e-9).sum()), int((e < -1e-9).sum())
    score = np.where(e > 1e-9, math.sqrt(below / above), np.where(e < -1e-9, -math.sqrt(above / below), 0.0))
    distance = (y + x / b - a) / math.sqrt(1 + 1 / b**2)
    expected = np.abs(np.cumsum(score[np.argsort(distance)])).max() / math.sqrt(below + 1)
    assert result.linearity.statistic == pytest.approx(expected, rel=1e-9)
    assert result.linearity.p == pytest.approx(stats.kstwobign.sf(expected), rel=1e-9)


def test_an_estimate_in_another_unit():
    """Everything is multiplied; by a negative factor the ends change places and the error stays positive."""
    estimate = Estimate(
        value=2.0, standard_error=0.5, interval=Interval(1.0, 4.0, 0.95, "m"), degrees_of_freedom=7
    )

    turned = estimate.scaled(-10.0)

    assert (turned.value, turned.standard_error, turned.degrees_of_freedom) == (-20.0, 5.0, 7)
    assert turned.interval == Interval(-40.0, -10.0, 0.95, "m")
    assert Estimate(value=2.0).scaled(3.0) == Estimate(value=6.0)


def test_slopes_that_are_known_equally_well():
    """Lines with the same scatter differ by what their slopes differ, with twice the variance of one."""
    x = np.array([1.0, 2.0, 3.0, 4.0, 5.0])
    y = 2 * x + [0.1, -0.2, 0.1, 0.05, -0.05]

    result = slope_difference(fit(x, y + x), fit(x, y))

    assert result.statistic == pytest.approx(1 / (math.sqrt(2) * stats.linregress(x, y).stderr), rel=1e-9)
