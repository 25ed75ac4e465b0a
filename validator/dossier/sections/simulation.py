"""A budget beside its Monte Carlo simulation, and whether they agree."""

from __future__ import annotations

from typing import TYPE_CHECKING

from validator.dossier import numbers
from validator.dossier.document import Block, Column, Paragraph, Table
from validator.dossier.sections.context import Context, Item, percent_level, refusals, row
from validator.evaluation.results import (
    BudgetRecord,
    Interval,
    NotAssessed,
    SimulationCheck,
    SimulationRecord,
)

if TYPE_CHECKING:
    from validator.dossier.document import Row
    from validator.dossier.inline import Content


def simulation_beside(
    context: Context,
    item: Item,
    simulation: SimulationRecord | NotAssessed,
    check: SimulationCheck | NotAssessed,
    budget: BudgetRecord | NotAssessed,
    unit: str,
    name: str,
) -> tuple[Block, ...]:
    """Budget and simulation in two rows, and whether they agree."""
    say = context.say
    if isinstance(simulation, NotAssessed):
        return refusals((say("uncertainty.monte_carlo"), simulation))
    rows = []
    if isinstance(budget, BudgetRecord) and isinstance(check, SimulationCheck):
        half, value = check.expanded_uncertainty, budget.value or 0.0
        rows.append(_interval_row(say.text("uncertainty.by_budget"), budget, (value - half, value + half)))
    rows.append(_interval_row(say.text("uncertainty.symmetric"), simulation, simulation.symmetric))
    rows.append(_interval_row(say.text("uncertainty.shortest"), simulation, simulation.shortest))
    return (
        Table(
            id=item.id(f"uncertainty-{name}"),
            caption=say("uncertainty.simulation", name=item.name),
            columns=(
                Column(say.text("uncertainty.route"), width=38),
                Column(say.text("uncertainty.result"), unit=unit, align="decimal"),
                Column("u", unit=unit, align="decimal"),
                Column(say.text("uncertainty.from"), unit=unit, align="decimal"),
                Column(say.text("uncertainty.to"), unit=unit, align="decimal"),
            ),
            rows=tuple(rows),
            note=say(
                "uncertainty.simulation_note",
                draws=numbers.count(simulation.draws),
                seed=str(simulation.seed),
                level=percent_level(simulation.confidence),
            ),
        ),
        Paragraph(_agreement(context, simulation, check)),
    )


def _interval_row(name: str, one: BudgetRecord | SimulationRecord, interval: Interval) -> Row:
    u, (lower, upper) = one.standard_uncertainty, interval
    return row(
        name,
        numbers.value_only(one.value, u),
        numbers.significant(u, 3),
        numbers.value_only(lower, u),
        numbers.value_only(upper, u),
    )


def _agreement(
    context: Context, simulation: SimulationRecord, check: SimulationCheck | NotAssessed
) -> Content:
    say = context.say
    if isinstance(check, NotAssessed):
        return say("uncertainty.no_check", reason=check.not_assessed)
    key = "agrees" if check.valid else "differs"
    return say(
        f"uncertainty.{key if check.resolved else 'unresolved'}",
        low=numbers.significant(check.d_low, 2),
        high=numbers.significant(check.d_high, 2),
        tolerance=numbers.significant(check.tolerance, 1),
        digits=numbers.count(simulation.digits),
    )
