"""Propagation of distributions by simulation."""

from __future__ import annotations

import math
import time
import tracemalloc

import numpy as np
import pytest
from msgspec import structs
from scipy import stats

from validator.errors import NotEstimable
from validator.statistics.input_quantity import InputQuantity, from_readings, from_statement
from validator.statistics.interval import Interval
from validator.statistics.measurement_model import measurement_model
from validator.statistics.monte_carlo import (
    MAX_DRAWS,
    InputDraws,
    monte_carlo,
    numerical_tolerance,
    simulate_budget,
    validate,
)
from validator.statistics.uncertainty_budget import BudgetRow, Component, combine, component_rows, propagate


def normal(name, value, u, nu=math.inf):
    return InputQuantity(name=name, value=value, standard_uncertainty=u, degrees_of_freedom=nu)


@pytest.mark.parametrize(
    ("distribution", "reference"),
    [
        ("normal", stats.norm()),
        ("rectangular", stats.uniform(-math.sqrt(3), 2 * math.sqrt(3))),
        ("triangular", stats.triang(0.5, -math.sqrt(6), 2 * math.sqrt(6))),
        ("u_shaped", stats.arcsine(-math.sqrt(2), 2 * math.sqrt(2))),
    ],
)
def test_inputs_follow_their_distribution(distribution, reference):
    """Draws of a quantity with u = 1 agree with the distribution it names (Kolmogorov–Smirnov)."""
    quantity = InputQuantity(name="x", value=0.0, standard_uncertainty=1.0, distribution=distribution)

    draws = InputDraws([quantity], None, seed=3).next(20_000)["x"]

    assert stats.kstest(draws, reference.cdf).pvalue > 0.01


def test_mean_of_readings_follows_scaled_and_shifted_t():
    """A type A input is drawn from x̄ + (s/√n)·t with n − 1 degrees of freedom."""
    quantity = from_readings("x", [4.9, 5.2, 5.0, 5.3, 4.8])

    draws = InputDraws([quantity], None, seed=3).next(20_000)["x"]

    reference = stats.t(4, loc=quantity.value, scale=quantity.standard_uncertainty)
    assert stats.kstest(draws, reference.cdf).pvalue > 0.01


def test_draws_do_not_depend_on_the_size_of_the_batch():
    """Two batches of 500 are the same draws as one of 1000."""
    quantities = [normal("x", 1, 1), from_statement("y", 0, 1, "tolerance"), normal("z", 0, 1, 5)]
    whole = InputDraws(quantities, None, seed=3).next(1000)
    halves = InputDraws(quantities, None, seed=3)
    first, second = halves.next(500), halves.next(500)

    for name in "xyz":
        np.testing.assert_array_equal(whole[name], np.concatenate([first[name], second[name]]))


@pytest.mark.parametrize("r", [0.7, -0.4, 1.0, -1.0])
def test_correlated_inputs_are_drawn_together(r):
    """Correlated normal inputs have the correlation that was asked for."""
    draws = InputDraws([normal("x", 1, 2), normal("y", 5, 3)], [[1, r], [r, 1]], seed=3).next(100_000)

    assert np.corrcoef(draws["x"], draws["y"])[0, 1] == pytest.approx(r, abs=0.01)
    assert draws["y"].std() == pytest.approx(3, rel=0.01)


def test_means_read_together_follow_a_multivariate_t():
    """A sum of correlated means with ν = 4 is again t with ν = 4, not nearer to normal."""
    quantities = [normal("x", 0, 1, 4), normal("y", 0, 1, 4)]
    draws = InputDraws(quantities, [[1, 0.5], [0.5, 1]], seed=3).next(20_000)

    total = (draws["x"] + draws["y"]) / math.sqrt(3)

    assert stats.kstest(total, stats.t(4).cdf).pvalue > 0.01
    assert stats.kstest(total, stats.norm.cdf).pvalue < 1e-6


