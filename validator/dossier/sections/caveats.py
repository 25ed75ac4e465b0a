"""Caveats in full, gravest first, and what the study does not contain."""

from __future__ import annotations

from typing import TYPE_CHECKING

from validator.dossier.document import (
    Block,
    CaveatBlock,
    NotAssessedItem,
    NotAssessedList,
    Paragraph,
    Section,
)
from validator.evaluation.results import ConfigurationRecord, NotAssessed

if TYPE_CHECKING:
    from validator.dossier.sections.context import Context


def caveats(context: Context) -> Section:
    """Every open caveat with remedy and source; then everything that was not assessed."""
    say = context.say
    blocks: list[Block | Section] = [Paragraph(say("caveats.lead"), role="lead")]
    blocks.extend(
        CaveatBlock(
            id=context.caveat_id(one),
            severity=one.severity,
            title=context.caveat_heading(one),
            text=one.text,
            because=one.because,
            remedy=one.remedy,
            source=one.source,
        )
        for one in context.assessment.caveats
    )
    if not context.assessment.caveats:
        blocks.append(Paragraph(say("summary.no_caveats")))
    absent = _absent(context)
    if absent:
        blocks.append(
            Section(
                id="not-assessed",
                title=say("caveats.not_assessed"),
                blocks=(Paragraph(say("caveats.not_assessed_lead")), NotAssessedList(absent)),
            )
        )
    return Section(id="caveats", title=say("caveats.title"), blocks=tuple(blocks))


def _absent(context: Context) -> tuple[NotAssessedItem, ...]:
    items: dict[tuple[str, str], NotAssessedItem] = {}
    for item in context.validated_items():
        for name in ConfigurationRecord.names:
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
