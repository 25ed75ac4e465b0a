"""Algorithms A and S."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import integrate, stats
from statsmodels.robust.scale import Huber

from validator.errors import NotEstimable
from validator.statistics.interlaboratory import algorithm_a, algorithm_s, algorithm_s_factors


def test_algorithm_a_is_hubers_second_proposal():
    """The Huber estimator of statsmodels (c = 1.5) solves the same equations with 1.1336 for 1.134."""
    values = np.array([4.5, 4.9, 5.6, 4.2, 6.2, 5.2, 9.9, 5.0, 5.5])
    mean, scale = Huber(c=1.5, tol=1e-10, maxiter=200)(values)

    result = algorithm_a(values)

    assert result.mean == pytest.approx(float(mean), rel=1e-3)
    assert result.sd == pytest.approx(float(scale), rel=2e-3)


@settings(max_examples=40, deadline=None)
@given(st.integers(0, 10**6), st.sampled_from([1e-9, 1.0, 1e9]), st.floats(-50, 50))
def test_algorithm_a_is_a_fixed_point_and_follows_unit_and_origin(seed, factor, shift):
    """Put back into its definition the result stays; scaled data give scaled results."""
    values = np.random.default_rng(seed).standard_t(3, size=11)
    result = algorithm_a(values)

    winsorised = np.clip(values, result.mean - 1.5 * result.sd, result.mean + 1.5 * result.sd)
    assert winsorised.mean() == pytest.approx(result.mean, abs=1e-8)
    assert 1.134 * winsorised.std(ddof=1) == pytest.approx(result.sd, rel=1e-8)

    moved = algorithm_a((values + shift) * factor)
    assert moved.mean == pytest.approx((result.mean + shift) * factor, rel=1e-7, abs=1e-7 * factor)
    assert moved.sd == pytest.approx(result.sd * factor, rel=1e-7)
    assert result.standard_error == pytest.approx(1.25 * result.sd / math.sqrt(11))


def test_algorithm_a_refuses_what_has_no_robust_scatter():
    """Two values, or more than half of them equal, have no robust standard deviation."""
    with pytest.raises(NotEstimable, match="only 2 values"):
        algorithm_a([1.0, 2.0])
    with pytest.raises(NotEstimable, match="more than half of the values are identical"):
        algorithm_a([1.0, 1.0, 1.0, 5.0])


@pytest.mark.parametrize("nu", [1, 3, 8])
def test_factors_of_algorithm_s_keep_the_mean_of_winsorised_variances(nu):
    """ξ² E(min(w², η²)) = 1 for w² = χ²/ν, by quadrature, and η is passed with probability 0.1."""
    eta, xi = algorithm_s_factors(nu)

    kept, _ = integrate.quad(lambda v: v / nu * stats.chi2.pdf(v, nu), 0, nu * eta**2)

    assert xi**2 * (kept + 0.1 * eta**2) == pytest.approx(1, rel=1e-8)
    assert stats.chi2.sf(nu * eta**2, nu) == pytest.approx(0.1)


def test_algorithm_s_pools_and_resists():
    """Equal standard deviations give ξ times their value; one wild value is held at η."""
    eta, xi = algorithm_s_factors(2)

    assert algorithm_s([1.0, 1.1, 0.9, 1.0], 2) == pytest.approx(xi * math.sqrt(4.02 / 4))
    held = algorithm_s([1.0, 1.1, 0.9, 50.0], 2)
    assert held == pytest.approx(xi * math.sqrt((3.02 + (eta * held) ** 2) / 4))


def test_algorithm_s_refuses_nothing_and_nil():
    """No standard deviation, or mostly zeros."""
    with pytest.raises(NotEstimable, match="no standard deviation is available"):
        algorithm_s([], 2)
    with pytest.raises(NotEstimable, match=("more than half of the cells have a standard deviation of zero")):
        algorithm_s([0.0, 0.0, 0.0, 1.0], 2)
