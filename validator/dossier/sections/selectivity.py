"""Selectivity: what likely interferents do to the result."""

from __future__ import annotations

from typing import TYPE_CHECKING

from validator.dossier import numbers
from validator.dossier.document import Block, Column, Paragraph, Section, Table
from validator.dossier.sections.context import Context, Item, open_caveats, percent_level, row
from validator.dossier.sections.judging import judged
from validator.dossier.sections.pictures import amount_text, interference_figure, level_label
from validator.evaluation.results import EstimateRecord, InterferenceRecord, NotAssessed
from validator.evaluation.selectivity import interference_limit

if TYPE_CHECKING:
    from collections.abc import Sequence

CHARACTERISTICS = ("interference", "selectivity")


def selectivity(context: Context) -> Section | None:
    """One subsection for each analyte and configuration with interference runs."""
    say = context.say
    sections = [
        _item(context, item, item.configuration.interference)
        for item in context.items()
        if not isinstance(item.configuration.interference, NotAssessed)
    ]
    if not sections:
        return None
    return Section(
        id="selectivity",
        title=say("selectivity.title"),
        blocks=(Paragraph(say("selectivity.lead"), role="lead"), *sections),
    )


def _item(context: Context, item: Item, records: Sequence[InterferenceRecord] | NotAssessed) -> Section:
    if isinstance(records, NotAssessed):
        raise TypeError("only assessed items have a subsection")
    say = context.say
    limit = interference_limit(context.study, item.cell)
    levels = sorted({record.analyte_level for record in records if record.analyte_level is not None})
    blocks: list[Block | Section] = [
        Paragraph(
            say(
                "selectivity.done",
                count=numbers.count(len({record.interferent for record in records})),
                levels=", ".join(level_label(item, level) for level in levels),
                limit=numbers.percent(limit, 2),
            )
        ),
        *judged(context, CHARACTERISTICS, item.cell),
        _table(context, item, records, limit),
        *interference_figure(context, item, records, limit),
        *_beside(context, records),
        *open_caveats(context, CHARACTERISTICS, item.cell),
    ]
    return Section(id=item.id("selectivity"), title=item.name, blocks=tuple(blocks))


def _table(context: Context, item: Item, records: Sequence[InterferenceRecord], limit: float) -> Table:
    say = context.say
    deciding = {
        (one.what, one.level)
        for one in context.findings_on(CHARACTERISTICS, item.cell)
        if one.decides and one.own
    }
    rows = [
        row(
            record.interferent,
            amount_text(record),
            say.text(
                f"selectivity.{'decides' if (record.interferent, record.ratio) in deciding else 'informs'}"
            ),
            f"{numbers.count(record.n)} / {numbers.count(record.n_reference)}",
            numbers.significant(record.relative_change_percent, 2),
            numbers.interval(*record.ci, value=record.relative_change_percent)
            if record.ci
            else (record.reason or numbers.MISSING),
            say.text(f"selectivity.answer.{record.interferes_guarded or 'undecided'}"),
            _tolerance(record.tolerance_ratio),
            _tolerance(record.tolerance_ratio_guarded),
        )
        for record in records
    ]
    return Table(
        id=item.id("interference-table"),
        caption=say("selectivity.table", name=item.name),
        columns=(
            Column(say.text("selectivity.interferent"), width=26),
            Column(say.text("selectivity.amount"), width=10),
            Column(say.text("selectivity.role"), width=9),
            Column("n", align="centre"),
            Column(say.text("selectivity.change"), unit="%", align="decimal"),
            Column(say.text("selectivity.interval", level=percent_level(item.record.confidence)), unit="%"),
            Column(say.text("selectivity.interferes", limit=numbers.percent(limit, 2)), width=12),
            Column(say.text("selectivity.tolerance"), align="centre"),
            Column(say.text("selectivity.tolerance_guarded"), align="centre"),
        ),
        rows=tuple(rows),
        note=say("selectivity.note"),
        size="small",
    )


def _beside(context: Context, records: Sequence[InterferenceRecord]) -> tuple[Block, ...]:
    """The change with what the study leaves out."""
    return tuple(
        Paragraph(
            context.say(
                "selectivity.with_excluded",
                interferent=record.interferent,
                amount=amount_text(record),
                count=numbers.count(len(record.excluded)),
                without=numbers.percent(record.relative_change_percent, 2),
                with_=(
                    numbers.percent(record.with_excluded.value, 2)
                    if isinstance(record.with_excluded, EstimateRecord)
                    else numbers.MISSING
                ),
            )
        )
        for record in records
        if record.excluded
    )


def _tolerance(value: float | None) -> str:
    return numbers.MISSING if value is None else numbers.as_given(value)
