"""Budgets of stated components, and propagation through a model."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats

from validator.errors import NotEstimable
from validator.statistics.input_quantity import InputQuantity, from_readings, from_statement
from validator.statistics.measurement_model import measurement_model
from validator.statistics.uncertainty_budget import BudgetRow, Component, combine, component_rows, propagate

quick = settings(max_examples=60, deadline=None)
rows_of_any_size = st.lists(
    st.builds(
        BudgetRow,
        name=st.just("x"),
        standard_uncertainty=st.floats(0.001, 100.0),
        sensitivity=st.floats(-10.0, 10.0).filter(lambda c: abs(c) > 1e-3),
        degrees_of_freedom=st.one_of(st.just(math.inf), st.floats(1.0, 100.0)),
    ),
    min_size=1,
    max_size=8,
)


@quick
@given(rows_of_any_size)
def test_shares_add_up_and_nu_lies_between(rows):
    """Shares make 100 %, u_c is the root of squares, ν lies between the smallest ν and their sum."""
    budget = combine(rows)

    assert sum(row.share_percent for row in budget.rows) == pytest.approx(100)
    assert budget.standard_uncertainty == pytest.approx(math.hypot(*(row.contribution for row in rows)))
    freedoms = [row.degrees_of_freedom for row in rows]
    assert min(freedoms) * (1 - 1e-9) <= budget.degrees_of_freedom <= sum(freedoms) * (1 + 1e-9)


@quick
@given(rows_of_any_size, st.sampled_from([1e-12, 1e-3, 1e12]))
def test_change_of_unit_scales_the_budget(rows, factor):
    """In another unit u_c and U scale; shares, ν and k stay."""
    scaled = [
        BudgetRow(
            name=row.name,
            standard_uncertainty=row.standard_uncertainty * factor,
            sensitivity=row.sensitivity,
            degrees_of_freedom=row.degrees_of_freedom,
        )
        for row in rows
    ]

    before, after = combine(rows), combine(scaled)

    assert after.standard_uncertainty == pytest.approx(before.standard_uncertainty * factor, rel=1e-9, abs=0)
    assert after.degrees_of_freedom == pytest.approx(before.degrees_of_freedom)
    assert after.coverage_factor == pytest.approx(before.coverage_factor)
    assert [row.share_percent for row in after.rows] == pytest.approx(
        [row.share_percent for row in before.rows]
    )


def test_coverage_factor_is_students_of_the_effective_nu():
    """One contribution with ν = 4 has k = t(0.975, 4); a fixed k stands without a level."""
    rows = [BudgetRow(name="scatter", standard_uncertainty=2.0, degrees_of_freedom=4)]

    budget, fixed = combine(rows, value=10.0), combine(rows, value=10.0, coverage_factor=2)

    assert budget.coverage_factor == pytest.approx(stats.t.ppf(0.975, 4))
    assert budget.interval.upper == pytest.approx(10 + 2 * stats.t.ppf(0.975, 4))
    assert (fixed.expanded_uncertainty, fixed.level, fixed.interval) == (4.0, None, None)


def test_relative_and_absolute_components_are_turned_at_the_level():
    """2 % at level 50 is 1, and 1 at level 50 is 2 %."""
    components = [
        Component(name="calibration", stated=2.0, relative=True),
        Component(name="blank", stated=1.0, degrees_of_freedom=9),
    ]

    absolute = combine(component_rows(components, at=50.0), value=50.0)
    relative = combine(component_rows(components, at=50.0, relative=True), value=50.0, relative=True)

    assert [row.contribution for row in absolute.rows] == [1.0, 1.0]
    assert [row.contribution for row in relative.rows] == [2.0, 2.0]
    assert absolute.relative_standard_uncertainty_percent == pytest.approx(relative.standard_uncertainty)
    assert absolute.interval.upper == pytest.approx(relative.interval.upper)


@pytest.mark.parametrize("at", [None, 0.0])
def test_mixed_forms_need_a_level(at):
    """Percent and units cannot be added without a level, nor at level 0."""
    with pytest.raises(NotEstimable, match="'calibration' is relative"):
        component_rows([Component(name="calibration", stated=2.0, relative=True)], at=at)


def test_component_row_shows_how_it_was_converted():
    """A row keeps the stated figure, its divisor, its distribution and its source."""
    (row,) = component_rows(
        [Component(name="flask", stated=0.1, kind="tolerance", distribution="triangular", source="class A")]
    )

    assert (row.value, row.distribution, row.source) == (0.1, "triangular", "class A")
    assert row.standard_uncertainty == pytest.approx(row.value / row.divisor)
    assert row.divisor == pytest.approx(math.sqrt(6))


def test_nothing_that_contributes_is_not_estimable():
    """Neither an empty budget nor one of zeros has an uncertainty."""
    for rows in ([], [BudgetRow(name="exact", standard_uncertainty=0.0)]):
        with pytest.raises(NotEstimable, match="all contributions are zero"):
            combine(rows)
    with pytest.raises(ValueError, match="positive"):
        combine([BudgetRow(name="x", standard_uncertainty=1.0)], coverage_factor=0.0)


def test_fully_correlated_contributions_add_linearly():
    """Correlation 1 adds them, −1 takes the difference, and equal ones cancel."""
    rows = [BudgetRow(name=name, standard_uncertainty=u) for name, u in (("a", 3.0), ("b", 4.0))]

    together = combine(rows, correlation=[[1, 1], [1, 1]])
    against = combine(rows, correlation=[[1, -1], [-1, 1]])

    assert together.standard_uncertainty == pytest.approx(7.0)
    assert against.standard_uncertainty == pytest.approx(1.0)
    assert [row.share_percent for row in against.rows] == pytest.approx([-300.0, 400.0])
    with pytest.raises(NotEstimable, match="cancel"):
        combine([rows[0], rows[0]], correlation=[[1, -1], [-1, 1]])


def test_quantities_read_together_keep_their_degrees_of_freedom():
    """A difference of two quantities read together n times has ν = n − 1, like the n differences."""
    a, b = np.random.default_rng(8).multivariate_normal([5, 3], [[1, 0.8], [0.8, 1]], size=6).T
    r = float(np.corrcoef(a, b)[0, 1])

    budget = propagate(
        measurement_model("a - b"),
        [from_readings("a", a), from_readings("b", b)],
        correlation=[[1, r], [r, 1]],
    )

    single = from_readings("d", a - b)
    assert budget.standard_uncertainty == pytest.approx(single.standard_uncertainty)
    assert budget.degrees_of_freedom == pytest.approx(5)


def test_correlated_rows_count_once_in_nu():
    """Two correlated rows enter ν with their joint variance and the smaller ν, beside an independent one."""
    rows = [
        BudgetRow(name="a", standard_uncertainty=1.0, degrees_of_freedom=4),
        BudgetRow(name="b", standard_uncertainty=1.0, degrees_of_freedom=9),
        BudgetRow(name="c", standard_uncertainty=2.0, degrees_of_freedom=20),
    ]

    budget = combine(rows, correlation=[[1, 0.5, 0], [0.5, 1, 0], [0, 0, 1]])

    assert budget.standard_uncertainty == pytest.approx(math.sqrt(7))
    assert budget.degrees_of_freedom == pytest.approx(7**2 / (3**2 / 4 + 4**2 / 20))


def test_propagation_follows_relative_uncertainties_of_a_product():
    """For products and quotients relative variances add."""
    names = ("p", "q", "r")
    quantities = [
        from_statement(name, value, 0.02 * value) for name, value in zip(names, (3, 7, 2), strict=True)
    ]

    budget = propagate(measurement_model("p * q / r"), quantities)

    assert budget.value == pytest.approx(10.5)
    assert budget.relative_standard_uncertainty_percent == pytest.approx(2 * math.sqrt(3))
    assert [row.share_percent for row in budget.rows] == pytest.approx([100 / 3] * 3)


def test_order_of_quantities_never_matters():
    """Rows come in the order of the quantities, whatever the order in the formula."""
    x, y = from_statement("x", 2.0, 0.1), from_statement("y", 5.0, 0.3)

    budget = propagate(measurement_model("y / x"), [x, y])

    assert [row.name for row in budget.rows] == ["x", "y"]
    assert budget.rows[0].sensitivity == pytest.approx(-1.25)


def test_vanishing_sensitivities_ask_for_simulation():
    """x² at x = 0 has no first-order uncertainty: the budget says no instead of zero."""
    with pytest.raises(NotEstimable) as caught:
        propagate(measurement_model("x^2"), [from_statement("x", 0.0, 0.1)])

    assert "first order" in caught.value.needs


def test_quantities_given_twice_or_missing_are_refused():
    """Each name of the formula has one quantity."""
    x = InputQuantity(name="x", value=1.0, standard_uncertainty=0.1)

    with pytest.raises(ValueError, match="twice"):
        propagate(measurement_model("x + 1"), [x, x])
    with pytest.raises(ValueError, match="needs a value for y"):
        propagate(measurement_model("x + y"), [x])