def test_a_correlated_input_that_is_not_normal_is_named_and_taken_as_normal():
    """With x correlated, rectangular y is drawn as normal with its u and r; z alone stays rectangular."""
    quantities = [
        normal("x", 0, 1),
        from_statement("y", 5, 3, "tolerance"),
        from_statement("z", 0, 1, "tolerance"),
    ]
    r = [[1, 0.5, 0], [0.5, 1, 0], [0, 0, 1]]

    inputs = InputDraws(quantities, r, seed=4)
    draws = inputs.next(50_000)

    assert inputs.taken_as_normal == ("y",)
    assert InputDraws(quantities, None, seed=4).taken_as_normal == ()
    assert np.corrcoef(draws["x"], draws["y"])[0, 1] == pytest.approx(0.5, abs=0.01)
    assert stats.kstest(draws["y"], stats.norm(5, math.sqrt(3)).cdf).pvalue > 0.01
    assert stats.kstest(draws["z"], stats.uniform(-1, 2).cdf).pvalue > 0.01


def test_joint_distributions_that_are_not_known_are_refused():
    """Correlated means with different ν have no agreed distribution."""
    r = [[1, 0.5], [0.5, 1]]

    with pytest.raises(NotEstimable, match="degrees of freedom"):
        InputDraws([normal("x", 0, 1, 3), normal("y", 0, 1, 5)], r, seed=1)


def test_linear_model_agrees_with_first_order():
    """A sum of normal inputs: mean, u and both limits agree with the budget to the numerical tolerance."""
    model = measurement_model("2 * x - y + 3 * z")
    quantities = [normal("x", 10, 0.4), normal("y", 5, 0.9), normal("z", 1, 0.1)]

    simulation = monte_carlo(model, quantities, seed=11)
    check = validate(propagate(model, quantities), simulation)

    assert check.valid
    assert check.d_low < check.tolerance
    assert simulation.standard_uncertainty == pytest.approx(math.sqrt(0.64 + 0.81 + 0.09), rel=0.003)
    assert simulation.shortest.upper - simulation.shortest.lower <= (
        simulation.symmetric.upper - simulation.symmetric.lower
    )


@pytest.mark.parametrize("shift", [-0.3, 0.3])
def test_one_limit_that_differs_is_enough_to_fail(shift):
    """The check fails when either the lower or the upper limit is off."""
    budget = combine([BudgetRow(name="a", standard_uncertainty=1.0)], value=0.0)
    exact = simulate_budget(budget, seed=4)
    lower, upper = (budget.interval.lower, budget.interval.upper)
    ends = (lower + shift, upper) if shift < 0 else (lower, upper + shift)

    moved = structs.replace(exact, symmetric=Interval(*ends, 0.95, "moved"))

    assert not validate(budget, moved).valid
    assert sorted((validate(budget, moved).d_low, validate(budget, moved).d_high)) == pytest.approx([0, 0.3])


def test_ratio_with_a_noisy_denominator_differs():
    """1/x with 20 % relative uncertainty is skewed: first order misses both limits, and the check says so."""
    model, quantities = measurement_model("1 / x"), [normal("x", 1, 0.2)]

    simulation = monte_carlo(model, quantities, seed=11, draws=200_000)
    check = validate(propagate(model, quantities), simulation, significant_digits=1)

    exact = 1 / stats.norm(1, 0.2).ppf([0.975, 0.025])
    assert simulation.symmetric.lower == pytest.approx(exact[0], rel=0.005)
    assert simulation.symmetric.upper == pytest.approx(exact[1], rel=0.01)
    assert not check.valid
    assert check.d_high > 5 * check.tolerance


def test_mass_fraction_near_zero_differs():
    """A mass fraction read on a logarithmic scale is never negative; y ± U is, and the check says so."""
    model, quantities = measurement_model("10^(-p)"), [normal("p", 6, 0.3)]

    budget, simulation = propagate(model, quantities), monte_carlo(model, quantities, seed=5, draws=200_000)

    exact = 10 ** -stats.norm(6, 0.3).ppf([0.975, 0.025])
    assert budget.interval.lower < 0 < simulation.shortest.lower < simulation.symmetric.lower
    assert simulation.symmetric.lower == pytest.approx(exact[0], rel=0.02)
    assert simulation.symmetric.upper == pytest.approx(exact[1], rel=0.02)
    assert not validate(budget, simulation, significant_digits=1).valid


