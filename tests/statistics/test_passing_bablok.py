"""Passing–Bablok regression."""

import math
from fractions import Fraction
from itertools import combinations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats

from validator.errors import NotEstimable
from validator.statistics.passing_bablok import passing_bablok

whole = st.lists(st.tuples(st.integers(0, 30), st.integers(0, 30)), min_size=5, max_size=14)


def by_definition(pairs):
    """The 1983 algorithm in exact fractions, vertical pairs by the sign of y_i − y_j in the order given."""
    slopes = []
    for (x1, y1), (x2, y2) in combinations(pairs, 2):
        if x1 == x2:
            if y1 != y2:
                slopes.append(float("inf") if y1 > y2 else float("-inf"))
        elif Fraction(y1 - y2, x1 - x2) != -1:
            slopes.append(Fraction(y1 - y2, x1 - x2))
    slopes.sort()
    n, k = len(slopes), sum(s < -1 for s in slopes)
    if n % 2:
        rank = (n + 1) // 2 + k
        return slopes[rank - 1] if rank <= n else None
    if n // 2 + 1 + k > n or n == 0:
        return None
    return (slopes[n // 2 + k - 1] + slopes[n // 2 + k]) / 2


@given(whole)
@settings(deadline=None, max_examples=150)
def test_agrees_with_the_definition_in_exact_fractions(pairs):
    """Ties, vertical pairs and slopes of −1 included, the slope is that of the definition."""
    expected = by_definition(pairs)
    y, x = [p[1] for p in pairs], [p[0] for p in pairs]

    if expected is None or not 0 < expected < float("inf"):
        with pytest.raises(NotEstimable):
            passing_bablok(y, x)
    else:
        r = passing_bablok(y, x)
        assert r.slope.value == pytest.approx(float(expected), rel=1e-12)
        assert r.intercept.value == pytest.approx(
            float(np.median(np.array(y) - float(expected) * np.array(x)))
        )


@given(st.lists(st.integers(-30, 30), min_size=9, max_size=9))
@settings(deadline=None, max_examples=40)
def test_without_steep_falls_it_is_theil_sen(noise):
    """No slope below −1 and no ties: scipy's Theil–Sen slope and rank interval."""
    x = np.arange(9.0) * 100
    y = x + np.array(noise)
    r, theirs = passing_bablok(y, x), stats.theilslopes(y, x, 0.95)

    assert r.slope.value == pytest.approx(theirs.slope, rel=1e-12)
    assert (r.slope.interval.lower, r.slope.interval.upper) == pytest.approx(
        (theirs.low_slope, theirs.high_slope)
    )


@given(whole, st.randoms(use_true_random=False))
@settings(deadline=None, max_examples=60)
def test_order_of_samples_does_not_matter(pairs, random):
    """Vertical pairs change sign with the order; the result does not."""
    shuffled = list(pairs)
    random.shuffle(shuffled)

    def ask(rows):
        try:
            r = passing_bablok([p[1] for p in rows], [p[0] for p in rows])
        except NotEstimable as refusal:
            return str(refusal)
        return r.slope, r.intercept

    assert ask(shuffled) == ask(pairs)


def test_swapping_the_methods_inverts_the_slope():
    """Symmetric in the methods: slope and its limits become reciprocals."""
    rng = np.random.default_rng(2)
    t = rng.uniform(1, 9, 30)
    x, y = t + rng.normal(0, 0.3, 30), 1.1 * t + rng.normal(0, 0.3, 30)
    r, swapped = passing_bablok(y, x), passing_bablok(x, y)

    assert swapped.slope.value == pytest.approx(1 / r.slope.value, rel=1e-2)
    assert swapped.slope.interval.lower == pytest.approx(1 / r.slope.interval.upper, rel=1e-12)


@pytest.mark.parametrize("scale", [1e-12, 1e12])
def test_the_unit_does_not_matter(scale):
    """Both methods in another unit: same slope, scaled intercept."""
    x, y = np.array([1.0, 2.1, 2.9, 4.2, 5.0, 6.3]), np.array([1.2, 2.0, 3.3, 4.1, 5.4, 6.1])
    plain, scaled = passing_bablok(y, x), passing_bablok(y * scale, x * scale)

    assert scaled.slope.value == pytest.approx(plain.slope.value, rel=1e-9)
    assert scaled.intercept.value == pytest.approx(plain.intercept.value * scale, rel=1e-6)


def test_decimals_that_should_fall_with_minus_one_are_left_out():
    """0.3 − 0.2 against 0.1 − 0.2 is a slope of −1 in decimals and is left out although binary differs."""
    x, y = [0.2, 0.3, 1.0, 2.0, 3.0], [0.3, 0.2, 1.1, 2.1, 3.1]

    # The rank of the lower limit is round((N - 8.002)/2): 0, so open, for nine slopes, but 1 for ten.
    assert passing_bablok(y, x).slope.interval.lower == -math.inf


def test_few_samples_leave_open_limits():
    """Six samples at 99.9 %: the ranks run out and the limits are infinite."""
    r = passing_bablok([1.2, 2.0, 3.3, 4.1, 5.4, 6.1], [1, 2, 3, 4, 5, 6], confidence=0.999)

    assert not r.slope.interval.is_bounded
    assert not r.intercept.interval.is_bounded


def test_refuses_in_a_sentence():
    """Too few, one value, or no positive relation."""
    with pytest.raises(NotEstimable, match="4 samples; needs at least 5"):
        passing_bablok([1, 2, 3, 4], [1, 2, 3, 4])
    with pytest.raises(NotEstimable, match="one of the methods gave the same value for all samples"):
        passing_bablok([1, 2, 3, 4, 5], [1] * 5)
    with pytest.raises(NotEstimable, match="the results of the methods are not positively correlated"):
        passing_bablok([5, 4, 3, 2, 1], [1, 2.5, 3, 4.5, 5])


def test_exact_line_is_found_and_linearity_left_out():
    """All samples on a line: slope, closed interval, nothing on either side to test."""
    r = passing_bablok([1.5, 3.0, 4.5, 6.0, 7.5, 9.0], [1, 2, 3, 4, 5, 6])

    assert (r.slope.value, r.slope.interval.lower, r.slope.interval.upper) == (1.5, 1.5, 1.5)
    assert (r.intercept.value, r.linearity, r.linearity_p) == (0.0, None, None)


def test_linearity_written_out():
    """Scores, order and statistic of the cusum for a bent relation, by hand from the definition."""
    x = np.arange(1.0, 13.0)
    y = x + 0.08 * (x - 6.5) ** 2
    r = passing_bablok(y, x)

    e = y - r.intercept.value - r.slope.value * x
    above, below = int((e > 1e-12).sum()), int((e < -1e-12).sum())
    scores = [
        np.sqrt(below / above) if v > 1e-12 else -np.sqrt(above / below) if v < -1e-12 else 0 for v in e
    ]
    expected = np.abs(np.cumsum(scores)).max() / np.sqrt(below + 1)
    assert r.linearity.statistic == pytest.approx(expected)
    assert r.linearity_p == pytest.approx(stats.kstwobign.sf(expected))


def test_a_bend_is_seen():
    """Sixty samples on a clear curve: p below 1 %."""
    x = np.linspace(1, 10, 60)
    y = x + 0.1 * (x - 5.5) ** 2 + np.random.default_rng(3).normal(0, 0.1, 60)

    assert passing_bablok(y, x).linearity_p < 0.01


def test_interval_covers_and_linearity_keeps_to_what_is_said_of_it():
    """1500 studies of 50 samples: slope covered in 94 to 97.5 %, straight ones called bent in 2 to 10 %."""
    rng = np.random.default_rng(14)
    truth = rng.uniform(1, 10, (1500, 50))
    x, y = truth + rng.normal(0, 0.4, truth.shape), truth + rng.normal(0, 0.4, truth.shape)

    results = [passing_bablok(b, a) for a, b in zip(x, y, strict=True)]

    assert 0.94 <= np.mean([1.0 in r.slope.interval for r in results]) <= 0.975
    assert 0.02 <= np.mean([r.linearity_p < 0.05 for r in results]) <= 0.10


def test_more_samples_than_slopes_can_be_ranked_are_refused():
    """Slopes grow with the square of the samples; beyond ten thousand that is said before memory runs out."""
    x = np.linspace(1.0, 2.0, 10_001)

    with pytest.raises(
        NotEstimable,
        match=("10001 samples give 50005000 pairwise slopes, which is more than can be evaluated"),
    ) as refusal:
        passing_bablok(x, x)

    assert "10000 samples" in refusal.value.needs
