"""Points by level and repeated readings."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from validator.errors import NotEstimable
from validator.statistics.levels import average_repeated_readings, by_level, level_index, pooled_variance


def test_groups_by_level_in_ascending_order():
    """Levels come sorted, with number, mean and variance of their signals."""
    grouped = by_level([5, 1, 5, 1, 9], [10, 1, 14, 3, 7])
    assert grouped.level.tolist() == [1, 5, 9]
    assert grouped.n.tolist() == [2, 2, 1]
    assert grouped.mean.tolist() == [2, 12, 7]
    assert grouped.variance.tolist() == [2, 8, 0]
    assert grouped.index.tolist() == [1, 0, 1, 0, 2]
    assert pooled_variance(grouped) == 5


def test_computed_levels_that_differ_in_the_last_bit_are_one():
    """0.1 + 0.05 is the level 0.15."""
    levels, index = level_index([0.1 + 0.05, 0.15, 0.2])
    assert levels == pytest.approx([0.15, 0.2])
    assert index.tolist() == [0, 0, 1]


def test_equal_signals_have_no_variance_whatever_the_arithmetic():
    """Three equal signals scatter by exactly 0 though their mean may be off in the last bit."""
    assert by_level([1, 1, 1], [0.1, 0.1, 0.1]).variance.tolist() == [0]


@settings(max_examples=50, deadline=None)
@given(st.lists(st.floats(-1, 1), min_size=2, max_size=8), st.sampled_from([0.0, 1e6, 1e9]))
def test_variance_survives_a_large_offset(values, offset):
    """Leading digits common to all signals cost no more precision than their representation."""
    y = np.array(values) + offset
    exact = np.var(y - offset, ddof=1)
    assert by_level(np.ones(y.size), y).variance[0] == pytest.approx(
        exact, rel=1e-9, abs=1e-12 + 1e-30 * offset**2
    )


def test_no_replicates_have_no_pooled_variance():
    """Single points say nothing of the scatter within a level."""
    with pytest.raises(NotEstimable, match="no level was measured in replicate"):
        pooled_variance(by_level([1, 2], [3, 4]))


def test_readings_of_one_preparation_become_one_value():
    """Means per preparation in order of appearance."""
    found = average_repeated_readings(
        [1, 1, 2, 2, 2, 1], [10, 12, 20, 22, 24, 15], ["a", "a", "b", "b", "b", "c"]
    )
    assert found.x.tolist() == [1, 2, 1]
    assert found.y.tolist() == [11, 22, 15]


@pytest.mark.parametrize(
    ("x", "y", "preparation", "sentence"),
    [
        ([1, 2], [3, 4], ["a", "a"], "readings of one preparation must have one level"),
        ([1, 1], [3, 4], ["a"], "preparation has 1 values where 2 are expected"),
    ],
)
def test_preparations_that_make_no_sense(x, y, preparation, sentence):
    """A preparation has one level, and every reading belongs to one."""
    with pytest.raises(ValueError, match=sentence):
        average_repeated_readings(x, y, preparation)


def test_no_readings():
    """An empty block is refused in a sentence."""
    with pytest.raises(NotEstimable, match="no readings; needs at least one reading"):
        average_repeated_readings([], [], [])
