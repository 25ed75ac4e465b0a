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
from validator.dossier.inline import LineBreak
from validator.dossier.sections.context import MOST_LISTED, sources_of
from validator.evaluation.results import ConfigurationRecord, NotAssessed

if TYPE_CHECKING:
    from collections.abc import Sequence

    from validator.dossier.inline import Content, Inline
    from validator.dossier.sections.context import Context
    from validator.evaluation.results import Caveat


def caveats(context: Context) -> Section:
    """Every open caveat with remedy and source; then everything that was not assessed."""
    say = context.say
    blocks: list[Block | Section] = [Paragraph(say("caveats.lead"), role="lead")]
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
