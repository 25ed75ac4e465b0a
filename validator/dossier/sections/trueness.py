"""Trueness: recovery by level, kind and matrix."""

from __future__ import annotations

from typing import TYPE_CHECKING

from validator.dossier import numbers
from validator.dossier.document import Block, Column, Paragraph, Section, Table
from validator.dossier.sections.context import (
    Context,
    Item,
    estimate_text,
    interval_text,
    open_caveats,
    percent_level,
    row,
    value_text,
)
from validator.dossier.sections.judging import judged
from validator.dossier.sections.matrix import significance_text
from validator.dossier.sections.pictures import recovery_figure, recovery_label
from validator.evaluation.results import NotAssessed, RecoveryRecord
from validator.evaluation.trueness import equivalence_bounds

if TYPE_CHECKING:
    from collections.abc import Sequence

CHARACTERISTICS = ("trueness", "recovery")


def trueness(context: Context) -> Section | None:
    """One subsection for each analyte and configuration with recovery runs."""
    say = context.say
    sections = [
        _item(context, item, item.configuration.recovery)
        for item in context.items()
        if not isinstance(item.configuration.recovery, NotAssessed)
    ]
    if not sections:
        return None
    return Section(
        id="trueness",
        title=say("trueness.title"),
        blocks=(Paragraph(say("trueness.lead"), role="lead"), *sections),
    )


def _item(context: Context, item: Item, records: Sequence[RecoveryRecord] | NotAssessed) -> Section:
    if isinstance(records, NotAssessed):
        raise TypeError("only assessed items have a subsection")
    say = context.say
    bounds = equivalence_bounds(context.study, item.cell)
    done = Paragraph(
        say(
            "trueness.done",
            n=numbers.count(sum(record.n for record in records)),
            groups=numbers.count(len(records)),
        )
    )
    blocks: list[Block | Section] = [
        *(() if context.is_compact else (done,)),
        *judged(context, CHARACTERISTICS, item.cell),
        _table(context, item, records),
        *recovery_figure(context, item, records, bounds),
        *_references(context, item, records),
        *_corrections(context, item, records),
        *_lines(context, item),
        *_beside(context, item, records),
        *open_caveats(context, CHARACTERISTICS, item.cell),
    ]
    return Section(id=item.id("trueness"), title=item.name, blocks=tuple(blocks))


def _table(context: Context, item: Item, records: Sequence[RecoveryRecord]) -> Table:
    say = context.say
    bounds = {(found.lower, found.upper) for record in records if (found := record.equivalence) is not None}
    shared = bounds.pop() if len(bounds) == 1 else None
    rows = [
        row(
            recovery_label(context, item, record),
            f"{numbers.count(record.n)} / {numbers.count(record.series)}",
            value_text(record.mean_recovery),
            interval_text(record.mean_recovery)
            if record.mean_recovery.ci
            else (record.mean_recovery.reason or numbers.MISSING),
            numbers.significant(record.sd, 2),
            numbers.significant(record.t, 3),
            numbers.p_value(record.p_bias),
            _equivalence(context, record, shared=shared is not None),
        )
        for record in records
    ]
    return Table(
        id=item.id("recovery-table"),
        caption=say("trueness.table", name=item.name),
        columns=(
            Column(say.text("trueness.what"), width=28),
            Column(say.text("trueness.n"), align="centre"),
            Column(say.text("trueness.mean"), unit="%", align="decimal"),
            Column(say.text("trueness.interval", level=percent_level(item.record.confidence)), unit="%"),
            Column("s", unit="%", align="decimal"),
            Column("t", align="decimal"),
            Column(say.text("trueness.p"), align="decimal"),
            Column(_equivalence_head(context, shared), width=14),
        ),
        rows=tuple(rows),
        note=say("trueness.note"),
        size="small",
    )


def _equivalence_head(context: Context, shared: tuple[float, float] | None) -> str:
    """The title of the column, with the bounds that all rows share."""
    if shared is None:
        return context.say.text("trueness.equivalence")
    lower, upper = (numbers.as_given(end) for end in shared)
    return context.say.text("trueness.equivalence_within", lower=lower, upper=upper)


def _equivalence(context: Context, record: RecoveryRecord, *, shared: bool) -> str:
    found = record.equivalence
    if found is None:
        return numbers.MISSING
    key = "shown" if found.passes else "not_shown"
    if shared:
        return context.say.text(f"trueness.{key}_alone")
    return context.say.text(
        f"trueness.{key}", lower=numbers.as_given(found.lower), upper=numbers.as_given(found.upper)
    )


def _references(context: Context, item: Item, records: Sequence[RecoveryRecord]) -> tuple[Block, ...]:
    """The mean beside each reference value with its uncertainty."""
    unit = item.analyte.unit
    return tuple(
        Paragraph(
            context.say(
                f"trueness.{'reference_agrees' if record.scores.within_two_u else 'reference_differs'}",
                what=recovery_label(context, item, record),
                difference=numbers.quantity(numbers.significant(record.scores.difference, 2), unit),
                u=numbers.quantity(numbers.significant(record.scores.standard_uncertainty, 2), unit),
                zeta=numbers.significant(record.scores.zeta, 2),
                en=numbers.significant(record.scores.en, 2),
            )
        )
        for record in records
        if record.scores is not None
    )


def _corrections(context: Context, item: Item, records: Sequence[RecoveryRecord]) -> tuple[Block, ...]:
    """Levels at which the recovery differs significantly from 100 %, and what leaving it costs."""
    return tuple(
        Paragraph(
            context.say(
                "trueness.correction",
                what=recovery_label(context, item, record),
                factor=numbers.significant(record.correction.factor, 4),
                u=numbers.percent(record.correction.relative_uncertainty_percent, 2),
                u_left=numbers.percent(record.correction.relative_uncertainty_uncorrected_percent, 2),
            )
        )
        for record in records
        if record.correction is not None and record.correction.advised
    )


def _lines(context: Context, item: Item) -> tuple[Block, ...]:
    """The line of found on added for each matrix."""
    say, unit = context.say, item.analyte.unit
    return tuple(
        Paragraph(
            say(
                f"trueness.line_{'differs' if line.joint_test.p < alpha else 'agrees'}",
                matrix=line.matrix or say.text("trueness.all"),
                n=numbers.count(line.n),
                levels=numbers.count(line.levels),
                slope=estimate_text(line.slope),
                intercept=estimate_text(line.intercept, unit),
                test=significance_text("F", line.joint_test.statistic, line.joint_test.df, line.joint_test.p),
            )
        )
        for alpha in (context.study.analysis_for(item.cell.analyte).alpha,)
        for line in item.configuration.found_on_added or ()
    )


def _beside(context: Context, item: Item, records: Sequence[RecoveryRecord]) -> tuple[Block, ...]:
    say = context.say
    return tuple(
        Paragraph(
            say(
                "trueness.with_excluded",
                what=recovery_label(context, item, record),
                count=numbers.count(len(record.excluded)),
                without=estimate_text(record.mean_recovery, "%"),
                with_=estimate_text(record.with_excluded, "%"),
            )
        )
        for record in records
        if record.with_excluded is not None
    )
