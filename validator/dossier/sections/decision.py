"""Decision: criteria in full, what would settle the open ones, conformity, caveats, routine use."""

from __future__ import annotations

from typing import TYPE_CHECKING

from validator import numbers
from validator.dossier.document import (
    Block,
    BulletList,
    CaveatBlock,
    NotAssessedItem,
    NotAssessedList,
    Paragraph,
    Row,
    Section,
    Table,
)
from validator.dossier.inline import LineBreak, Outcome, Reference
from validator.dossier.sections.context import (
    MOST_LISTED,
    Context,
    Item,
    figure_text,
    percent_level,
    place_of,
    refusals,
    row,
    sources_of,
)
from validator.dossier.sections.pictures import level_label
from validator.dossier.wording import Col, Num, table_of
from validator.evaluation.results import (
    ConfigurationRecord,
    ConformityRecord,
    DeclaredLimit,
    DetectionRecord,
    Finding,
    NotAssessed,
)

if TYPE_CHECKING:
    from collections.abc import Sequence

    from validator.dossier.document import Row
    from validator.dossier.inline import Content, Inline
    from validator.dossier.sections.context import Context
    from validator.evaluation.results import Caveat


def decision(context: Context) -> Section:
    """The criteria table and the points that are open."""
    say = context.say
    found = context.assessment.findings
    blocks: list[Block | Section] = [
        say.paragraph(f"decision.lead.{context.study.analysis.decision_rule}", role="lead")
    ]
    if not found:
        blocks.append(say.paragraph("summary.no_criteria"))
    else:
        if context.is_compact:  # what is met stands with its analyte
            blocks.append(say.paragraph("decision.where_met"))
            found_open = tuple(one for one in found if one.decides and one.outcome != "meets")
            blocks.extend([_table(context, found_open)] if found_open else [])
        else:
            blocks.append(_table(context, found))
        blocks.extend(_settle(context, found))
    blocks.extend(conformity(context))
    blocks.append(_defaults(context))
    blocks.append(
        say.paragraph("decision.verdict", verdict=context.verdict_word, reason=context.assessment.reason)
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
    return table_of(
        say,
        f"decision.{'open_criteria' if context.is_compact else 'criteria'}",
        rows,
        *((Col("of", width=22),) if several else ()),
        Col("level", width=34),
        Col("figure"),
        Col("outcome", width=16),
        id="criteria",
        note=say("decision.note"),
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
        say.paragraph("decision.settle"),
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
    known = [
        (item, record, *record.control_limits)
        for item in context.validated_items()
        if not isinstance(records := item.configuration.precision, NotAssessed)
        for record in records
        if record.control_limits is not None
    ]
    blocks: list[Block | Section] = [say.paragraph("decision.routine_lead", role="lead")]
    if known:
        blocks.append(
            table_of(
                say,
                "decision.control",
                known,
                Col("analyte", lambda one: one[0].analyte.name, width=18),
                Col("level", lambda one: level_label(one[0], one[1].level), width=16),
                Num("centre", lambda one: numbers.value_only(one[2], one[3])),
                Col("warning", lambda one: _limits(one[2], 2 * one[3], one[3])),
                Col("action", lambda one: _limits(one[2], 3 * one[3], one[3])),
                id="control",
                size="normal",
            )
        )
    else:
        blocks.append(say.paragraph("decision.no_control"))
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


def conformity(context: Context) -> tuple[Block, ...]:
    """Acceptance limits for routine results, and what a result between them and the limit leaves open."""
    say = context.say
    found = [
        (item, one)
        for item in context.validated_items()
        if not isinstance(record := item.configuration.uncertainty, NotAssessed)
        for one in record.conformity
    ]
    if not found:
        return ()
    return (
        say.paragraph(
            "conformity.lead", where=Reference("by-analyte" if context.is_compact else "uncertainty")
        ),
        table_of(
            say,
            "conformity.table",
            found,
            Col("analyte", lambda one: one[0].analyte.name, width=15),
            Col("limit", lambda one: _limit_of(context, *one), width=19),
            Col("u", lambda one: numbers.significant(one[1].standard_uncertainty, 2, one[0].analyte.unit)),
            Col("guard", lambda one: _guard(one[1], one[0].analyte.unit)),
            Col("accept", lambda one: _accepted(*one), width=19),
            Col("reject", lambda one: _beyond(context, *one), width=19),
            id="conformity",
            risk=percent_level(found[0][1].max_risk),
        ),
        *refusals(*((item.name, one.acceptance) for item, one in found)),
        *(Paragraph(text) for item, one in found for text in _sentences(context, item, one)),
        *_risks(context, found),
    )


def _limit_of(context: Context, item: Item, one: ConformityRecord) -> str:
    name = context.say.text(f"conformity.of.{one.limit.replace(' ', '_')}")
    return f"{name}: {numbers.quantity(_between(one.lower, one.upper, None), item.analyte.unit)}"


def _accepted(item: Item, one: ConformityRecord) -> str:
    if isinstance(one.acceptance, NotAssessed):
        return numbers.MISSING
    return numbers.quantity(_between(*one.acceptance, one.standard_uncertainty), item.analyte.unit)


def _guard(one: ConformityRecord, unit: str) -> str:
    if one.guard_band is None:
        return numbers.MISSING
    band = numbers.significant(one.guard_band, 2, unit)
    return f"{band} ({numbers.significant(one.guard_factor, 3)} u)"


def _written(value: float, u: float | None) -> str:
    return numbers.as_given(value) if u is None else numbers.value_only(value, u)


def _between(lower: float | None, upper: float | None, u: float | None) -> str:
    if lower is None:
        return numbers.MISSING if upper is None else f"≤ {_written(upper, u)}"
    if upper is None:
        return f"≥ {_written(lower, u)}"
    return f"{_written(lower, u)} {numbers.TO} {_written(upper, u)}"


def _beyond(context: Context, item: Item, one: ConformityRecord) -> str:
    parts = [
        f"{sign} {numbers.value_only(end, one.standard_uncertainty)}"
        for sign, end in (("<", one.rejection_below), (">", one.rejection_above))
        if end is not None
    ]
    text = f" {context.say.text('conformity.or')} ".join(parts)
    return numbers.quantity(text or numbers.MISSING, item.analyte.unit)


def _sentences(context: Context, item: Item, one: ConformityRecord) -> tuple[Content, ...]:
    say, found = context.say, []
    if one.by is not None:
        limit = _limit_of(context, item, one)
        found.append(say("conformity.by_simulation", analyte=item.analyte.name, limit=limit))
    if one.capability is not None:
        found.append(
            say(
                "conformity.capability",
                analyte=item.analyte.name,
                capability=numbers.significant(one.capability, 2),
            )
        )
    if one.result is not None:
        found.append(
            say(
                "conformity.result",
                result=numbers.quantity(
                    numbers.value_only(one.result.value, one.standard_uncertainty), item.analyte.unit
                ),
                outcome=one.result.outcome,
                probability=numbers.percent(100 * one.result.conformance_probability),
                rule=say.text(f"conformity.rule.{one.result.rule}"),
            )
        )
    return tuple(found)


def _risks(context: Context, found: Sequence[tuple[Item, ConformityRecord]]) -> tuple[Block, ...]:
    say = context.say
    risks = [(item, risk) for item, one in found for risk in one.global_risks]
    if not risks:
        return ()
    return (
        table_of(
            say,
            "conformity.risks",
            risks,
            Col("analyte", lambda one: one[0].analyte.name, width=18),
            Col("by", lambda one: say.text(f"conformity.rule.{one[1].rule}"), width=22),
            Num("consumer", lambda one: _percent(one[1].consumers_risk), "%"),
            Num("producer", lambda one: _percent(one[1].producers_risk), "%"),
            Num("conforming", lambda one: _percent(one[1].conforming), "%"),
            Num("accepted", lambda one: _percent(one[1].accepted), "%"),
            id="conformity-risks",
            size="normal",
        ),
    )


def _percent(share: float) -> str:
    return "< 0.001" if share < 1e-5 else numbers.significant(100 * share, 2)


def caveats(context: Context) -> Section:
    """Every open caveat with remedy and source; then everything that was not assessed."""
    say = context.say
    blocks: list[Block | Section] = [say.paragraph("caveats.lead", role="lead")]
    blocks.extend(
        CaveatBlock(
            id=context.caveat_id(group[0]),
            severity=group[0].severity,
            title=context.caveat_heading(group),
            text=group[0].text,
            because=because(context, group),
            remedy=group[0].remedy,
            source=sources_of(group[0]),
        )
        for group in context.caveat_groups()
    )
    if not context.assessment.caveats:
        blocks.append(say.paragraph("summary.no_caveats"))
    absent = _absent(context)
    if absent:
        blocks.append(
            Section(
                id="not-assessed",
                title=say("caveats.not_assessed"),
                blocks=(say.paragraph("caveats.not_assessed_lead"), NotAssessedList(absent)),
            )
        )
    return Section(id="caveats", title=say("caveats.title"), blocks=tuple(blocks))


def because(context: Context, group: Sequence[Caveat], *, apart: Inline | str = LineBreak()) -> Content:  # noqa: B008
    """What raised a group of caveats: once where all share it, else for each thing it concerns."""
    raised: dict[str, list[Caveat]] = {}
    for one in group:
        raised.setdefault(one.because, []).append(one)
    if len(raised) == 1:
        return group[0].because
    lines: list[Inline | str] = []
    for sentence, members in raised.items():
        of = "; ".join(context.concerned_by(members, MOST_LISTED))
        lines.append(apart)
        lines.extend(context.say("caveats.of_one", of=of, because=sentence) if of else (sentence,))
    return tuple(lines[1:])


def _absent(context: Context) -> tuple[NotAssessedItem, ...]:
    items: dict[tuple[str, str], NotAssessedItem] = {}
    for item in context.validated_items():
        for name in ConfigurationRecord.__struct_fields__:
            value = getattr(item.configuration, name)
            if isinstance(value, NotAssessed):
                title = context.say.maybe(f"names.block.{name}", context.characteristic(name))
                key = (title, value.not_assessed)
                label = title if not context.has_several_analytes else f"{title}, {item.analyte.name}"
                if key not in items:
                    items[key] = NotAssessedItem(label, value.not_assessed, value.needs)
                else:
                    items[key] = NotAssessedItem(title, value.not_assessed, value.needs)
    return tuple(items.values())