def test_a_denominator_that_may_be_zero_is_not_stable():
    """The mean of 1/x with x about zero does not exist: the figures never settle, and that is said."""
    simulation = monte_carlo(measurement_model("1 / x"), [normal("x", 0.2, 0.2)], seed=11, draws=200_000)

    assert not simulation.stable
    assert simulation.doubt.standard_uncertainty > simulation.tolerance


def test_draws_without_a_number_are_not_estimable():
    """A logarithm of negative draws is not dropped in silence."""
    with pytest.raises(NotEstimable, match="the model cannot be evaluated for 1573 of 10000 trials"):
        monte_carlo(measurement_model("log(x)"), [normal("x", 1, 1)], seed=1)


def test_inputs_without_variance_give_no_standard_uncertainty():
    """With ν = 2 a t distribution has no variance; the interval still stands."""
    simulation = monte_carlo(measurement_model("x + 0"), [normal("x", 0, 1, 2)], seed=1, draws=200_000)

    assert simulation.standard_uncertainty is None
    assert simulation.symmetric.upper == pytest.approx(stats.t.ppf(0.975, 2), rel=0.03)


def test_results_too_large_to_square_are_not_estimable():
    """Results near the end of the number range are refused instead of overflowing."""
    with pytest.raises(NotEstimable, match="the model cannot be evaluated for 10000 of 10000 trials"):
        monte_carlo(measurement_model("10^x"), [normal("x", 200, 1)], seed=1, draws=10_000)


def test_budget_without_formula_is_simulated_row_by_row():
    """Normal rows reproduce the budget; one large rectangular row makes the first-order interval too long."""
    calm = combine(
        [BudgetRow(name="a", standard_uncertainty=0.3), BudgetRow(name="a", standard_uncertainty=0.4)],
        value=10.0,
    )
    flat = combine(component_rows([Component(name="b", stated=1.0, kind="tolerance")]), value=10.0)

    assert validate(calm, simulate_budget(calm, seed=1)).valid
    simulation = simulate_budget(flat, seed=1)
    assert simulation.symmetric.upper == pytest.approx(10.95, abs=0.005)
    assert flat.interval.upper > 11.1
    assert not validate(flat, simulation).valid


def test_relative_budget_is_simulated_in_the_unit_of_its_value():
    """3 % of 200 is 6; without a value the figures stay in percent."""
    rows = component_rows([Component(name="a", stated=3.0, relative=True)], relative=True)
    budget = combine(rows, value=200.0, relative=True)

    simulation = simulate_budget(budget, seed=1)

    assert simulation.standard_uncertainty == pytest.approx(6, rel=0.01)
    assert validate(budget, simulation).valid
    alone = simulate_budget(combine(rows, relative=True), seed=1, draws=100_000)
    assert alone.standard_uncertainty == pytest.approx(3, rel=0.02)


def test_exact_inputs_are_not_estimable():
    """Inputs without uncertainty have no distribution to propagate."""
    with pytest.raises(NotEstimable, match="all simulated results are identical"):
        monte_carlo(measurement_model("x + 1"), [normal("x", 1, 0.0)], seed=1, draws=10_000)


def test_seed_gives_the_same_figures_again():
    """Same seed, same results; another seed, others."""
    model, quantities = measurement_model("x * y"), [normal("x", 1, 0.1), normal("y", 2, 0.1, 6)]

    first, again, other = (monte_carlo(model, quantities, seed=s, draws=30_000) for s in (1, 1, 2))

    assert first.results.tolist() == again.results.tolist()
    assert structs.replace(first, results=None) == structs.replace(again, results=None)
    assert first.value != other.value


