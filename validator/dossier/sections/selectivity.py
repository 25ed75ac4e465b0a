"""Selectivity: what likely interferents do to the result."""

from __future__ import annotations

from typing import TYPE_CHECKING

from validator import numbers
from validator.dossier.inline import Text
from validator.dossier.sections.context import Context, Item, open_caveats, percent_level, section_of
from validator.dossier.sections.judging import judged
from validator.dossier.sections.pictures import amount_text, interference_figure, level_label
from validator.dossier.wording import Col, Mid, Num, table_of
from validator.evaluation.results import EstimateRecord, InterferenceRecord
from validator.evaluation.selectivity import interference_limit

if TYPE_CHECKING:
    from collections.abc import Sequence

    from validator.dossier.document import Block, Section, Table

CHARACTERISTICS = ("interference", "selectivity")


def selectivity(context: Context) -> Section | None:
    """One subsection for each analyte and configuration with interference runs."""
    return section_of(context, "selectivity", lambda item: item.configuration.interference, _item)


def _item(context: Context, item: Item, records: Sequence[InterferenceRecord]) -> tuple[Block, ...]:
    say = context.say
    limit = interference_limit(context.study, item.cell)
    levels = sorted({record.analyte_level for record in records if record.analyte_level is not None})
    blocks: list[Block] = [
        say.paragraph(
            "selectivity.done",
            count=len({record.interferent for record in records}),
            levels=", ".join(level_label(item, level) for level in levels),
            limit=numbers.percent(limit, 2),
        ),
        *judged(context, CHARACTERISTICS, item.cell),
        _table(context, item, records, limit),
        *interference_figure(context, item, records, limit),
        *_beside(context, records),
        *open_caveats(context, CHARACTERISTICS, item.cell),
    ]
    return tuple(blocks)


def _table(context: Context, item: Item, records: Sequence[InterferenceRecord], limit: float) -> Table:
    say = context.say
    deciding = {
        (one.what, one.level)
        for one in context.findings_on(CHARACTERISTICS, item.cell)
        if one.decides and one.own
    }
    return table_of(
        say,
        "selectivity.table",
        records,
        Col("interferent", lambda record: record.interferent, width=26),
        Col("amount", lambda record: amount_text(record), width=10),
        Col(
            "role",
            lambda record: say.text(
                f"selectivity.{'decides' if (record.interferent, record.ratio) in deciding else 'informs'}"
            ),
            width=9,
        ),
        Mid(Text("n"), lambda record: numbers.counts(record.n, record.n_reference)),
        Num("change", lambda record: numbers.significant(record.relative_change_percent, 2), "%"),
        Col(
            say("selectivity.interval", level=percent_level(item.record.confidence)),
            lambda record: (
                numbers.interval(*record.ci, value=record.relative_change_percent)
                if record.ci
                else (record.reason or numbers.MISSING)
            ),
            "%",
        ),
        Col(
            say("selectivity.interferes", limit=numbers.percent(limit, 2)),
            lambda record: say.text(f"selectivity.answer.{record.interferes_guarded or 'undecided'}"),
            width=12,
        ),
        Mid("tolerance", lambda record: _tolerance(record.tolerance_ratio)),
        Mid("tolerance_guarded", lambda record: _tolerance(record.tolerance_ratio_guarded)),
        id=item.id("interference-table"),
        name=item.name,
    )


def _beside(context: Context, records: Sequence[InterferenceRecord]) -> tuple[Block, ...]:
    """The change with what the study leaves out."""
    return tuple(
        context.say.paragraph(
            "selectivity.with_excluded",
            interferent=record.interferent,
            amount=amount_text(record),
            count=len(record.excluded),
            without=numbers.percent(record.relative_change_percent, 2),
            with_=numbers.percent(record.with_excluded.value, 2)
            if isinstance(record.with_excluded, EstimateRecord)
            else numbers.MISSING,
        )
        for record in records
        if record.excluded
    )


def _tolerance(value: float | None) -> str:
    return numbers.MISSING if value is None else numbers.as_given(value)
