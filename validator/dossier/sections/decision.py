"""Decision: every criterion in full, and what would settle the open ones."""

from __future__ import annotations

from validator.dossier import numbers
from validator.dossier.document import Block, BulletList, Column, Paragraph, Section, Table
from validator.dossier.inline import Outcome
from validator.dossier.sections.conformity import conformity
from validator.dossier.sections.context import Context, figure_text, place_of, row
from validator.dossier.sections.summary import requirement_of
from validator.evaluation.results import Finding, NotAssessed


def decision(context: Context) -> Section:
    """The criteria table and the points that are open."""
    say = context.say
    found = context.assessment.findings
    blocks: list[Block | Section] = [
        Paragraph(say(f"decision.lead.{context.study.analysis.decision_rule}"), role="lead")
    ]
    if not found:
        blocks.append(Paragraph(say("summary.no_criteria")))
    else:
        blocks.append(_table(context, found))
        blocks.extend(_settle(context, found))
    blocks.extend(conformity(context))
    blocks.append(Paragraph(say(f"decision.verdict.{context.assessment.verdict.replace(' ', '_')}")))
    return Section(id="decision", title=say("decision.title"), blocks=tuple(blocks))


def _table(context: Context, found: tuple[Finding, ...]) -> Table:
    say = context.say
    several = context.has_several_analytes
    rows = [
        row(
            context.characteristic(one.characteristic),
            *((context.analyte_name(one.analyte),) if several else ()),
            level_of(context, one),
            requirement_of([one]),
            figure_text(one),
            Outcome(one.outcome),
            _source(context, one),
            kind="plain" if one.decides and one.superseded_by is None else "excluded",
        )
        for one in found
    ]
    return Table(
        id="criteria",
        caption=say("decision.criteria"),
        columns=(
            Column(say.text("decision.characteristic"), width=14),
            *((Column(say.text("decision.of"), width=11),) if several else ()),
            Column(say.text("decision.level"), width=10),
            Column(say.text("decision.criterion"), width=16),
            Column(say.text("decision.figure"), width=16),
            Column(say.text("decision.outcome"), width=13),
            Column(say.text("decision.source")),
        ),
        rows=tuple(rows),
        note=say("decision.note"),
        size="small",
    )


def level_of(context: Context, finding: Finding) -> str:
    """Where the finding holds, as a table cell."""
    return place_of(context, finding) or numbers.MISSING


def _source(context: Context, finding: Finding) -> str:
    if finding.superseded_by:
        return f"{finding.source}; {finding.superseded_by}"
    return finding.source


def _settle(context: Context, found: tuple[Finding, ...]) -> tuple[Block, ...]:
    say = context.say
    open_ones = [one for one in found if one.decides and one.outcome in ("inconclusive", "not assessed")]
    if not open_ones:
        return ()
    return (
        Paragraph(say("decision.settle")),
        BulletList(
            tuple(
                say(
                    "decision.open",
                    name=context.characteristic(one.characteristic),
                    of=context.title_of(one.analyte, one.configuration),
                    level=level_of(context, one),
                    reason=one.reason or "",
                    needs=one.needs or say.text("decision.no_remedy"),
                )
                for one in open_ones
            )
        ),
    )


def routine(context: Context) -> Section | None:
    """Consequences for routine use: limits of a control chart, checks, what calls for a new validation."""
    say = context.say
    rows = []
    for item in context.validated_items():
        records = item.configuration.precision
        if isinstance(records, NotAssessed):
            continue
        for record in records:
            wide = record.intermediate_sd
            if wide is None or isinstance(wide, NotAssessed) or not wide.value or not record.mean.value:
                continue
            mean, s = record.mean.value, wide.value
            rows.append(
                row(
                    item.analyte.name,
                    numbers.quantity(numbers.as_given(record.level), item.analyte.unit),
                    numbers.value_only(mean, s),
                    _limits(mean, 2 * s, s),
                    _limits(mean, 3 * s, s),
                )
            )
    blocks: list[Block | Section] = [Paragraph(say("decision.routine_lead"), role="lead")]
    if rows:
        blocks.append(
            Table(
                id="control",
                caption=say("decision.control"),
                columns=(
                    Column(say.text("decision.analyte"), width=18),
                    Column(say.text("decision.level"), width=16),
                    Column(say.text("decision.centre"), align="decimal"),
                    Column(say.text("decision.warning")),
                    Column(say.text("decision.action")),
                ),
                rows=tuple(rows),
                note=say("decision.control_note"),
            )
        )
    else:
        blocks.append(Paragraph(say("decision.no_control")))
    blocks.append(
        BulletList(tuple(say(f"decision.check.{name}") for name in ("blank", "standard", "change")))
    )
    return Section(id="routine", title=say("decision.routine"), blocks=tuple(blocks))


def _limits(mean: float, half: float, s: float) -> str:
    lower, upper = numbers.value_only(mean - half, s), numbers.value_only(mean + half, s)
    return f"{lower} {numbers.TO} {upper}"
