"""Precision: repeatability and what changes between series."""

from __future__ import annotations

from typing import TYPE_CHECKING

from validator.dossier import numbers
from validator.dossier.document import Block, Paragraph, Section, Table
from validator.dossier.sections.context import (
    Context,
    Item,
    estimate_text,
    interval_text,
    open_caveats,
    row,
    section_of,
    value_text,
)
from validator.dossier.sections.interlaboratory import dependence, laboratories, predicted
from validator.dossier.sections.judging import judged
from validator.dossier.sections.outliers import outliers, without_suspects
from validator.dossier.sections.pictures import level_label, precision_figures
from validator.dossier.wording import Col, Mid, Num, table_of
from validator.errors import NotEstimable
from validator.evaluation.concentrations import SignalReader
from validator.evaluation.precision import grouped
from validator.evaluation.results import (
    EstimateRecord,
    NotAssessed,
    PrecisionRecord,
)
from validator.evaluation.rows import independent_values, kept, runs_of

if TYPE_CHECKING:
    from collections.abc import Sequence

    from validator.dossier.inline import Content

CHARACTERISTICS = ("repeatability", "intermediate_precision", "reproducibility")


def precision(context: Context) -> Section | None:
    """One subsection for each analyte and configuration with precision runs."""
    return section_of(context, "precision", lambda item: item.configuration.precision, _item)


def _item(context: Context, item: Item, records: Sequence[PrecisionRecord]) -> tuple[Block, ...]:
    blocks: list[Block] = []
    if not context.is_compact:
        blocks.extend(Paragraph(_done(context, item, record)) for record in records[:1])
    blocks.extend(judged(context, CHARACTERISTICS, item.cell))
    blocks.append(_table(context, item, records))
    blocks.extend(precision_figures(context, item, records, _groups(context, item, records)))
    blocks.extend(laboratories(context, item, records))
    blocks.extend(_duplicates(context, item))
    blocks.extend(_components(context, item, records))
    blocks.extend(outliers(context, item, records))
    blocks.extend(without_suspects(context, item, records))
    blocks.extend(dependence(context, item))
    blocks.extend(predicted(context, item, records))
    blocks.extend(_beside(context, item, records))
    blocks.extend(open_caveats(context, CHARACTERISTICS, item.cell))
    return tuple(blocks)


def _done(context: Context, item: Item, record: PrecisionRecord) -> Content:
    say = context.say
    key = "done" if record.factor else "done_ungrouped"
    return say(
        f"precision.{key}",
        factor=record.factor or "",
        groups=numbers.count(record.groups),
        n=numbers.count(record.n),
        level=level_label(item, record.level),
        method=record.method,
    )


def _groups(context: Context, item: Item, records: Sequence[PrecisionRecord]) -> list[list[list[float]]]:
    """Single results by group for each level, as the figure shows them."""
    calibration = item.configuration.calibration
    reader = SignalReader(
        None if isinstance(calibration, NotAssessed) else calibration.function_at(item.record.confidence)
    )
    runs = kept(runs_of(context.study.precision, item.cell))
    found: list[list[list[float]]] = []
    for record in records:
        values = independent_values([run for run in runs if getattr(run, "level", None) == record.level])
        _, groups = grouped(values)
        try:
            found.append([reader.concentrations(members) for members in groups.values()])
        except NotEstimable:
            found.append([])
    return found


def _table(context: Context, item: Item, records: Sequence[PrecisionRecord]) -> Table:
    say, unit = context.say, item.analyte.unit
    over_laboratories = any(record.factor == "laboratory" for record in records)
    wide_key = "R" if over_laboratories else "i"
    rows = []
    for record in records:
        wide = record.reproducibility_sd or record.intermediate_sd
        wide_rsd = record.reproducibility_rsd or record.intermediate_rsd
        rows.append(
            row(
                numbers.as_given(record.level),
                f"{numbers.count(record.n)} / {numbers.count(record.groups)}",
                value_text(record.mean),
                _sd(record.repeatability_sd),
                _rsd(record.repeatability_rsd),
                _sd(record.between_sd),
                _sd(wide),
                _rsd(wide_rsd),
                numbers.significant(record.repeatability_limit, 2),
                *([numbers.significant(record.reproducibility_limit, 2)] if over_laboratories else []),
            )
        )
    return table_of(
        say,
        "precision.table",
        rows,
        Num("level", unit=unit),
        Mid("n"),
        Num("mean", unit=unit),
        Num("s_r", unit=unit),
        Col("rsd_r", unit="%"),
        Num("s_b", unit=unit),
        Num(say(f"precision.s_{wide_key}"), unit=unit),
        Col(say(f"precision.rsd_{wide_key}"), unit="%"),
        Num("r", unit=unit),
        *([Num("R", unit=unit)] if over_laboratories else []),
        id=item.id("precision-table"),
        name=item.name,
        note=say("precision.note_laboratories" if over_laboratories else "precision.note"),
    )


def _sd(figure: EstimateRecord | NotAssessed | None) -> str:
    if figure is None or isinstance(figure, NotAssessed):
        return numbers.MISSING
    return numbers.significant(figure.value, 2) if figure.value else numbers.as_given(figure.value)


def _rsd(figure: EstimateRecord | NotAssessed | None) -> str:
    if figure is None or isinstance(figure, NotAssessed) or figure.value is None:
        return numbers.MISSING
    if figure.ci is None:
        return numbers.significant(figure.value, 2)
    return f"{value_text(figure)} ({interval_text(figure)})"


def _duplicates(context: Context, item: Item) -> tuple[Block, ...]:
    """Repeatability over samples measured twice each."""
    found = item.configuration.duplicates
    if found is None:
        return ()
    return (
        Paragraph(
            context.say(
                "precision.duplicates",
                pairs=numbers.count(found.pairs),
                sd=estimate_text(_estimate(found.repeatability_sd), item.analyte.unit),
                rsd=estimate_text(_estimate(found.repeatability_rsd), "%"),
            )
        ),
    )


def _components(context: Context, item: Item, records: Sequence[PrecisionRecord]) -> tuple[Block, ...]:
    """What each of several factors adds, by level."""
    say = context.say
    rows = [
        row(
            numbers.as_given(record.level),
            part.factor,
            numbers.count(part.levels),
            _sd(part.sd),
            numbers.significant(part.share_percent, 2),
        )
        for record in records
        for part in record.components
    ]
    if not rows:
        return ()
    return (
        table_of(
            say,
            "precision.components",
            rows,
            Num("level", unit=item.analyte.unit),
            Col("factor"),
            Mid("factor_levels"),
            Num("component_sd", unit=item.analyte.unit),
            Num("share"),
            id=item.id("precision-components"),
            name=item.name,
            note=say("precision.components_note"),
        ),
    )


def _beside(context: Context, item: Item, records: Sequence[PrecisionRecord]) -> tuple[Block, ...]:
    say = context.say
    return tuple(
        Paragraph(
            say(
                "precision.with_excluded",
                level=level_label(item, record.level),
                count=numbers.count(len(record.excluded)),
                without=estimate_text(_estimate(record.repeatability_rsd), "%"),
                with_=estimate_text(_estimate(record.with_excluded.repeatability_rsd), "%"),
            )
        )
        for record in records
        if record.with_excluded is not None
    )


def _estimate(figure: EstimateRecord | NotAssessed) -> EstimateRecord | None:
    return None if isinstance(figure, NotAssessed) else figure
