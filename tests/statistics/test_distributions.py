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
    student,
    t_quantile,
)


@pytest.mark.parametrize("level", [0.5, 0.9, 0.95, 0.99])
@pytest.mark.parametrize("nu", [1, 2.5, 16, math.inf])
def test_interval_of_student(level, nu):
    """The interval is that of scipy.stats at the level asked for, whatever level it was made at."""
    found = student(3.0, 0.2, nu, 0.6)

    expected = stats.norm.interval(level, 3, 0.2) if math.isinf(nu) else stats.t.interval(level, nu, 3, 0.2)
    interval = found.interval.at(level)
    assert (interval.lower, interval.upper) == pytest.approx(expected, rel=1e-12)
    assert (interval.level, interval.method) == (level, "Student t")
    assert (found.value, found.standard_error, found.degrees_of_freedom) == (3.0, 0.2, nu)


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
