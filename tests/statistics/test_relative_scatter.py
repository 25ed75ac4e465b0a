"""Relative scatter within units, pooled over them."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats

from validator.errors import NotEstimable
from validator.statistics.repeated_use import pooled_relative_scatter


def test_is_the_pooled_deviation_from_each_units_own_mean():
    """Sum of squared relative deviations over Σ(n - 1), with the chi-squared interval."""
    units = [[2.40, 2.38, 2.31], [24.6, 24.1], [0.223, 0.221, 0.215, 0.219]]
    parts = [np.array(unit) / np.mean(unit) - 1 for unit in units]
    expected = 100 * math.sqrt(sum(float((part**2).sum()) for part in parts) / 6)

    found = pooled_relative_scatter(units)

    assert found.value == pytest.approx(expected, rel=1e-12)
    assert found.degrees_of_freedom == 6
    assert found.interval.lower == pytest.approx(expected * math.sqrt(6 / stats.chi2.ppf(0.975, 6)), rel=1e-9)


@settings(max_examples=30, deadline=None)
@given(st.integers(0, 10**6), st.sampled_from([1e-9, 1.0, 1e9]))
def test_unit_of_each_device_and_order_do_not_matter(seed, scale):
    """Every device may read on a scale of its own."""
    rng = np.random.default_rng(seed)
    units = [10 + rng.normal(0, 1, n) for n in (4, 5, 3)]

    plain = pooled_relative_scatter(units)
    moved = pooled_relative_scatter([units[2], units[0][::-1] * scale, units[1]])

    assert moved.value == pytest.approx(plain.value, rel=1e-9)


def test_a_unit_read_once_adds_nothing():
    """A single reading has no scatter to show."""
    assert pooled_relative_scatter([[1.0, 1.1], [5.0]]) == pooled_relative_scatter([[1.0, 1.1]])


@pytest.mark.parametrize(
    ("units", "reason"),
    [
        ([[1.0], [2.0]], "each device was read only once"),
        ([], "each device was read only once"),
        ([[1.0, -1.5]], "a mean reading is not positive"),
    ],
)
def test_refuses_in_a_sentence(units, reason):
    """What cannot be pooled is said."""
    with pytest.raises(NotEstimable) as refusal:
        pooled_relative_scatter(units)

    assert refusal.value.reason == reason


def test_identical_readings_are_no_scatter():
    """A standard deviation of zero is a refusal, not a figure."""
    found = pooled_relative_scatter([[2.0, 2.0], [3.0, 3.0, 3.0]])

    assert isinstance(found, NotEstimable)
    assert "identical" in found.reason
