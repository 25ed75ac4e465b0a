"""How many further results would decide: the number is checked by adding exactly that many."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy import stats

from validator.assessment.judging import Limit, judge
from validator.assessment.remedy import MOST, further_results
from validator.evaluation.results import EstimateRecord


def deviation(s, nu, confidence=0.95):
    """A standard deviation with the intervals of chi-squared (ISO 2854:1976)."""

    def bounds(level):
        tails = stats.chi2.ppf([0.5 + level / 2, 0.5 - level / 2], nu)
        return tuple(float(s * math.sqrt(nu / tail)) for tail in tails)

    return EstimateRecord(
        value=s, ci=bounds(confidence), one_sided=bounds(2 * confidence - 1), degrees_of_freedom=nu
    )


def mean(value, sd, n, confidence=0.95):
    """A mean of *n* results of that standard deviation, Student's intervals."""

    def bounds(level):
        half = float(stats.t.ppf(0.5 + level / 2, n - 1)) * sd / math.sqrt(n)
        return value - half, value + half

    return EstimateRecord(
        value=value,
        standard_error=sd / math.sqrt(n),
        ci=bounds(confidence),
        one_sided=bounds(2 * confidence - 1),
        degrees_of_freedom=n - 1,
    )


@pytest.mark.parametrize("nu", [3, 5, 11])
@pytest.mark.parametrize(("s", "limit"), [(2.0, 3.0), (2.0, 2.5), (4.0, 3.0)])
def test_a_standard_deviation_is_decided_by_that_many_more(nu, s, limit):
    """With the number added the outcome is decided, with one less it is still open."""
    at_most = Limit(upper=limit)
    assert judge(deviation(s, nu), at_most, "guarded").outcome == "inconclusive"

    more = further_results(deviation(s, nu), at_most, "deviation", 0.95)

    decided = "meets" if s < limit else "does not meet"
    assert judge(deviation(s, nu + more), at_most, "guarded").outcome == decided
    assert judge(deviation(s, nu + more - 1), at_most, "guarded").outcome == "inconclusive"


@pytest.mark.parametrize(
    "limit", [Limit(90.0, 110.0), Limit(lower=97.0), Limit(upper=103.0), Limit(100.5, 110.0)]
)
@pytest.mark.parametrize("n", [3, 6])
def test_a_mean_is_decided_by_that_many_more(limit, n):
    """Two-sided limits by the two-sided interval, limits on one side by the bound on that side."""
    value, sd = (101.5, 6.0) if limit.lower == 100.5 else (100.0, 12.0)
    assert judge(mean(value, sd, n), limit, "guarded").outcome == "inconclusive"

    more = further_results(mean(value, sd, n), limit, "mean", 0.95)

    assert judge(mean(value, sd, n + more), limit, "guarded").outcome == "meets"
    assert judge(mean(value, sd, n + more - 1), limit, "guarded").outcome == "inconclusive"


RUNS = 40_000


@pytest.mark.parametrize(("s", "limit", "nu"), [(7, 10, 5), (8, 10, 11), (9, 10, 5), (13, 10, 5)])
def test_a_scatter_is_shown_with_the_stated_chance(s, limit, nu):
    """Drawn with the scatter found: that many decide every second time, the larger number nine in ten."""
    rng = np.random.default_rng(41)
    at_most = Limit(upper=limit)

    shares = []
    for chance in (None, 0.9):
        m = further_results(deviation(s, nu), at_most, "deviation", 0.95, chance=chance)
        pooled = s * np.sqrt((nu + rng.chisquare(m, RUNS)) / (nu + m))
        p = 0.05 if s < limit else 0.95
        bound = pooled * math.sqrt((nu + m) / stats.chi2.ppf(p, nu + m))
        shares.append(np.mean(bound <= limit if s < limit else bound > limit))

    assert 0.40 <= shares[0] <= 0.65
    assert 0.88 <= shares[1] <= 0.93


@pytest.mark.parametrize(
    ("value", "sd", "n", "limit"),
    [
        (100.0, 12.0, 6, Limit(90.0, 110.0)),
        (95.0, 8.0, 6, Limit(lower=90.0)),
        (98.0, 12.0, 5, Limit(90.0, 110.0)),
        (101.5, 6.0, 6, Limit(upper=103.0)),
    ],
)
def test_a_mean_is_shown_with_the_stated_chance(value, sd, n, limit):
    """Drawn about the mean found: that many decide every second time, the larger number nine in ten."""
    rng = np.random.default_rng(42)

    shares = []
    for chance in (None, 0.9):
        m = further_results(mean(value, sd, n), limit, "mean", 0.95, chance=chance)
        new = value + sd / math.sqrt(m) * rng.standard_normal(RUNS)
        squares = (n - 1) * sd**2 + n * m / (n + m) * (new - value) ** 2
        if m > 1:
            squares += sd**2 * rng.chisquare(m - 1, RUNS)
        middle = (n * value + m * new) / (n + m)
        t = stats.t.ppf(0.95 if limit.is_one_sided else 0.975, n + m - 1)
        half = t * np.sqrt(squares / (n + m - 1) / (n + m))
        inside = np.ones(RUNS, dtype=bool)
        if limit.lower is not None:
            inside &= middle - half >= limit.lower
        if limit.upper is not None:
            inside &= middle + half <= limit.upper
        shares.append(np.mean(inside))

    assert 0.40 <= shares[0] <= 0.65
    assert 0.87 <= shares[1] <= 0.97


def test_a_figure_on_its_limit_is_not_decided_by_more_data():
    """Where the number would be absurd there is none: the figure lies too close to the limit."""
    assert further_results(deviation(2.99, 5), Limit(upper=3.0), "deviation", 0.95) is None
    assert further_results(mean(100.0, 5.0, 6), Limit(upper=100.0), "mean", 0.95) is None
    assert MOST <= 10_000


@pytest.mark.parametrize(
    ("estimate", "kind"),
    [
        (EstimateRecord(value=None), "mean"),
        (EstimateRecord(value=2.0), "deviation"),
        (EstimateRecord(value=2.0, ci=(1.0, 4.0)), "deviation"),
        (EstimateRecord(value=2.0, ci=(1.0, 4.0), degrees_of_freedom=5), "mean"),
        (EstimateRecord(value=0.5, ci=(0.1, 4.0), degrees_of_freedom=5), "bound"),
        (EstimateRecord(value=0.5, ci=(0.1, 4.0), degrees_of_freedom=5), "probability"),
    ],
    ids=["no figure", "no interval", "no degrees", "no error of the mean", "bound", "probability"],
)
def test_what_cannot_be_planned_gives_no_number(estimate, kind):
    """Without an interval of a known kind nothing is promised."""
    assert further_results(estimate, Limit(upper=3.0), kind, 0.95) is None
