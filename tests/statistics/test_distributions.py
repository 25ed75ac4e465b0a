"""Distribution functions and what is built of them against a general library."""

from __future__ import annotations

import math
from itertools import pairwise

import numpy as np
import pytest
from scipy import integrate, special, stats

from validator.statistics.distributions import (
    noncentral_t_lower_tail,
    noncentrality_for,
    student_interval,
    t_quantile,
)
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


def probability_by_integration(t, nu, delta):
    """P(T' <= t) as the mean of Φ(t·s - δ) over s = sqrt(χ²/ν), by adaptive quadrature."""
    constant = math.log(2) + nu / 2 * math.log(nu / 2) - math.lgamma(nu / 2)

    def integrand(s):
        return math.exp(constant + (nu - 1) * math.log(s) - nu * s * s / 2) * special.ndtr(t * s - delta)

    centre, width, highest = delta / t, 8 / t, 7 + 12 / math.sqrt(nu)
    ends = sorted({1e-300, max(centre - width, 1e-9), centre, centre + width, 1.0, highest})
    parts = (
        integrate.quad(integrand, low, high, epsabs=0, epsrel=1e-11, limit=200)[0]
        for low, high in pairwise(ends)
        if high <= highest
    )
    return sum(parts)


@pytest.mark.filterwarnings("ignore::scipy.integrate.IntegrationWarning")
@pytest.mark.parametrize(("alpha", "beta"), [(0.05, 0.05), (0.01, 0.01), (0.2, 0.001), (1e-6, 1e-6)])
@pytest.mark.parametrize("nu", [1, 2, 5, 9, 16, 30, 100, 1000])
def test_noncentrality_misses_with_beta(nu, alpha, beta):
    """At the noncentrality found, a test at alpha misses with beta to nine digits, however rare that is.

    scipy's own inverse does not end for ν = 1 and α = β = 1e-6, and is off by a third for ν = 9.
    """
    delta = noncentrality_for(alpha, beta, nu)

    missed = probability_by_integration(t_quantile(1 - alpha, nu), nu, delta)
    assert missed == pytest.approx(beta, rel=1e-9)


def test_noncentrality_with_a_known_sigma():
    """Without doubt of sigma it is the sum of two normal quantiles; many degrees of freedom come near it."""
    exact = stats.norm.ppf(0.95) + stats.norm.ppf(0.99)

    assert noncentrality_for(0.05, 0.01, math.inf) == pytest.approx(exact, rel=1e-14)
    assert noncentrality_for(0.05, 0.01, 1e7) == pytest.approx(exact, rel=1e-6)


@pytest.mark.parametrize("nu", [1, 3, 10])
def test_far_noncentrality_joins_the_near_one(nu):
    """The two ways to the probability agree where one takes over from the other."""
    near = noncentral_t_lower_tail(12_000.0, nu, 10_000.0)
    far = noncentral_t_lower_tail(12_000.0, nu, np.nextafter(10_000.0, np.inf))

    assert far == pytest.approx(near, rel=1e-7)
