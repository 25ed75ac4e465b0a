"""Measurement uncertainty: how it is built, how large it is, what it is made of, and its simulation."""

from __future__ import annotations

from typing import TYPE_CHECKING

from validator import numbers
from validator.dossier.document import Block, BulletList, Paragraph, Section, Table
from validator.dossier.inline import Text
from validator.dossier.sections.context import (
    Context,
    Item,
    open_caveats,
    percent_level,
    refusals,
    row,
    section_of,
)
from validator.dossier.sections.judging import judged
from validator.dossier.sections.pictures_of_comparisons import contribution_figures
from validator.dossier.wording import Col, Num, table_of
from validator.evaluation.results import (
    BudgetRecord,
    ContributionRecord,
    FormulaRecord,
    Interval,
    LevelUncertaintyRecord,
    NotAssessed,
    PartRecord,
    SimulatedLevel,
    SimulationCheck,
    SimulationRecord,
    UncertaintyFunction,
    UncertaintyRecord,
)

if TYPE_CHECKING:
    from validator.dossier.document import Row
    from validator.dossier.inline import Content


CHARACTERISTICS = ("uncertainty",)
MOST_STATED_DIGITS = 6
"""More than these nobody writes for a tolerance: the figure was computed from several."""


def uncertainty(context: Context) -> Section | None:
    """One subsection for each analyte and configuration whose uncertainty is known."""
    return section_of(context, "uncertainty", lambda item: item.configuration.uncertainty, _item)


def _item(context: Context, item: Item, record: UncertaintyRecord) -> tuple[Block, ...]:
    blocks: list[Block] = [*judged(context, CHARACTERISTICS, item.cell)]
    if record.levels:
        blocks.extend(_parts(context, record))
        blocks.append(_levels(context, item, record))
        blocks.extend(_function(context, item, record.function))
        blocks.extend(_budget_of_a_level(context, item, record))
    if record.formula is not None:
        blocks.extend(_formula(context, item, record.formula))
    blocks.extend(open_caveats(context, CHARACTERISTICS, item.cell))
    return tuple(blocks)


def _parts(context: Context, record: UncertaintyRecord) -> tuple[Block, ...]:
    say = context.say
    named = (("within", record.within_laboratory), ("bias", record.bias))
    items = [_part(context, name, part) for name, part in named if isinstance(part, PartRecord)]
    return (
        *((BulletList(tuple(items)),) if items else ()),
        *refusals(*((say(f"uncertainty.part.{name}"), part) for name, part in named)),
    )


def _part(context: Context, name: str, part: PartRecord) -> Content:
    say, what = context.say, part.method
    if part.standard_uncertainty is not None:
        size = numbers.significant(part.standard_uncertainty, 2)
        what += f", {numbers.quantity(size, '%' if part.relative else '')}"
    if part.note:
        what += f" ({part.note})"
    return say("uncertainty.part.line", part=say.text(f"uncertainty.part.{name}"), what=what)


def _levels(context: Context, item: Item, record: UncertaintyRecord) -> Table:
    say, unit = context.say, item.analyte.unit
    relative = any(one.budget.relative for one in record.levels)
    return table_of(
        say,
        "uncertainty.levels",
        record.levels,
        Num(
            "level",
            lambda one: (
                numbers.as_given(one.level) if one.level is not None else say.text("uncertainty.any_level")
            ),
            unit,
        ),
        Col("place", lambda one: _place(context, one), width=26),
        Num(
            "u",
            lambda one: numbers.significant(one.budget.standard_uncertainty, 2),
            "%" if relative else unit,
        ),
        Num(Text("ν"), lambda one: numbers.degrees_of_freedom(_nu(one.budget.degrees_of_freedom))),
        Num(Text("k"), lambda one: numbers.significant(one.budget.coverage_factor, 3)),
        Num(
            Text("U"),
            lambda one: numbers.significant(one.budget.expanded_uncertainty, 2),
            "%" if relative else unit,
        ),
        Num(Text("U"), lambda one: numbers.significant(one.budget.expanded_percent, 2), "%"),
        Num("calibration", lambda one: numbers.significant(one.calibration, 2), unit),
        id=item.id("uncertainty-levels"),
        name=item.name,
        k=_k_text(context, record.levels[0].budget),
    )


def _nu(nu: float | None) -> float:
    return float("inf") if nu is None else nu


def _k_text(context: Context, budget: BudgetRecord) -> str:
    if budget.confidence is None:
        return context.say.text("uncertainty.fixed_factor", k=numbers.as_given(budget.coverage_factor))
    return context.say.text("uncertainty.student", level=percent_level(budget.confidence))


def _place(context: Context, one: LevelUncertaintyRecord) -> str:
    say = context.say
    names = [say.text(f"uncertainty.at.{at.replace(' ', '_')}") for at in one.at]
    basis = say.text(f"uncertainty.basis.{one.basis}")
    return f"{', '.join(names)}: {basis}" if names else basis


