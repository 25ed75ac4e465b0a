"""A budget beside its Monte Carlo simulation, and whether they agree."""

from __future__ import annotations

from typing import TYPE_CHECKING

from validator.dossier import numbers
from validator.dossier.document import Block, Paragraph
from validator.dossier.inline import Text
from validator.dossier.sections.context import Context, Item, percent_level, refusals, row
from validator.dossier.wording import Col, Num, table_of
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
        table_of(
            say,
            "uncertainty.simulation",
            rows,
            Col("route", width=38),
            Num("result", unit=unit),
            Num(Text("u"), unit=unit),
            Num("from", unit=unit),
            Num("to", unit=unit),
            id=item.id(f"uncertainty-{name}"),
            name=item.name,
            note=say(
                "uncertainty.simulation_note",
                draws=numbers.count(simulation.draws),
                seed=str(simulation.seed),
                level=percent_level(simulation.confidence),
            ),
            size="normal",
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
