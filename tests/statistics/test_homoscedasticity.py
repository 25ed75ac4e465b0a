"""Tests of equal scatter over the levels."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats
from statsmodels.stats.diagnostic import het_breuschpagan

from validator.errors import NotEstimable
from validator.statistics.outliers import cochran
from validator.statistics.regression import fit
from validator.statistics.residuals import breusch_pagan, brown_forsythe, cochran_c, variance_ratio


def groups(seed, *, sizes=(6, 7, 8, 6), growth=0.3):
    rng = np.random.default_rng(seed)
    x = np.repeat(np.arange(1.0, len(sizes) + 1), sizes)
    return x, 2 * x + (1 + growth * x) * rng.standard_normal(x.size)


@pytest.mark.parametrize("seed", range(3))
def test_brown_forsythe_agrees_with_a_general_library(seed):
    """Statistic and p are those of scipy's Levene test about the median."""
    x, y = groups(seed)
    theirs = stats.levene(*(y[x == level] for level in np.unique(x)), center="median")
    ours = brown_forsythe(x, y)
    assert ours.statistic == pytest.approx(theirs.statistic, rel=1e-10)
    assert ours.p == pytest.approx(theirs.pvalue, rel=1e-9)
    assert ours.df == (3, 23)


@pytest.mark.parametrize("seed", range(3))
def test_breusch_pagan_agrees_with_a_general_library(seed):
    """Statistic and p are those of statsmodels in Koenker's form."""
    x, y = groups(seed)
    line = fit(x, y)
    statistic, p, *_ = het_breuschpagan(line.residuals, np.stack([np.ones_like(x), x], axis=1), robust=True)
    ours = breusch_pagan(line)
    assert ours.statistic == pytest.approx(statistic, rel=1e-9)
    assert ours.p == pytest.approx(p, rel=1e-9)


def test_breusch_pagan_of_a_weighted_fit_looks_at_weighted_residuals():
    """Weights that match the scatter leave nothing for the test; without them it rejects."""
    rng = np.random.default_rng(4)
    x = np.repeat([1.0, 2, 5, 10, 20, 50], 10)
    y = 3 * x + 0.1 * x * rng.standard_normal(x.size)
    assert breusch_pagan(fit(x, y)).p < 1e-4
    assert breusch_pagan(fit(x, y, weights=x**-2)).p > 0.1


def test_variance_ratio_compares_the_ends_of_the_range():
    """The larger variance stands above, p is two-sided, the critical value one of 99 %."""
    low, high = [1.0, 2, 4, 3], [10.0, 14, 20]
    x = [1] * 4 + [5] + [9] * 3
    test = variance_ratio(x, [*low, 7, *high])
    expected = np.var(high, ddof=1) / np.var(low, ddof=1)
    assert test.statistic == pytest.approx(expected)
    assert test.df == (2, 3)
    assert test.p == pytest.approx(2 * stats.f.sf(expected, 2, 3))
    assert test.critical == pytest.approx(stats.f.ppf(0.99, 2, 3))
    assert variance_ratio(x, [*(5 * np.array(low)), 7, *(0.01 * np.array(high))]).df == (3, 2)


def test_cochran_is_the_outlier_test_by_level():
    """C, p and critical value are those of the test on the groups; single points are left out."""
    x, y = groups(5, sizes=(3, 3, 1, 3))
    ours, theirs = cochran_c(x, y), cochran([y[:3], y[3:6], y[7:]])
    assert (ours.statistic, ours.p, ours.critical) == (theirs.statistic, theirs.p, theirs.critical)
    assert ours.df == (3, 2)


@settings(max_examples=30, deadline=None)
@given(seed=st.integers(0, 2**32 - 1), unit=st.sampled_from([1e-12, 1e-3, 1e12]), shift=st.floats(-5, 5))
def test_unit_and_offset_of_the_signal_do_not_matter(seed, unit, shift):
    """The statistics are ratios of variances."""
    x, y = groups(seed)
    z = (y + shift) * unit
    assert brown_forsythe(x, z).statistic == pytest.approx(brown_forsythe(x, y).statistic, rel=1e-8)
    assert variance_ratio(x, z).statistic == pytest.approx(variance_ratio(x, y).statistic, rel=1e-8)
    assert cochran_c(x, z).statistic == pytest.approx(cochran_c(x, y).statistic, rel=1e-8)
    after, before = breusch_pagan(fit(x * unit, z)), breusch_pagan(fit(x, y))
    assert after.statistic == pytest.approx(before.statistic, rel=1e-7, abs=1e-9)


SCATTER = "the replicates show no variation"


@pytest.mark.parametrize(
    ("test", "x", "y", "reason"),
    [
        (
            variance_ratio,
            [1, 1, 2],
            [1, 2, 3],
            "the lowest and the highest level are not both measured in replicate",
        ),
        (
            variance_ratio,
            [1, 1, 2, 2],
            [1, 1, 2, 3],
            "the replicates at one end of the range show no variation",
        ),
        (brown_forsythe, [1] * 6, [1] * 6, "fewer than 2 levels"),
        (brown_forsythe, [1] * 6 + [2] * 5, range(11), "a level has fewer than 6 replicates"),
        (brown_forsythe, [1] * 6 + [2] * 6, [0.1] * 6 + [0.3] * 6, SCATTER),
    ],
)
def test_says_what_is_missing(test, x, y, reason):
    """Designs that cannot carry a test are refused in a sentence."""
    with pytest.raises(NotEstimable) as no:
        test(x, list(y))
    assert no.value.reason == reason


def test_exact_fits_carry_no_breusch_pagan():
    """Without residuals there is no scatter to compare."""
    with pytest.raises(NotEstimable, match="exactly on the fitted function"):
        breusch_pagan(fit([1, 2, 3, 4], [2, 4, 6, 8]))


def test_breusch_pagan_keeps_its_level():
    """With constant scatter the test rejects at 5 % in 3 to 7 % of 2000 calibrations of 6 × 3 points."""
    rng = np.random.default_rng(6)
    x = np.repeat([1.0, 2, 5, 10, 20, 50], 3)
    rejected = sum(breusch_pagan(fit(x, x + rng.standard_normal(x.size))).p < 0.05 for _ in range(2000))
    assert 60 <= rejected <= 140