def _function(
    context: Context, item: Item, function: UncertaintyFunction | NotAssessed | None
) -> tuple[Block, ...]:
    say, unit = context.say, item.analyte.unit
    if function is None or isinstance(function, NotAssessed):
        return ()
    text = say(
        "uncertainty.function",
        s0=numbers.significant(function.s0, 2, unit),
        s1=numbers.significant(function.s1_percent, 2, "%"),
        lowest=numbers.as_given(function.lowest),
        highest=numbers.as_given(function.highest, unit),
    )
    blocks: list[Block] = [Paragraph(text)]
    if function.crossover and (function.lowest or 0.0) < function.crossover < (function.highest or 0.0):
        crossover = numbers.significant(function.crossover, 2, unit)
        blocks.append(say.paragraph("uncertainty.crossover", level=crossover))
    target, lowest = function.target_percent, function.lowest_for_target
    if target is not None and lowest is not None:
        percent = numbers.as_given(target, "%")
        if isinstance(lowest, NotAssessed):
            blocks.append(say.paragraph("uncertainty.target_never", target=percent))
        elif function.lowest is not None and lowest <= function.lowest:
            blocks.append(say.paragraph("uncertainty.target_everywhere", target=percent))
        else:
            level = numbers.significant(lowest, 2, unit)
            blocks.append(say.paragraph("uncertainty.target", target=percent, level=level))
    return tuple(blocks)


def _budget_of_a_level(context: Context, item: Item, record: UncertaintyRecord) -> tuple[Block, ...]:
    """The budget of the level that was simulated, else of the middle one, with its picture."""
    one = record.levels[len(record.levels) // 2]
    if record.simulated is not None:
        level = record.simulated.level
        one = next((found for found in record.levels if found.level == level), one)
    at = context.say.text("uncertainty.of_any_level")
    if one.level is not None:
        at = context.say.text("uncertainty.at_level", level=numbers.as_given(one.level, item.analyte.unit))
    unit = "%" if one.budget.relative else item.analyte.unit
    return (
        _budget(context, item, one.budget, unit, at, "budget"),
        *contribution_figures(context, item, one.budget, at, "figure-contributions"),
        *_simulated(context, item, record.simulated, one.budget, unit),
    )


def _budget(context: Context, item: Item, budget: BudgetRecord, unit: str, at: str, name: str) -> Table:
    say = context.say
    rows = [
        row(
            one.name,
            _stated(one),
            say.text(f"uncertainty.distribution.{one.distribution}"),
            numbers.significant(one.standard_uncertainty, 2),
            numbers.significant(one.sensitivity, 3),
            numbers.significant(one.contribution, 2),
            numbers.degrees_of_freedom(_nu(one.degrees_of_freedom)),
            _share(one),
            one.source,
        )
        for one in budget.contributions
    ]
    total = row(
        say.text("uncertainty.combined"),
        "",
        "",
        "",
        "",
        numbers.significant(budget.standard_uncertainty, 2),
        numbers.degrees_of_freedom(_nu(budget.degrees_of_freedom)),
        "",
        "",
        kind="total",
    )
    return table_of(
        say,
        "uncertainty.budget",
        (*rows, total),
        Col("contribution", width=22),
        Num("stated"),
        Col("shape", width=11),
        Num(Text("u")),
        Num(Text("c")),
        Num("product", unit=unit),
        Num(Text("ν")),
        Num("share", unit="%"),
        Col("source", width=19),
        id=item.id(f"uncertainty-{name}"),
        name=item.name,
        at=at,
        method=budget.method,
    )


def _stated(one: ContributionRecord) -> str:
    """What was stated as it was written, what was computed (means of statements too) to four figures."""
    written = numbers.as_given(one.value)
    is_stated = one.evaluation == "B" and sum(sign.isdecimal() for sign in written) <= MOST_STATED_DIGITS
    return written if is_stated else numbers.significant(one.value, 4)


def _share(one: ContributionRecord) -> str:
    share = one.share_percent
    return "< 1" if share is not None and 0 < share < 1 else numbers.significant(share, 2)


def _simulated(
    context: Context, item: Item, simulated: SimulatedLevel | None, budget: BudgetRecord, unit: str
) -> tuple[Block, ...]:
    if simulated is None:
        return ()
    return simulation_beside(context, item, simulated.simulation, simulated.check, budget, unit, "simulation")


def _formula(context: Context, item: Item, formula: FormulaRecord) -> tuple[Block, ...]:
    say = context.say
    blocks: list[Block] = [say.paragraph("uncertainty.formula", formula=formula.formula)]
    budget = formula.budget
    if isinstance(budget, NotAssessed):
        blocks.extend(refusals((say("uncertainty.by_formula"), budget)))
    else:
        blocks.append(Paragraph(_result(context, budget, formula.unit)))
        at = say.text("uncertainty.of_formula")
        blocks.append(_budget(context, item, budget, formula.unit, at, "formula"))
        blocks.extend(contribution_figures(context, item, budget, at, "figure-formula"))
    blocks.extend(
        simulation_beside(
            context,
            item,
            formula.simulation,
            formula.check,
            budget,
            formula.unit,
            "formula-simulation",
        )
    )
    return tuple(blocks)


def _result(context: Context, budget: BudgetRecord, unit: str) -> Content:
    return context.say(
        "uncertainty.result_line",
        result=numbers.quantity(numbers.with_uncertainty(budget.value, budget.expanded_uncertainty), unit),
        k=numbers.significant(budget.coverage_factor, 3),
        by=_k_text(context, budget),
        nu=numbers.degrees_of_freedom(_nu(budget.degrees_of_freedom)),
    )


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
            draws=simulation.draws,
            seed=str(simulation.seed),
            level=percent_level(simulation.confidence),
            size="normal",
        ),
        Paragraph(_agreement(context, simulation, check)),
        *(
            (say.paragraph("uncertainty.taken_as_normal", names=", ".join(simulation.taken_as_normal)),)
            if simulation.taken_as_normal
            else ()
        ),
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
        digits=simulation.digits,
    )
