"""Two means with unequal variances."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats

from validator.errors import NotEstimable
from validator.statistics.equivalence import fieller_ratio_of_means, welch_difference

sides = st.lists(st.integers(900, 1100), min_size=3, max_size=8, unique=True)


@given(sides, sides)
@settings(deadline=None, max_examples=40)
def test_agrees_with_scipy(first, second):
    """t, p and ν are those of scipy.stats.ttest_ind with unequal variances."""
    ours = welch_difference(first, second)
    theirs = stats.ttest_ind(first, second, equal_var=False)

    assert ours.t == pytest.approx(theirs.statistic, rel=1e-9, abs=1e-12)
    assert ours.p == pytest.approx(theirs.pvalue, rel=1e-9)
    assert ours.degrees_of_freedom == pytest.approx(theirs.df, rel=1e-9)


def test_fieller_limits_satisfy_their_definition():
    """At either limit ρ the statistic |ȳ1 − ρ ȳ2|/sqrt(v1 + ρ² v2) equals t."""
    a, b = np.array([10.2, 9.9, 10.6, 10.1]), np.array([8.1, 7.7, 8.4])
    ratio, _, interval, nu = fieller_ratio_of_means(a, b)
    v1, v2 = a.var(ddof=1) / 4, b.var(ddof=1) / 3

    for rho in (interval.lower, interval.upper):
        t = abs(a.mean() - rho * b.mean()) / np.sqrt(v1 + rho**2 * v2)
        assert t == pytest.approx(stats.t.ppf(0.975, nu), rel=1e-9)
    assert ratio == pytest.approx(a.mean() / b.mean())
    assert ratio in interval


def test_fieller_is_unbounded_when_the_denominator_may_be_zero():
    """A denominator that is not significant gives no finite limit."""
    _, _, interval, _ = fieller_ratio_of_means([5.0, 6.0, 7.0], [-1.0, 0.5, 1.0])

    assert not interval.is_bounded
    assert interval.method == "Fieller, unbounded"


@pytest.mark.parametrize(
    ("first", "second", "message"),
    [
        (
            [1.0],
            [1.0, 2.0],
            "one of the two groups has a single result; needs at least 2 independent results in each group",
        ),
        (
            [1.0],
            [2.0],
            ("both groups have a single result; needs at least 2 independent results in each group"),
        ),
        (
            [1.0, 1.0],
            [2.0, 2.0],
            (
                "the results in both groups show no variation; needs results recorded with sufficient "
                "resolution"
            ),
        ),
    ],
)
def test_says_what_is_missing(first, second, message):
    """Single results and results without scatter are refused in a sentence."""
    with pytest.raises(NotEstimable) as refusal:
        welch_difference(first, second)
    assert str(refusal.value) == message


def test_refuses_a_ratio_to_zero():
    """A denominator of exactly zero has no ratio; neither has a constant zero numerator an error."""
    with pytest.raises(NotEstimable, match="the reference mean is zero"):
        fieller_ratio_of_means([1.0, 2.0], [-1.0, 1.0])
    with pytest.raises(NotEstimable, match="the results are all zero"):
        fieller_ratio_of_means([0.0, 0.0], [1.0, 2.0])


@pytest.mark.parametrize("scale", [1e-12, 1e12])
def test_the_unit_does_not_matter(scale):
    """Ratio and interval are free of the unit."""
    a, b = np.array([10.2, 9.9, 10.6]), np.array([8.1, 7.7, 8.4])

    plain, scaled = fieller_ratio_of_means(a, b), fieller_ratio_of_means(a * scale, b * scale)

    assert scaled[0] == pytest.approx(plain[0], rel=1e-12)
    assert scaled[2].upper == pytest.approx(plain[2].upper, rel=1e-9)


def test_ratio_interval_covers():
    """10⁴ simulated ratios with unequal variances: 95 % intervals cover 94 to 96 %."""
    rng = np.random.default_rng(41)
    a = rng.normal(95, 4, (10_000, 5))
    b = rng.normal(100, 2, (10_000, 4))

    hits = sum(0.95 in fieller_ratio_of_means(x, y)[2] for x, y in zip(a, b, strict=True))

    assert 0.94 <= hits / 10_000 <= 0.96
