"""Decision: every criterion in full, and what would settle the open ones."""

from __future__ import annotations

from validator.dossier import numbers
from validator.dossier.document import Block, BulletList, Column, Paragraph, Row, Section, Table
from validator.dossier.inline import Outcome
from validator.dossier.sections.conformity import conformity
from validator.dossier.sections.context import Context, figure_text, place_of, row
from validator.dossier.wording import Col, Num, table_of
from validator.evaluation.results import DeclaredLimit, DetectionRecord, Finding, NotAssessed


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
        if context.is_compact:  # what is met stands with its analyte
            blocks.append(Paragraph(say("decision.where_met")))
            found_open = tuple(one for one in found if one.decides and one.outcome != "meets")
            blocks.extend([_table(context, found_open)] if found_open else [])
        else:
            blocks.append(_table(context, found))
        blocks.extend(_settle(context, found))
    blocks.extend(conformity(context))
    blocks.append(_defaults(context))
    blocks.append(
        Paragraph(say("decision.verdict", verdict=context.verdict_word, reason=context.assessment.reason))
    )
    return Section(id="decision", title=say("decision.title"), blocks=tuple(blocks))


def _defaults(context: Context) -> Table:
    """The numbers that no document sets, as the study uses them."""
    say, defaults = context.say, context.study.analysis.defaults
    return table_of(
        say,
        "decision.defaults.caption",
        type(defaults).model_fields,
        Col("what", lambda name: say.text(f"decision.defaults.{name}")),
        Num("value", lambda name: numbers.as_given(getattr(defaults, name)), width=14),
        Col(
            "by",
            lambda name: say.text(
                f"decision.defaults.{'study' if name in defaults.model_fields_set else 'program'}"
            ),
            width=20,
        ),
        id="program-defaults",
    )


def _table(context: Context, found: tuple[Finding, ...]) -> Table:
    """Every finding under its requirement; those that do not decide come last and say so."""
    say = context.say
    several = context.has_several_analytes
    groups: dict[tuple[bool, str], list[Finding]] = {}
    for one in found:
        decides = one.decides
        groups.setdefault((not decides, _requirement(context, one)), []).append(one)
    rows: list[Row] = []
    for (beside, requirement), members in sorted(groups.items(), key=lambda group: group[0][0]):
        heading = say("decision.beside", requirement=requirement) if beside else requirement
        rows.append(row(heading, *("" for _ in range(3 if several else 2)), kind="group"))
        rows.extend(
            row(
                *((context.analyte_name(one.analyte),) if several else ()),
                level_of(context, one),
                figure_text(one),
                Outcome(one.outcome),
            )
            for one in members
        )
    return Table(
        id="criteria",
        caption=say("decision.open_criteria" if context.is_compact else "decision.criteria"),
        columns=(
            *((Column(say.text("decision.of"), width=22),) if several else ()),
            Column(say.text("decision.level"), width=34),
            Column(say.text("decision.figure")),
            Column(say.text("decision.outcome"), width=16),
        ),
        rows=tuple(rows),
        note=say("decision.note"),
        size="small",
    )


def level_of(context: Context, finding: Finding) -> str:
    """Where the finding holds, as a table cell."""
    return place_of(context, finding) or numbers.MISSING


def _requirement(context: Context, finding: Finding) -> str:
    """What was asked, by whom, and why it does not decide where it does not."""
    source = f"{finding.cited}; {finding.informs}" if finding.informs else finding.cited
    why = f"; {context.say.text('decision.why', why=finding.why)}" if finding.why else ""
    return f"{context.characteristic(finding.characteristic)}: {finding.criterion} ({source}{why})"


def _settle(context: Context, found: tuple[Finding, ...]) -> tuple[Block, ...]:
    say = context.say
    open_ones: dict[tuple[str, str, str], list[str]] = {}
    for one in found:
        if one.decides and one.outcome in ("inconclusive", "not assessed"):
            key = one.characteristic, one.reason or "", one.needs or say.text("decision.no_remedy")
            place = context.title_of(one.analyte, one.configuration), place_of(context, one)
            open_ones.setdefault(key, []).append(", ".join(filter(None, place)))
    if not open_ones:
        return ()
    return (
        Paragraph(say("decision.settle")),
        BulletList(
            tuple(
                say(
                    "decision.open",
                    name=context.characteristic(name),
                    of=context.named_or_counted(places),
                    reason=reason,
                    needs=needs,
                )
                for (name, reason, needs), places in open_ones.items()
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
            if record.control_limits is None:
                continue
            mean, s = record.control_limits
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
            table_of(
                say,
                "decision.control",
                rows,
                Col("analyte", width=18),
                Col("level", width=16),
                Num("centre"),
                Col("warning"),
                Col("action"),
                id="control",
                note=say("decision.control_note"),
                size="normal",
            )
        )
    else:
        blocks.append(Paragraph(say("decision.no_control")))
    blocks.append(
        BulletList(
            tuple(say(f"decision.check.{name}") for name in (*_blank_check(context), "standard", "change"))
        )
    )
    return Section(id="routine", title=say("decision.routine"), blocks=tuple(blocks))


def _blank_check(context: Context) -> tuple[str, ...]:
    """What a blank is compared with: the critical value where one was found, else the blanks of the study."""
    limits = [item.configuration.detection for item in context.validated_items()]
    if any(
        isinstance(one, DetectionRecord) and isinstance(one.critical_level, DeclaredLimit) for one in limits
    ):
        return ("blank",)
    return ("blank_of_study",) if context.study.blanks is not None else ()


def _limits(mean: float, half: float, s: float) -> str:
    lower, upper = numbers.value_only(mean - half, s), numbers.value_only(mean + half, s)
    return f"{lower} {numbers.TO} {upper}"
