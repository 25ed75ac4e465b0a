"""Sums of squares of a one-way layout."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from validator.errors import NotEstimable
from validator.statistics.variance_components import differences_from_one, one_way_layout

groups = st.lists(
    st.lists(st.integers(-1000, 1000).map(float), min_size=1, max_size=6), min_size=1, max_size=6
).filter(lambda lists: sum(map(len, lists)) > 1)


@settings(max_examples=60, deadline=None)
@given(groups)
def test_sums_of_squares_add_up(lists):
    """Within and between add up to the total sum of squares, their df to N - 1."""
    readings = np.concatenate(lists)

    layout = one_way_layout(lists)

    total = float(np.sum((readings - readings.mean()) ** 2))
    assert layout.ss_within + layout.ss_between == pytest.approx(total, rel=1e-10, abs=1e-9)
    assert layout.df_within + layout.df_between == len(readings) - 1
    assert layout.mean == pytest.approx(readings.mean(), abs=1e-9)


def test_a_large_common_value_costs_no_digits():
    """A thousand million in front changes nothing but the means."""
    small = [[0.25, 0.5, 0.125], [0.75, 0.625]]

    plain, shifted = one_way_layout(small), one_way_layout([[y + 2.0**30 for y in group] for group in small])

    assert shifted.ss_within == plain.ss_within
    assert shifted.ss_between == plain.ss_between


def test_differences_do_not_depend_on_order():
    """The reading that is taken off is the middle one, wherever it stands."""
    values = np.array([5.0, 1.0, 9.0])

    differences, origin = differences_from_one(values)

    assert origin == 5.0
    assert differences.tolist() == [0.0, -4.0, 4.0]
    assert differences_from_one(values[::-1])[1] == 5.0


def test_equal_readings_have_exactly_no_scatter():
    """Rounding of a mean does not invent scatter among equal readings."""
    layout = one_way_layout([[0.1] * 3, [0.7] * 7])

    assert layout.ss_within == 0.0


def test_empty_groups_are_left_out_and_balance_is_seen():
    """An empty group counts for nothing."""
    layout = one_way_layout([[1.0, 2.0], [], [3.0, 5.0]])

    assert layout.groups == 2
    assert layout.is_balanced
    assert layout.n0 == 2
    assert one_way_layout([[1.0, 2.0]]).ms_between is None
    with pytest.raises(NotEstimable, match="not a finite number"):
        one_way_layout([[1.0, float("inf")]])
