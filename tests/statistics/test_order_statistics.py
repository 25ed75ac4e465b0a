"""The median and its distribution-free interval."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy import stats

from validator.errors import NotEstimable
from validator.statistics.sample import median


@pytest.mark.parametrize(("n", "ranks"), [(6, (1, 6)), (10, (2, 9)), (20, (6, 15)), (100, (40, 61))])
def test_the_ends_are_the_ranks_of_the_tables(n, ranks):
    """The largest k with 2·P(Bin ≤ k) ≤ 0.05, by the table of the sign test and by scipy.stats.

    Ranks as tabulated by Conover, Practical Nonparametric Statistics (from memory).
    """
    k = max(k for k in range(n) if 2 * stats.binom.cdf(k, n, 0.5) <= 0.05)

    found = median(np.arange(1.0, n + 1))

    assert (found.interval.lower, found.interval.upper) == ranks
    assert ranks == (k + 1, n - k)


def test_too_few_values_leave_the_interval_open():
    """Five values cannot bound a median with 95 %."""
    found = median([3.0, 1.0, 2.0, 5.0, 4.0])

    assert found.value == 3.0
    assert (found.interval.lower, found.interval.upper) == (-math.inf, math.inf)


def test_the_interval_covers_the_median_as_often_as_it_says():
    """A skewed distribution: at least 95 % of 2000 samples, and no more than the discrete ranks give."""
    rng = np.random.default_rng(1)
    true = stats.chi2.ppf(0.5, 3)

    covered = sum(true in median(rng.chisquare(3, 60)).interval for _ in range(2000)) / 2000

    assert 0.945 <= covered <= 0.985


def test_no_value_has_no_median():
    """An empty sample, or one with what is no number."""
    for values in ([], [1.0, math.nan]):
        with pytest.raises(NotEstimable):
            median(values)
