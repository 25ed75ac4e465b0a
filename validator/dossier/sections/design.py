"""Study design: what was run, against what the guidance asks and what was planned."""

from __future__ import annotations

from typing import TYPE_CHECKING

from validator import numbers
from validator.assessment.design import counter_name, demands
from validator.dossier.document import Block, Paragraph, Section, Table
from validator.dossier.inline import Content, Outcome, OutcomeWord, Text
from validator.dossier.sections.context import MOST_NAMED, Context, Item, row
from validator.dossier.wording import Col, Mid, table_of
from validator.evaluation.chosen_guidance import profiles_of
from validator.evaluation.factors import series_labels
from validator.evaluation.rows import independent_values, kept, runs_of
from validator.study.blocks import result_blocks

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator, Sequence

    from validator.assessment.design import Demand
    from validator.dossier.document import Row
    from validator.evaluation.results import DesignFinding, PlanDifference
    from validator.guidance import Profile
    from validator.study.models.runs import Run


def design(context: Context) -> Section:
    """What was run and what was asked for."""
    say = context.say
    blocks: list[Block | Section] = [say.paragraph("design.lead", role="lead")]
    blocks.extend(_runs(context))
    blocks.extend(_requirements(context))
    return Section(id="design", title=say("design.title"), blocks=tuple(blocks))


def _runs(context: Context) -> tuple[Block, ...]:
    say = context.say
    # analytes and configurations of which the same was run share a row
    counted: dict[tuple[str, ...], list[Item]] = {}
    for name in result_blocks():
        for item in context.items():
            runs = runs_of(getattr(context.study, name), item.cell)
            if runs:
                counted.setdefault((name, *_counts(runs)), []).append(item)
    if not counted:
        return ()
    rows = [
        row(say(f"design.block.{name}"), context.names_of(items), *counts)
        for (name, *counts), items in counted.items()
    ]
    return (
        table_of(
            say,
            "design.runs",
            rows,
            Col("what"),
            Col("of"),
            Mid("levels"),
            Mid("preparations"),
            Mid("readings"),
            Mid("series"),
            Mid("operators"),
            Mid("devices"),
            Mid("excluded"),
            id="runs",
        ),
    )


def _counts(runs: tuple[Run, ...]) -> Iterator[str]:
    counted = kept(runs)
    readings = sum(_readings(run) for run in counted)
    values = len(independent_values(counted)) if hasattr(runs[0], "values") else len(counted)
    yield _or_dash(_distinct(getattr(run, "level", None) for run in counted))
    yield numbers.count(values)
    yield numbers.count(readings)
    yield _or_dash(_distinct(series_labels(counted)))
    yield _or_dash(_distinct(run.operator for run in counted))
    yield _or_dash(_distinct(run.device for run in counted))
    yield numbers.count(sum(_readings(run) for run in runs) - readings)


def _readings(run: Run) -> int:
    for name in ("readings", "values"):
        values = getattr(run, name, None)
        if values is not None:
            return len(values)
    return 1


def _distinct(labels: Iterable[object]) -> int:
    return len({label for label in labels if label is not None})


def _or_dash(count: int) -> str:
    return numbers.count(count) if count else numbers.MISSING


def _requirements(context: Context) -> tuple[Block, ...]:
    """The minimum designs of the chosen guidance; a column for each document where there are several."""
    say, found = context.say, context.assessment.design
    profiles = profiles_of(context.study)
    if not profiles:
        return (say.paragraph("design.no_guidance"),)
    if not found:
        return (say.paragraph("design.no_minimum"),)
    asked = demands(found)
    sentences = [Paragraph(sentence) for sentence in _sentences(context, asked)]
    if len(profiles) == 1:
        return (*sentences, _by_requirement(context, found))
    return (*sentences, say.paragraph("design.several"), _by_profile(context, asked, profiles))


def _sentences(context: Context, asked: Sequence[Demand]) -> Iterator[Content]:
    """Where the design falls short of a minimum, and where of a recommendation."""
    say = context.say
    short = [_name(context, one) for one in asked if one.is_short]
    below = [
        _name(context, one)
        for one in asked
        if not one.is_short and any(entry.outcome == "does not meet" for entry in one.entries)
    ]
    if short:
        yield say("design.short", names="; ".join(dict.fromkeys(short)))
    else:
        yield say("design.sufficient")
    if below:
        yield say("design.below_recommended", names="; ".join(dict.fromkeys(below)))


def _name(context: Context, demand: Demand) -> str:
    name = context.characteristic(demand.characteristic)
    return f"{name}: {counter_name(demand.counter)}"


