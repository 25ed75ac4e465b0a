"""What the uncertainty means for results that are held against a legal limit or a specification."""

from __future__ import annotations

from typing import TYPE_CHECKING

from validator.dossier import numbers
from validator.dossier.document import Block, Paragraph
from validator.dossier.inline import Reference
from validator.dossier.sections.context import Context, Item, percent_level, refusals, row
from validator.dossier.wording import Col, Num, table_of
from validator.evaluation.results import ConformityRecord, NotAssessed

if TYPE_CHECKING:
    from collections.abc import Sequence

    from validator.dossier.document import Row
    from validator.dossier.inline import Content


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
        Paragraph(
            say("conformity.lead", where=Reference("by-analyte" if context.is_compact else "uncertainty"))
        ),
        table_of(
            say,
            "conformity.table",
            (_row(context, item, one) for item, one in found),
            Col("analyte", width=15),
            Col("limit", width=19),
            Col("u"),
            Col("guard"),
            Col("accept", width=19),
            Col("reject", width=19),
            id="conformity",
            note=say("conformity.note", risk=percent_level(found[0][1].max_risk)),
        ),
        *refusals(*((item.name, one.acceptance) for item, one in found)),
        *(Paragraph(text) for item, one in found for text in _sentences(context, item, one)),
        *_risks(context, found),
    )


def _row(context: Context, item: Item, one: ConformityRecord) -> Row:
    say, unit, u = context.say, item.analyte.unit, one.standard_uncertainty
    name = say.text(f"conformity.of.{one.limit.replace(' ', '_')}")
    limits = numbers.quantity(_between(one.lower, one.upper, None), unit)
    accepted = numbers.MISSING
    if not isinstance(one.acceptance, NotAssessed):
        accepted = numbers.quantity(_between(*one.acceptance, u), unit)
    return row(
        item.analyte.name,
        f"{name}: {limits}",
        numbers.quantity(numbers.significant(u, 2), unit),
        _guard(one, unit),
        accepted,
        numbers.quantity(_beyond(context, one, u), unit),
    )


def _guard(one: ConformityRecord, unit: str) -> str:
    if one.guard_band is None:
        return numbers.MISSING
    band = numbers.quantity(numbers.significant(one.guard_band, 2), unit)
    return f"{band} ({numbers.significant(one.guard_factor, 3)} u)"


def _written(value: float, u: float | None) -> str:
    return numbers.as_given(value) if u is None else numbers.value_only(value, u)


def _between(lower: float | None, upper: float | None, u: float | None) -> str:
    if lower is None:
        return numbers.MISSING if upper is None else f"≤ {_written(upper, u)}"
    if upper is None:
        return f"≥ {_written(lower, u)}"
    return f"{_written(lower, u)} {numbers.TO} {_written(upper, u)}"


def _beyond(context: Context, one: ConformityRecord, u: float) -> str:
    parts = [
        f"{sign} {numbers.value_only(end, u)}"
        for sign, end in (("<", one.rejection_below), (">", one.rejection_above))
        if end is not None
    ]
    return f" {context.say.text('conformity.or')} ".join(parts) or numbers.MISSING


def _sentences(context: Context, item: Item, one: ConformityRecord) -> tuple[Content, ...]:
    say, found = context.say, []
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
    rows = [
        row(
            item.analyte.name,
            say.text(f"conformity.rule.{risk.rule}"),
            _percent(risk.consumers_risk),
            _percent(risk.producers_risk),
            _percent(risk.conforming),
            _percent(risk.accepted),
        )
        for item, one in found
        for risk in one.global_risks
    ]
    if not rows:
        return ()
    return (
        table_of(
            say,
            "conformity.risks",
            rows,
            Col("analyte", width=18),
            Col("by", width=22),
            Num("consumer", unit="%"),
            Num("producer", unit="%"),
            Num("conforming", unit="%"),
            Num("accepted", unit="%"),
            id="conformity-risks",
            note=say("conformity.risks_note"),
            size="normal",
        ),
    )


def _percent(share: float) -> str:
    return "< 0.001" if share < 1e-5 else numbers.significant(100 * share, 2)
