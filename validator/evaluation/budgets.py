"""Budgets and simulations as records of the results file."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from validator.errors import NotEstimable
from validator.evaluation.convert import attempt, finite, interval_record
from validator.evaluation.results import (
    BudgetRecord,
    ContributionRecord,
    NotAssessed,
    SimulationCheck,
    SimulationRecord,
)
from validator.statistics.monte_carlo_validation import validate

if TYPE_CHECKING:
    from validator.statistics.monte_carlo import MonteCarlo
    from validator.statistics.uncertainty_budget import BudgetRow, UncertaintyBudget


def budget_record(budget: UncertaintyBudget) -> BudgetRecord:
    """A budget with its rows."""
    value, expanded = budget.value, budget.expanded_uncertainty
    if budget.relative:
        expanded_percent: float | None = expanded
    else:
        expanded_percent = 100 * expanded / abs(value) if value else None
    return BudgetRecord(
        value=value,
        standard_uncertainty=budget.standard_uncertainty,
        degrees_of_freedom=finite(budget.degrees_of_freedom),
        coverage_factor=budget.coverage_factor,
        expanded_uncertainty=expanded,
        confidence=budget.level,
        interval=interval_record(budget.interval),
        relative_percent=budget.relative_standard_uncertainty_percent,
        expanded_percent=expanded_percent,
        relative=budget.relative,
        method=budget.method,
        contributions=tuple(_contribution(row) for row in budget.rows),
    )


def _contribution(row: BudgetRow) -> ContributionRecord:
    return ContributionRecord(
        name=row.name,
        value=row.value,
        evaluation=row.evaluation,
        distribution=row.distribution,
        divisor=row.divisor,
        standard_uncertainty=row.standard_uncertainty,
        sensitivity=row.sensitivity,
        contribution=row.contribution,
        degrees_of_freedom=finite(row.degrees_of_freedom),
        share_percent=row.share_percent,
        source=row.source,
    )


def simulation_record(simulation: MonteCarlo) -> SimulationRecord:
    """A simulation with its seed."""
    return SimulationRecord(
        value=simulation.value,
        standard_uncertainty=simulation.standard_uncertainty,
        symmetric=(simulation.symmetric.lower, simulation.symmetric.upper),
        shortest=(simulation.shortest.lower, simulation.shortest.upper),
        confidence=simulation.symmetric.level,
        draws=simulation.draws,
        seed=simulation.seed,
        tolerance=simulation.tolerance,
        digits=simulation.significant_digits,
        doubt=None if simulation.doubt is None else simulation.doubt.largest,
        stable=simulation.stable,
    )


def enough_draws(draws: int, confidence: float) -> int:
    """The *draws*, where they can show an interval at that confidence.

    Raises:
        NotEstimable: fewer than a hundred of them would lie outside.
    """
    least = math.ceil(round(100 / (1 - confidence), 6))
    if draws < least:
        raise NotEstimable(
            f"{draws} trials are too few for a coverage interval with probability {confidence:g}",
            f"key simulation: draws: at least {least}",
        )
    return draws


def check_record(
    budget: UncertaintyBudget | NotAssessed, simulation: MonteCarlo | NotAssessed
) -> SimulationCheck | NotAssessed:
    """The comparison of both; a refusal of either is the refusal of the comparison."""
    if isinstance(budget, NotAssessed):
        return budget
    if isinstance(simulation, NotAssessed):
        return simulation
    return attempt(lambda: _check(budget, simulation))


def _check(budget: UncertaintyBudget, simulation: MonteCarlo) -> SimulationCheck:
    found = validate(budget, simulation)
    return SimulationCheck(
        tolerance=found.tolerance,
        d_low=found.d_low,
        d_high=found.d_high,
        valid=found.valid,
        resolved=found.resolved,
        expanded_uncertainty=budget.expanded_uncertainty,
    )
