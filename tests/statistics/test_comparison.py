"""Paired difference, variances, replicates of both methods."""

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats

from validator.errors import NotEstimable
from validator.statistics.comparison import error_variance_ratio, paired_difference, variance_ratio

numbers = st.lists(st.integers(900, 1100), min_size=5, max_size=5, unique=True)


@given(numbers, numbers)
@settings(deadline=None, max_examples=30)
def test_paired_agrees_with_scipy(this, reference):
    """Difference, t, p and interval are those of scipy.stats.ttest_rel."""
    if np.ptp(np.array(this) - np.array(reference)) == 0:
        return
    ours = paired_difference(this, reference, confidence=0.9)
    theirs = stats.ttest_rel(this, reference)
    limits = theirs.confidence_interval(0.9)

    assert ours.test.statistic == pytest.approx(theirs.statistic, rel=1e-9, abs=1e-12)
    assert ours.test.p == pytest.approx(theirs.pvalue, rel=1e-9)
    assert ours.mean_difference.interval.lower == pytest.approx(limits.low, rel=1e-9, abs=1e-9)


@pytest.mark.parametrize(
    ("this", "reference", "reason"),
    [
        ([1.0], [1.1], "1 pair of results"),
        ([0.3, 10.3], [0.2, 10.2], "the differences show no variation"),
    ],
)
def test_paired_refuses(this, reference, reason):
    """One pair, or differences that differ by binary rounding alone."""
    with pytest.raises(NotEstimable, match=reason):
        paired_difference(this, reference)


@pytest.mark.parametrize(("f", "nu1", "nu2"), [(0.2, 4, 9), (1.0, 4, 4), (3.0, 20, 5)])
def test_variances_are_symmetric(f, nu1, nu2):
    """Swapping the sides inverts the ratio and its interval and keeps p, which is that of scipy.stats."""
    ab, ba = variance_ratio(f, nu1, nu2), variance_ratio(1 / f, nu2, nu1)

    assert ab.ratio.value == pytest.approx(1 / ba.ratio.value)
    assert ab.ratio.interval.lower == pytest.approx(1 / ba.ratio.interval.upper)
    assert ab.test.p == pytest.approx(ba.test.p)
    assert ab.test.p == pytest.approx(min(1, 2 * min(stats.f.sf(f, nu1, nu2), stats.f.cdf(f, nu1, nu2))))


def test_error_ratio_from_replicates():
    """Pooled variances, each divided by the harmonic mean of its replicates."""
    r = error_variance_ratio(
        [[1.0, 1.2], [3.0, 3.4], [5.0]], [[1.0, 1.1, 1.2], [3.0, 3.1, 3.2], [5.0, 5.2, 5.4]]
    )

    assert (r.df_this, r.df_reference) == (2, 6)
    assert r.sd_this == pytest.approx(math.sqrt((0.02 + 0.08) / 2))
    assert r.sd_reference == pytest.approx(math.sqrt((0.02 + 0.02 + 0.08) / 6))
    harmonic = 3 / (1 / 2 + 1 / 2 + 1)
    assert r.value == pytest.approx((r.sd_this**2 / harmonic) / (r.sd_reference**2 / 3))


@pytest.mark.parametrize(
    ("this", "reason"),
    [
        ([[1.0], [2.0]], "no replicates are available for this method"),
        ([[1.0, 1.0], [2.0]], "the replicates of this method show no variation"),
    ],
)
def test_error_ratio_needs_replicates(this, reason):
    """Without replicates, or with identical ones, λ cannot be found."""
    with pytest.raises(NotEstimable, match=reason):
        error_variance_ratio(this, [[1.0, 1.1], [2.0, 2.1]])