def test_interval_holds_its_share_of_the_draws():
    """Both intervals hold 90 % of the draws, to one draw."""
    quantities = [normal("x", 0, 1)]
    simulation = monte_carlo(measurement_model("exp(x)"), quantities, seed=9, draws=50_000, level=0.9)
    draws = InputDraws(quantities, None, seed=9).next(50_000)["x"]

    for interval in (simulation.symmetric, simulation.shortest):
        inside = ((np.exp(draws) >= interval.lower) & (np.exp(draws) <= interval.upper)).sum()
        assert inside == pytest.approx(45_000, abs=1)
    below = (np.exp(draws) < simulation.symmetric.lower).sum()
    assert below == pytest.approx(2_500, abs=1)


def test_adaptive_simulation_stops_when_stable():
    """One significant digit needs few batches, two digits need more, and both end stable."""
    model, quantities = measurement_model("x + y"), [normal("x", 0, 0.3), normal("y", 0, 0.4)]

    rough, fine = (
        monte_carlo(model, quantities, seed=2, adaptive=True, significant_digits=digits) for digits in (1, 2)
    )

    assert rough.stable
    assert fine.stable
    assert 50_000 == rough.draws < fine.draws <= 1_000_000


def test_doubt_is_that_of_repeated_simulations():
    """The doubt from batches agrees with the scatter of the figures over independent seeds."""
    model, quantities = measurement_model("x + 0"), [normal("x", 0, 1)]

    runs = [monte_carlo(model, quantities, seed=s, draws=100_000) for s in range(40)]

    scatter = 2 * np.std([run.symmetric.upper for run in runs], ddof=1)
    assert np.mean([run.doubt.upper for run in runs]) == pytest.approx(scatter, rel=0.3)


@pytest.mark.parametrize(
    ("u", "digits", "delta"),
    [
        (0.00035, 2, 0.5e-5),
        (0.0004, 1, 0.5e-4),
        (0.0996, 2, 0.5e-2),
        (0.0994, 2, 0.5e-3),
        (123.4, 2, 5.0),
        (9.96e11, 2, 0.5e11),
        (3e-12, 1, 0.5e-12),
    ],
)
def test_numerical_tolerance_is_half_the_last_digit(u, digits, delta):
    """δ follows the rounded uncertainty, also where rounding carries (first two: JCGM 101:2008, 7.9.2)."""
    assert numerical_tolerance(u, digits) == pytest.approx(delta, rel=1e-9, abs=0)


def test_ten_components_and_a_million_draws_are_quick_and_small():
    """10⁶ draws of ten inputs take less than two seconds of processor time and 60 MB."""
    model = measurement_model("(x0 + x1 * x2 - x3) / (x4 * x5) + x6 + x7 + x8 * x9")
    quantities = [normal(f"x{i}", 10, 0.1, 8 if i % 2 else math.inf) for i in range(10)]

    start = time.process_time()
    simulation = monte_carlo(model, quantities, seed=1)
    spent = time.process_time() - start
    tracemalloc.start()
    monte_carlo(model, quantities, seed=1)
    _, peak = tracemalloc.get_traced_memory()
    tracemalloc.stop()

    assert simulation.draws == 1_000_000
    assert spent < 2
    assert peak < 60e6


def test_impossible_requests_are_refused():
    """Too many draws and a level of 1 are refused, and so are budgets that cannot be compared."""
    model, quantities = measurement_model("x + 0"), [normal("x", 1, 0.1)]
    simulation = monte_carlo(model, quantities, seed=1, draws=10_000)

    with pytest.raises(ValueError, match="draws"):
        monte_carlo(model, quantities, seed=1, draws=MAX_DRAWS + 1)
    with pytest.raises(ValueError, match="level"):
        monte_carlo(model, quantities, seed=1, level=1.0)
    with pytest.raises(ValueError, match="positive"):
        numerical_tolerance(0.0, 2)
    with pytest.raises(NotEstimable, match="the budget provides no coverage interval"):
        validate(propagate(model, quantities, coverage_factor=2), simulation)
    with pytest.raises(NotEstimable, match="different coverage probabilities"):
        validate(propagate(model, quantities, level=0.9), simulation)
    assert simulation.doubt is None
    assert not simulation.stable
