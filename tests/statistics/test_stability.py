"""Stability over time."""

import math

import numpy as np
import pytest
from scipy import optimize, stats
from statsmodels.regression.linear_model import OLS
from statsmodels.tools import add_constant

from validator.characteristics.stability.statistic import first_versus_last, stability_trend, time_until
from validator.errors import NotEstimable

TIME = np.array([0.0, 0.0, 1.0, 2.0, 4.0, 7.0, 7.0])
FOUND = np.array([10.0, 10.1, 9.95, 9.9, 9.8, 9.6, 9.65])


def test_guarded_time_is_where_the_confidence_limit_meets_the_allowed_change():
    """One-sided limit of a·δ + b·τ from the covariance of statsmodels OLS is zero at the guarded time."""
    r = stability_trend(TIME, FOUND, allowed_percent=5)
    fit = OLS(FOUND, add_constant(TIME)).fit()

    def limit(tau):
        c = np.array([0.05, tau])
        return c @ fit.params - stats.t.ppf(0.95, 5) * math.sqrt(c @ fit.cov_params() @ c)

    assert r.time_point == pytest.approx(-0.05 * fit.params[0] / fit.params[1], rel=1e-9)
    assert r.time_guarded == pytest.approx(optimize.brentq(limit, 0, 50), rel=1e-7)
    assert r.time_guarded < r.time_point
    assert r.shown_guarded == 7.0


def test_change_at_the_end_with_its_bound():
    """Change over the time tested, and the one-sided limit on the side of a decrease, which decides."""
    r = stability_trend(TIME, FOUND, allowed_percent=5)

    assert r.change_at_end.value == pytest.approx(7 * r.change_per_time.value)
    bound = r.change_at_end.interval.one_sided.lower
    assert r.change_at_end.interval.lower < bound < r.change_at_end.value < 0
    assert r.time_guarded == pytest.approx(5 / -bound * 7)


def test_direction_decides_which_change_counts():
    """A falling result never reaches an allowed increase; either direction uses the two-sided limits."""
    up = stability_trend(TIME, FOUND, allowed_percent=5, direction="increase")
    either = stability_trend(TIME, FOUND, allowed_percent=5, direction="either")
    down = stability_trend(TIME, FOUND, allowed_percent=5)

    assert (up.time_point, up.time_guarded, up.shown_guarded) == (None, None, 7.0)
    assert either.time_point == pytest.approx(down.time_point)
    assert either.time_guarded == pytest.approx(5 / (-100 * down.trend.slope.interval.lower))
    assert either.time_guarded < down.time_guarded


def test_rising_results_in_either_direction():
    """A rise is bounded by the upper limit."""
    r = stability_trend(TIME, 20 - FOUND, allowed_percent=5, direction="either")

    assert r.time_guarded == pytest.approx(5 / (100 * r.trend.slope.interval.upper))


def test_short_guarded_time_is_shown_as_such():
    """When the limit is met within the time tested, that time is the answer."""
    r = stability_trend(TIME, FOUND, allowed_percent=2)

    assert r.shown_guarded == r.time_guarded < r.time_point < 7


def test_times_count_from_the_first():
    """Starting the clock at 100 changes nothing but the start."""
    early, late = (stability_trend(TIME + shift, FOUND, allowed_percent=5) for shift in (0, 100))

    assert late.trend.start == 100
    assert late.time_guarded == pytest.approx(early.time_guarded, rel=1e-9)


def test_allowed_change_must_be_positive():
    """Zero or less is the caller's error; a rate of zero never arrives."""
    with pytest.raises(ValueError, match="allowed change must be positive"):
        stability_trend(TIME, FOUND, allowed_percent=0)
    assert time_until(0.0, 5) is None


def test_first_against_last():
    """Change of the last results relative to the first, and equivalence within the allowed change."""
    wide = first_versus_last(TIME, FOUND, allowed_percent=10)
    narrow = first_versus_last(TIME, FOUND, allowed_percent=4)

    assert wide.change.change.value == pytest.approx(100 * (9.625 / 10.05 - 1))
    assert wide.equivalence.passes
    assert not narrow.equivalence.passes


def test_first_against_last_without_replicates():
    """One result on a side: the change, no equivalence, and why."""
    r = first_versus_last([0, 1, 2], [10.0, 9.9, 9.7], allowed_percent=5)

    assert (r.equivalence, r.change.reason) == (None, "both groups have a single result")
    assert r.change.change.value == pytest.approx(-3.0)


@pytest.mark.parametrize("time", [[], [1.0, 1.0]])
def test_first_against_last_needs_two_times(time):
    """A single time is refused."""
    with pytest.raises(NotEstimable, match="results are available at one time only"):
        first_versus_last(time, [1.0] * len(time), allowed_percent=5)


def test_guarded_time_keeps_its_promise():
    """10⁴ studies: the true time is below the guarded one in 4 to 6 %."""
    rng = np.random.default_rng(15)
    time = np.repeat([0.0, 1.0, 2.0, 4.0, 7.0], 2)
    data = 10 * (1 - 0.01 * time) + rng.normal(0, 0.1, (10_000, 10))

    guarded = [stability_trend(time, row, allowed_percent=5).time_guarded for row in data]

    assert 0.04 <= np.mean([g is None or g > 5.0 for g in guarded]) <= 0.06
