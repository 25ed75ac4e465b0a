"""Probabilities of clearing a limit, against simulation of their own definition and against scipy.stats."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats

from validator.statistics.power import probability_deviation_within, probability_mean_within

N = 40_000


@pytest.mark.parametrize(("ratio", "nu"), [(0.5, 5), (0.6, 12), (0.8, 40), (1.0, 12)])
def test_a_deviation_clears_its_limit_as_often_as_drawn_ones_do(ratio, nu):
    """Of drawn s the share whose chi-squared bound (ISO 2854:1976, from memory) lies below the limit."""
    rng = np.random.default_rng(nu)
    s = ratio * np.sqrt(rng.chisquare(nu, N) / nu)
    bound = s * math.sqrt(nu / stats.chi2.ppf(0.05, nu))

    share = np.count_nonzero(bound <= 1) / N

    p = probability_deviation_within(ratio, nu, 0.95)
    assert share == pytest.approx(p, abs=4 * math.sqrt(p * (1 - p) / N) + 1e-4)


def test_a_deviation_at_its_limit_is_shown_to_lie_within_it_as_rarely_as_the_guard_says():
    """At the limit the guarded decision is wrong with 1 - confidence, whatever the number of results."""
    for nu in (2, 7, 60):
        assert probability_deviation_within(1.0, nu, 0.95) == pytest.approx(0.05, rel=1e-9)


def test_a_simple_decision_compares_the_estimate_itself():
    """P(s ≤ L) is the chi-squared probability of ν(L/σ)²."""
    found = probability_deviation_within(0.8, 9, None)

    assert found == pytest.approx(stats.chi2.cdf(9 / 0.64, 9), rel=1e-12)


@pytest.mark.parametrize(
    ("mean", "sd", "n", "limits"),
    [
        (98, 6, 6, (80, 120)),
        (95, 8, 9, (90, math.inf)),
        (103, 2, 4, (-math.inf, 105)),
        (100, 15, 5, (80, 120)),
    ],
)
def test_a_mean_clears_its_limits_at_least_as_often_as_stated(mean, sd, n, limits):
    """Never above the share of drawn t intervals inside; equal to it where one limit is open."""
    rng = np.random.default_rng(n)
    x = mean + sd * rng.standard_normal((N, n))
    half = stats.t.ppf(0.975, n - 1) * x.std(axis=1, ddof=1) / math.sqrt(n)
    centre = x.mean(axis=1)

    share = np.count_nonzero((centre - half >= limits[0]) & (centre + half <= limits[1])) / N

    p = probability_mean_within(mean, sd, n, limits, 0.95)
    error = 4 * math.sqrt(max(share * (1 - share), 1e-4) / N)
    assert p <= share + error
    if math.inf in map(abs, limits):
        assert p == pytest.approx(share, abs=error)


def test_a_simple_decision_on_a_mean_has_no_doubt_of_the_deviation():
    """Without a guard the normal distribution of the mean decides."""
    found = probability_mean_within(98, 6, 9, (95, math.inf), None)

    assert found == pytest.approx(stats.norm.cdf(3 / 2), rel=1e-12)


@settings(deadline=None, max_examples=60)
@given(
    mean=st.floats(80.5, 119.5),
    sd=st.floats(1e-6, 50),
    n=st.integers(2, 200),
    confidence=st.sampled_from([0.9, 0.95, 0.99]),
)
def test_every_probability_is_one(mean, sd, n, confidence):
    """Also where the noncentral t lies beyond what its series can give: within 0 and 1, sure when sure."""
    p = probability_mean_within(mean, sd, n, (80, 120), confidence)

    assert 0 <= p <= 1
    if sd < 1e-3:
        assert p == pytest.approx(1, abs=1e-3)
