"""Distribution functions and what is built of them against a general library."""

from __future__ import annotations

import math

import pytest
from scipy import stats

from validator.statistics.distributions import student_interval
from validator.statistics.interval import Estimate, Interval
from validator.statistics.regression import fit


@pytest.mark.parametrize("level", [0.5, 0.9, 0.95, 0.99])
@pytest.mark.parametrize("nu", [1, 2.5, 16, math.inf])
def test_student_interval_at_another_level(level, nu):
    """The interval is that of scipy.stats at the level asked for; the rest of the estimate stays."""
    one = Interval(0.0, 1.0, 0.6, "another")
    found = student_interval(
        Estimate(value=3.0, standard_error=0.2, interval=one, degrees_of_freedom=nu), level
    )

    expected = stats.norm.interval(level, 3, 0.2) if math.isinf(nu) else stats.t.interval(level, nu, 3, 0.2)
    assert found.interval is not None
    assert (found.interval.lower, found.interval.upper) == pytest.approx(expected, rel=1e-12)
    assert (found.interval.level, found.interval.method) == (level, "Student t")
    assert (found.value, found.standard_error, found.degrees_of_freedom) == (3.0, 0.2, nu)


@pytest.mark.parametrize("bare", [Estimate(value=3.0), Estimate(value=3.0, standard_error=0.2)])
def test_an_estimate_without_doubt_keeps_none(bare):
    """Without a standard error or its degrees of freedom there is no interval to state."""
    assert student_interval(bare, 0.95) is bare


def test_the_interval_of_a_slope_is_that_of_a_fit_at_the_level():
    """A fit need not be repeated for its bounds at another level: they agree to the last digit."""
    x, y = [1.0, 2.0, 3.0, 4.0, 5.0], [0.9, 2.1, 2.9, 4.2, 4.8]

    assert student_interval(fit(x, y).slope, 0.9) == fit(x, y, confidence=0.9).slope
