"""Carry-over in the dossier: the table of its sequences, and what they show."""

from __future__ import annotations

from typing import TYPE_CHECKING

from validator import numbers
from validator.dossier.document import Block, Paragraph
from validator.dossier.sections.context import Context, Item, estimate_text, percent_level
from validator.dossier.sections.pictures import level_label
from validator.dossier.wording import Col, Mid, Num, table_of

if TYPE_CHECKING:
    from collections.abc import Sequence

    from validator.characteristics.carry_over.results import CarryOverRecord
    from validator.dossier.inline import Content

BASELINES = {"blanks before the first high": "first", "later blanks": "later", "none": "none"}


def blocks(context: Context, item: Item, records: Sequence[CarryOverRecord]) -> tuple[Block, ...]:
    """The sequences of one analyte and configuration, and a sentence on each."""
    say, first = context.say, records[0]
    level = percent_level(item.record.confidence)
    baseline = say.text(f"stability.baseline.{BASELINES[first.baseline]}")
    if first.limit is None:
        note = say("stability.carry_note_no_limit", baseline=baseline, level=level)
    else:
        by = "allowed_customary" if first.allowed_by == "customary" else "allowed_study"
        note = say(
            "stability.carry_note",
            baseline=baseline,
            level=level,
            limit=numbers.limit(first.limit, item.analyte.unit),
            allowed=numbers.as_given(first.allowed_percent),
            by=say.text(f"stability.{by}"),
        )
    return (
        table_of(
            say,
            "stability.carry_over",
            records,
            Col("sequence", lambda record: record.place, width=16),
            Col("highest", lambda record: level_label(item, record.highest_level)),
            Mid("blanks", lambda record: numbers.counts(record.n, record.baseline_n)),
            Col("value", lambda record: estimate_text(record.carry_over), item.analyte.signal_unit),
            Col("of_high", lambda record: estimate_text(record.percent_of_high, digits=2), "%"),
            Col("of_limit", lambda record: estimate_text(record.percent_of_limit, digits=2), "%"),
            Num("largest", lambda record: numbers.significant(record.largest_percent_of_limit), "%"),
            id=item.id("carry-over-table"),
            name=item.name,
            note=note,
        ),
        *(Paragraph(text) for record in records for text in _carry_sentences(context, record)),
    )


def _carry_sentences(context: Context, record: CarryOverRecord) -> tuple[Content, ...]:
    say, found = context.say, []
    largest = record.largest_percent_of_limit
    if largest is not None:
        key = "exceeds" if largest > record.allowed_percent else "keeps"
        found.append(
            say(
                f"stability.{key}",
                largest=numbers.significant(largest, 3, "%", apart_from=(record.allowed_percent,)),
                allowed=numbers.as_given(record.allowed_percent),
            )
        )
    if record.carry_over.ci is None and record.carry_over.reason:
        found.append(
            say(
                "stability.no_interval",
                reason=record.carry_over.reason,
                after=record.n,
                before=record.baseline_n,
            )
        )
    return tuple(found)
