"""Devices × readings."""

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats

from validator.errors import NotEstimable
from validator.statistics.precision import device_to_device

READINGS = [[10.0, 10.1, 9.9], [10.5, 10.4, 10.7], [9.5, 9.6, 9.3], [10.2, 10.0, 10.1]]


def test_components_of_a_balanced_layout():
    """F and p of scipy's one-way ANOVA, and the components that follow from its mean squares."""
    r = device_to_device(READINGS)
    theirs = stats.f_oneway(*READINGS)

    means = [np.mean(x) for x in READINGS]
    ms_within = np.mean([np.var(x, ddof=1) for x in READINGS])
    between = math.sqrt(np.var(means, ddof=1) - ms_within / 3)
    assert (r.devices, r.n) == (4, 12)
    assert r.test.statistic == pytest.approx(theirs.statistic)
    assert r.test.p == pytest.approx(theirs.pvalue)
    assert r.between_rsd.value == pytest.approx(100 * between / np.mean(means))
    assert r.within_rsd.value == pytest.approx(100 * math.sqrt(ms_within) / np.mean(means))
    assert r.between_rsd.value in r.between_rsd.interval
    assert r.device_means == pytest.approx(means)


def test_one_reading_on_each_device_tells_the_total_only():
    """Single readings cannot be split; the total has an interval, the parts say why not."""
    r = device_to_device([[10.0], [10.5], [9.5], [10.2]])

    assert isinstance(r.between_rsd, NotEstimable)
    assert isinstance(r.within_rsd, NotEstimable)
    assert r.test is None
    assert r.total_rsd.value == pytest.approx(100 * np.std([10.0, 10.5, 9.5, 10.2], ddof=1) / 10.05)
    assert r.total_rsd.interval.is_bounded


@given(st.permutations(list(range(4))), st.sampled_from([1e-9, 1e9]))
@settings(deadline=None, max_examples=15)
def test_order_and_unit_do_not_matter(order, scale):
    """Relative standard deviations are free of the unit and of the order of devices."""
    plain = device_to_device(READINGS)
    other = device_to_device([np.array(READINGS[i]) * scale for i in order])

    assert other.between_rsd.value == pytest.approx(plain.between_rsd.value, rel=1e-9)
    assert other.total_rsd.interval.upper == pytest.approx(plain.total_rsd.interval.upper, rel=1e-9)


def test_refuses_in_a_sentence():
    """One device, none, or a mean that is not positive."""
    with pytest.raises(NotEstimable, match="1 device; needs at least 2 devices"):
        device_to_device([[1.0, 2.0], []])
    with pytest.raises(NotEstimable, match="no device; needs at least 2 devices"):
        device_to_device([])
    with pytest.raises(NotEstimable, match="the mean of the readings is not positive"):
        device_to_device([[-1.0, -2.0], [-1.5, -1.0]])


def test_relative_figures_refer_to_the_mean_of_all_readings():
    """Device means that cancel to zero do not matter when the mean of all readings is positive."""
    r = device_to_device([[0.3, 0.1, 0.0, 0.0], [0.0, 0.0, 0.0, 0.0], [-0.1]])

    assert r.within_rsd.value == pytest.approx(100 * r.precision.repeatability_sd.value / (0.3 / 9))
