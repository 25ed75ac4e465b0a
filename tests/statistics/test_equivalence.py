"""Two one-sided tests."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats
from statsmodels.stats.weightstats import ttost_paired

from validator.errors import NotEstimable
from validator.statistics.equivalence import (
    equivalence_of_mean,
    equivalence_of_ratio,
    two_one_sided_tests,
    welch_difference,
)

results = st.lists(st.integers(900, 1100), min_size=3, max_size=8, unique=True)


def test_one_mean_agrees_with_statsmodels():
    """Paired differences give the p of statsmodels ttost_paired."""
    a, b = np.array([10.1, 9.8, 10.4, 10.0, 9.9]), np.array([10.0, 9.9, 10.1, 10.2, 9.7])

    ours = equivalence_of_mean(a - b, lower=-0.3, upper=0.3)

    assert ours.p == pytest.approx(ttost_paired(a, b, -0.3, 0.3)[0], rel=1e-9)


@given(st.floats(-3, 3), st.floats(0.1, 2), st.floats(1, 50))
@settings(deadline=None, max_examples=60)
def test_tests_and_interval_agree(d, u, nu):
    """Equivalence passes exactly when the interval at 1 − 2α lies between the bounds."""
    outcome = two_one_sided_tests(d, u, nu, lower=-2, upper=2)
    margin = 2 - abs(d) - stats.t.ppf(0.95, nu) * u

    assert outcome.passes == (margin > 0) or abs(margin) < 1e-9


def test_ratio_uses_the_variance_at_the_bound():
    """The p of the ratio form, written out with scipy's t distribution."""
    a, b = np.array([9.6, 9.7, 9.5, 9.8]), np.array([10.0, 10.2, 9.9])
    v1, v2 = a.var(ddof=1) / 4, b.var(ddof=1) / 3

    ours = equivalence_of_ratio(a, b, lower=0.9, upper=1.1)

    u = np.sqrt(v1 + 0.81 * v2)
    nu = (v1 + 0.81 * v2) ** 2 / (v1**2 / 3 + (0.81 * v2) ** 2 / 2)
    assert ours.p_lower == pytest.approx(stats.t.sf((a.mean() - 0.9 * b.mean()) / u, nu), rel=1e-9)
    assert ours.passes


def test_rejects_at_the_bound_with_alpha():
    """10⁴ simulations with the true difference on the bound: equivalence is claimed in 4 to 6 %."""
    rng = np.random.default_rng(11)
    a, b = rng.normal(1, 0.2, (10_000, 6)), rng.normal(0, 0.4, (10_000, 6))

    claimed = 0
    for x, y in zip(a, b, strict=True):
        d = welch_difference(x, y)
        outcome = two_one_sided_tests(d.value, d.value / d.t, d.degrees_of_freedom, lower=-1, upper=1)
        claimed += outcome.passes

    assert 0.04 <= claimed / 10_000 <= 0.06


def test_refuses_what_cannot_be_tested():
    """No scatter, one value, no positive reference; bounds or α out of order are the caller's error."""
    with pytest.raises(NotEstimable, match="the results show no variation"):
        two_one_sided_tests(0, 0.0, 5, lower=-1, upper=1)
    with pytest.raises(NotEstimable, match="only one value is available; needs at least 2"):
        equivalence_of_mean([1.0], lower=-1, upper=1)
    with pytest.raises(NotEstimable, match="the reference mean is not positive"):
        equivalence_of_ratio([1.0, 2.0], [-1.0, -2.0], lower=0.9, upper=1.1)
    with pytest.raises(ValueError, match="lower bound must be below"):
        two_one_sided_tests(0, 1.0, 5, lower=1, upper=1)
    with pytest.raises(ValueError, match="alpha"):
        two_one_sided_tests(0, 1.0, 5, lower=-1, upper=1, alpha=0.6)