def _by_requirement(context: Context, found: Sequence[DesignFinding]) -> Table:
    say, several = context.say, context.has_several_analytes
    shared = len({one.source for one in found}) == 1
    # analytes of which the same was asked and given share a row
    rows: dict[tuple[str, ...], list[DesignFinding]] = {}
    for one in found:
        key = (
            one.requirement,
            numbers.stated(one.required),
            numbers.stated(one.provided),
            one.outcome,
            one.source,
        )
        rows.setdefault(key, []).append(one)
    return table_of(
        say,
        "design.requirements",
        (
            row(
                one.requirement,
                *((_names(context, members),) if several else ()),
                numbers.stated(one.required),
                numbers.stated(one.provided),
                Outcome(one.outcome),
                *(() if shared else (one.cited,)),
            )
            for members in rows.values()
            for one in members[:1]
        ),
        Col("requirement"),
        *((Col("analyte"),) if several else ()),
        Mid("required", width=9),
        Mid("provided", width=9),
        Col("outcome", width=16),
        *(() if shared else (Col("source"),)),
        id="requirements",
        note=say("design.shared_source", source=found[0].cited) if shared else "",
    )


def _by_profile(context: Context, asked: Sequence[Demand], profiles: Sequence[Profile]) -> Table:
    """One row for each count of a characteristic: what each document asks, and the strictest decides."""
    say = context.say
    several = context.has_several_analytes
    # analytes of which the same was asked and given share a row
    rows: dict[tuple[str, tuple[str, ...], OutcomeWord, str], list[str]] = {}
    for one in asked:
        cells = (*(_asked(context, one, profile) for profile in profiles), numbers.stated(one.provided))
        key = (_name(context, one), cells, one.strictest.outcome, one.strictest.cited)
        rows.setdefault(key, []).append(context.analyte_name(one.analyte))
    return table_of(
        say,
        "design.requirements",
        (
            row(name, *((", ".join(analytes),) if several else ()), *cells, Outcome(outcome), strictest)
            for (name, cells, outcome, strictest), analytes in rows.items()
        ),
        Col("requirement"),
        *((Col("analyte"),) if several else ()),
        *(Mid(Text(profile.short_title)) for profile in profiles),
        Mid("provided", width=8),
        Col("outcome", width=15),
        Col("strictest", width=24),
        id="requirements",
    )


def _names(context: Context, members: Sequence[DesignFinding]) -> str:
    """Analytes by name, or all of them by their number."""
    names = list(dict.fromkeys(context.analyte_name(one.analyte) for one in members))
    if len(names) == len(context.results.analytes) > MOST_NAMED:
        return context.say.text("common.every", count=len(names))
    return ", ".join(name for name in names if name)


def _asked(context: Context, demand: Demand, profile: Profile) -> str:
    """What one document asks: ``6``, ``6; 10 recommended``, a dash where it says nothing."""
    parts = [
        context.say.text("design.recommended", count=numbers.stated(one.required))
        if one.recommended
        else numbers.stated(one.required)
        for one in demand.of_profile(profile.id)
    ]
    return "; ".join(parts) or numbers.MISSING


BREAK = "\N{ZERO WIDTH SPACE}"
"""Where the path of a declaration may go on in the next line."""


def plan_kept(context: Context) -> Section | None:
    """The comparison of the study with its plan; nothing where it has none."""
    plan = context.results.plan
    if plan is None:
        return None
    say = context.say
    verdict = f"planning.kept.{'kept' if plan.kept else 'departed'}"
    basis = "planning.kept.recorded" if plan.recorded else "planning.kept.not_recorded"
    blocks: list[Block | Section] = [
        say.paragraph(verdict, count=len(plan.differences), role="lead"),
        say.paragraph(basis, sha256=plan.sha256),
    ]
    if plan.differences:
        blocks.append(
            table_of(
                say,
                "planning.kept.caption",
                (_row(context, one) for one in plan.differences),
                Col("subject", width=27),
                Col("of", width=16),
                Col("at", width=14),
                Col("what", width=17),
                Col("planned"),
                Col("done"),
                id="plan-differences",
            )
        )
    blocks.append(say.paragraph("planning.kept.scope", role="small"))
    return Section(id="plan-kept", title=say("planning.kept.title"), blocks=tuple(blocks))


def _row(context: Context, one: PlanDifference) -> Row:
    say = context.say
    unit = context.study.analyte(one.analyte).unit if one.analyte else ""
    level = numbers.as_given(one.level, unit) if one.level is not None else ""
    return row(
        say.maybe(f"design.block.{one.subject}", one.subject.replace(".", f".{BREAK}")),
        context.title_of(one.analyte, one.configuration) if one.analyte else numbers.MISSING,
        ", ".join(text for text in (level, one.matrix) if text) or numbers.MISSING,
        say.text(f"planning.kept.what_name.{one.what}"),
        _value(context, one.planned),
        _value(context, one.done),
    )


def _value(context: Context, value: int | str | None) -> str:
    if value is None:
        return context.say.text("planning.kept.absent")
    return value if isinstance(value, str) else numbers.count(value)
