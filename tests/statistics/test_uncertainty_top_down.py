"""Top-down uncertainty from validation and control data."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats

from validator.errors import NotEstimable
from validator.statistics import top_down


def test_control_limits_are_divided_by_their_factor():
    """Warning limits at ±2s give s."""
    part = top_down.from_control_limits(3.0, relative=True, level=20.0)

    assert (part.standard_uncertainty, part.rows[0].divisor, part.lowest) == (1.5, 2.0, 20.0)


def test_both_duplicate_forms_estimate_the_same_standard_deviation():
    """Squares and ranges agree with σ, and their scatter over many sets with the ν they claim."""
    rng = np.random.default_rng(5)
    k, sets = 40, 1500
    pairs = rng.normal(50, 2, (sets, k, 2))
    squares = [top_down.from_duplicates(one) for one in pairs]
    ranges = [top_down.from_duplicates(one, form="range") for one in pairs]

    for parts in (squares, ranges):
        s = np.array([part.standard_uncertainty for part in parts])
        nu = parts[0].rows[0].degrees_of_freedom
        assert s.mean() == pytest.approx(2, rel=0.01)
        assert s.std() / s.mean() == pytest.approx(1 / math.sqrt(2 * nu), rel=0.08)
    assert ranges[0].rows[0].degrees_of_freedom < squares[0].rows[0].degrees_of_freedom


@settings(max_examples=40, deadline=None)
@given(st.lists(st.tuples(st.floats(1, 100), st.floats(1, 100)), min_size=1, max_size=8))
def test_one_size_of_difference_makes_both_forms_proportional(pairs):
    """When all |d| are equal, the range form is √2/1.128 times the form with squares."""
    equal = [(a, a + 0.5) for a, _ in pairs]

    squares, ranges = top_down.from_duplicates(equal), top_down.from_duplicates(equal, form="range")

    ratio = ranges.standard_uncertainty / squares.standard_uncertainty
    assert ratio == pytest.approx(math.sqrt(2) / (2 / math.sqrt(math.pi)), rel=1e-9)


def test_duplicates_alone_say_that_batches_are_missing():
    """The part between batches is added as its own row; without it a note says that u(Rw) is too small."""
    pairs = [(10.0, 10.4), (20.0, 19.4), (15.0, 15.1)]
    batches = top_down.from_control_limits(4.2, relative=True)

    alone = top_down.from_duplicates(pairs, relative=True)
    full = top_down.from_duplicates(pairs, relative=True, between_batches=batches)

    assert alone.note == "between-batch variation is not included; u(Rw) is underestimated"
    assert full.note == ""
    assert full.standard_uncertainty == pytest.approx(
        math.hypot(alone.standard_uncertainty, batches.standard_uncertainty)
    )
    assert [row.evaluation for row in full.rows] == ["A", "A"]
    assert (full.lowest, full.highest) == pytest.approx((10.2, 19.7))
    with pytest.raises(
        NotEstimable,
        match=r"the between-batch contribution is not in the same form \(relative or absolute\)",
    ):
        top_down.from_duplicates(pairs, between_batches=batches)


@pytest.mark.parametrize(
    "call",
    [
        lambda: top_down.from_control_limits(0.0),
        lambda: top_down.from_duplicates([(1.0, 1.0)]),
        lambda: top_down.from_duplicates([(1.0, 1.0)], form="range"),
        lambda: top_down.from_duplicates([(1.0, -1.5)], form="range", relative=True),
        lambda: top_down.from_duplicates(np.empty((0, 2))),
        lambda: top_down.from_reference_material([10.0], 10.0, 0.1),
        lambda: top_down.from_reference_material([], 10.0, 0.1),
        lambda: top_down.from_reference_material([0.1, 0.2], 0.0, 0.1, relative=True),
        lambda: top_down.from_reference_materials([1.0], [1.0], [0.1]),
        lambda: top_down.from_recoveries([98.0], 1.0),
    ],
)
def test_data_that_cannot_carry_the_part_say_why(call):
    """Single results, no scatter, and percent of nothing are not estimable."""
    with pytest.raises(NotEstimable):
        call()


@pytest.mark.parametrize(
    "call",
    [
        lambda: top_down.from_reference_material([1.0, 2.0], 1.0, -0.1),
        lambda: top_down.from_reference_materials([1.0, 2.0], [1.0, 2.0], [0.1, -0.1]),
        lambda: top_down.from_interlaboratory_rounds([1.0, 2.0], [1.0, 2.0], 0.1, 0),
    ],
)
def test_impossible_figures_are_refused(call):
    """Negative uncertainties and rounds without laboratories are errors."""
    with pytest.raises(ValueError, match=r"negative|at least one laboratory"):
        call()


def test_one_reference_material_has_three_rows():
    """Bias, scatter of its mean and reference value; results of one series belong together."""
    values = [10.2, 10.4, 10.3, 10.5]

    part = top_down.from_reference_material(values, 10.0, 0.05)
    grouped = top_down.from_reference_material(values, 10.0, 0.05, series=["a", "a", "b", "b"])

    assert [row.standard_uncertainty for row in part.rows] == pytest.approx([0.35, stats.sem(values), 0.05])
    assert [row.degrees_of_freedom for row in part.rows] == [math.inf, 3, math.inf]
    assert grouped.rows[1].degrees_of_freedom == 1
    assert grouped.rows[1].standard_uncertainty == pytest.approx(0.05)


def test_stated_bias_has_two_rows():
    """A bias of −3 % known to 1.5 % gives √(3² + 1.5²) %."""
    part = top_down.from_stated_bias(-3.0, 1.5, relative=True, level=20.0)

    assert part.standard_uncertainty == pytest.approx(math.hypot(3, 1.5))
    assert {row.evaluation for row in part.rows} == {"B"}
    with pytest.raises(ValueError, match="negative"):
        top_down.from_stated_bias(1.0, -1.0)


def test_several_materials_in_percent():
    """Root mean square of the relative biases with ν = N, and the mean of the relative uncertainties."""
    part = top_down.from_reference_materials([10.2, 19.0, 51.0], [10, 20, 50], [0.1, 0.2, 1.0], relative=True)

    assert part.rows[0].standard_uncertainty == pytest.approx(math.sqrt((2**2 + 5**2 + 2**2) / 3))
    assert part.rows[0].degrees_of_freedom == 3
    assert part.rows[1].standard_uncertainty == pytest.approx((1 + 1 + 2) / 3)
    assert (part.lowest, part.highest, part.n) == (10, 50, 3)


def test_recoveries_and_rounds_agree_with_materials_of_the_same_biases():
    """The same biases and reference uncertainties give the same u(bias) by every route."""
    materials = top_down.from_reference_materials([97.0, 104.0], [100, 100], [2, 2], relative=True)
    recoveries = top_down.from_recoveries([97.0, 104.0], 2.0, levels=[5.0, 50.0])
    rounds = top_down.from_interlaboratory_rounds([97.0, 104.0], [100, 100], 10, 25, relative=True)

    assert recoveries.standard_uncertainty == pytest.approx(materials.standard_uncertainty)
    assert rounds.standard_uncertainty == pytest.approx(materials.standard_uncertainty)
    assert (recoveries.lowest, recoveries.highest) == (5.0, 50.0)


def test_robust_assigned_values_are_less_well_known():
    """For a median u(Cref) is 1.25 times as large."""
    plain, robust = (
        top_down.from_interlaboratory_rounds([9.0, 11.0], [10, 10], 1.0, 16, robust=choice)
        for choice in (False, True)
    )

    assert robust.rows[1].standard_uncertainty == pytest.approx(1.25 * plain.rows[1].standard_uncertainty)


def test_the_figure_behind_each_row_is_the_one_that_was_stated():
    """What the budget prints beside u: the limits, or the √2-fold and d2-fold of s."""
    pairs = [(5.0, 5.4), (7.2, 7.0), (6.1, 6.4)]
    (limits,) = top_down.from_control_limits(3.0, relative=True, level=20.0).rows
    (squares,) = top_down.from_duplicates(pairs).rows
    (ranges,) = top_down.from_duplicates(pairs, form="range").rows

    assert (limits.value, limits.standard_uncertainty) == (3.0, 1.5)
    assert squares.value == pytest.approx(math.sqrt((0.4**2 + 0.2**2 + 0.3**2) / 3))
    assert ranges.value == pytest.approx(0.3)


def test_a_round_of_one_laboratory_has_its_whole_scatter():
    """u(C_ref) = s_R where p = 1, and no fewer are possible."""
    part = top_down.from_interlaboratory_rounds([10.0, 9.0], [10.0, 9.0], 0.4, 1)

    assert part.rows[1].standard_uncertainty == pytest.approx(0.4)
    assert part.rows[0].name == "root mean square bias of 2 interlaboratory rounds"
    with pytest.raises(ValueError, match="at least one laboratory"):
        top_down.from_interlaboratory_rounds([10.0, 9.0], [10.0, 9.0], 0.4, 0.5)


def test_recoveries_are_named_in_their_plural():
    """The rows of a budget are read by people."""
    part = top_down.from_recoveries([98.0, 101.0, 97.0], [0.5, 0.5, 0.5])

    assert part.rows[0].name == "root mean square bias of 3 recoveries"
    assert part.method == "3 recoveries"
