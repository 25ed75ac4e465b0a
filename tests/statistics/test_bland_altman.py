"""Limits of agreement."""

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats

from validator.errors import NotEstimable
from validator.statistics.comparison import bland_altman

numbers = st.lists(st.integers(900, 1100), min_size=6, max_size=6, unique=True)


@given(numbers)
@settings(deadline=None, max_examples=30)
def test_limits_and_their_exact_intervals(this):
    """Bias ± 1.96 s, with the noncentral t of scipy.stats in the intervals."""
    reference = [1000, 950, 1050, 1010, 1033, 987]
    d = np.array(this) - np.array(reference)
    r = bland_altman(this, reference)

    s, z = d.std(ddof=1), stats.norm.ppf(0.975)
    assert (r.lower.value, r.upper.value) == pytest.approx((d.mean() - z * s, d.mean() + z * s))
    far = stats.nct.ppf(0.975, 5, z * math.sqrt(6)) / math.sqrt(6)
    near = stats.nct.ppf(0.025, 5, z * math.sqrt(6)) / math.sqrt(6)
    assert (r.upper.interval.lower, r.upper.interval.upper) == pytest.approx(
        (d.mean() + near * s, d.mean() + far * s), rel=1e-7
    )
    assert (r.lower.interval.lower, r.lower.interval.upper) == pytest.approx(
        (d.mean() - far * s, d.mean() - near * s), rel=1e-7
    )
    regression = stats.linregress((np.array(this) + np.array(reference)) / 2, d)
    assert r.proportional_bias.value == pytest.approx(regression.slope, rel=1e-9, abs=1e-12)
    assert r.proportional_bias_test.p == pytest.approx(regression.pvalue, rel=1e-7)


def test_percent_scale():
    """Differences in percent of the mean of the two methods."""
    r = bland_altman([11.0, 21.0, 29.0], [10.0, 20.0, 30.0], scale="percent")

    assert r.differences == pytest.approx((100 / 10.5, 100 / 20.5, -100 / 29.5))
    assert r.bias.value == pytest.approx(np.mean(r.differences))


@given(numbers, st.sampled_from([1e-12, 1e12]))
@settings(deadline=None, max_examples=20)
def test_swapping_and_unit(this, scale):
    """Swapping the methods mirrors the limits; a unit scales them."""
    reference = np.array([1000, 950, 1050, 1010, 1033, 987])
    plain = bland_altman(this, reference)
    mirrored = bland_altman(reference * scale, np.array(this) * scale)

    assert mirrored.lower.value == pytest.approx(-plain.upper.value * scale, rel=1e-9)
    assert mirrored.lower.interval.lower == pytest.approx(-plain.upper.interval.upper * scale, rel=1e-9)


def test_ten_thousand_samples():
    """The exact interval holds for large n."""
    rng = np.random.default_rng(1)
    x = rng.uniform(1, 100, 10_000)
    r = bland_altman(x + rng.normal(1, 2, 10_000), x)

    assert 1 + 1.959964 * 2 in r.upper.interval
    assert r.upper.interval.upper - r.upper.interval.lower < 0.2


def test_degenerate_data():
    """Too few, no scatter, means not positive on the percent scale; equal means leave the slope out."""
    with pytest.raises(NotEstimable, match="2 samples; needs at least 3"):
        bland_altman([1, 2], [1, 3])
    with pytest.raises(NotEstimable, match="the differences show no variation"):
        bland_altman([1.1, 2.1, 3.1], [1.0, 2.0, 3.0])
    with pytest.raises(NotEstimable, match="a mean result is not positive"):
        bland_altman([-1, 2, 3], [0.5, 2.5, 3], scale="percent")
    flat = bland_altman([1.0, 2.0, 3.0], [3.0, 2.0, 1.0])
    assert (flat.proportional_bias, flat.proportional_bias_test) == (None, None)
    exact = bland_altman([1.1, 2.2, 3.3, 4.4], [1.0, 2.0, 3.0, 4.0])
    assert exact.proportional_bias.value == pytest.approx(0.1 / 1.05)
    assert exact.proportional_bias_test is None


def test_intervals_of_the_limits_cover():
    """10⁴ studies of 12 samples: the interval of a limit covers it in 94 to 96 %, each side missed alike."""
    rng = np.random.default_rng(12)
    x = rng.uniform(10, 20, (10_000, 12))
    y = x + rng.normal(0.5, 1.0, x.shape)
    truth = 0.5 + stats.norm.ppf(0.975)

    intervals = [bland_altman(a, b).upper.interval for a, b in zip(y, x, strict=True)]

    above = np.mean([truth > i.upper for i in intervals])
    below = np.mean([truth < i.lower for i in intervals])
    assert 0.04 <= above + below <= 0.06
    assert abs(above - below) <= 0.01
