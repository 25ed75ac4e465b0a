"""Trueness: recovery by level, kind and matrix."""

from __future__ import annotations

from typing import TYPE_CHECKING

from validator import numbers
from validator.dossier.inline import Text
from validator.dossier.sections.context import (
    Context,
    Item,
    estimate_text,
    interval_text,
    open_caveats,
    percent_level,
    section_of,
    value_text,
)
from validator.dossier.sections.judging import judged
from validator.dossier.sections.matrix import significance_text
from validator.dossier.sections.pictures import recovery_figure, recovery_label
from validator.dossier.wording import Col, Mid, Num, table_of
from validator.evaluation.trueness import equivalence_bounds

if TYPE_CHECKING:
    from collections.abc import Sequence

    from validator.dossier.document import Block, Section, Table
    from validator.dossier.inline import Content
    from validator.evaluation.results import RecoveryRecord

CHARACTERISTICS = ("trueness", "recovery")


def trueness(context: Context) -> Section | None:
    """One subsection for each analyte and configuration with recovery runs."""
    return section_of(context, "trueness", lambda item: item.configuration.recovery, _item)


def _item(context: Context, item: Item, records: Sequence[RecoveryRecord]) -> tuple[Block, ...]:
    say = context.say
    bounds = equivalence_bounds(context.study, item.cell)
    done = say.paragraph("trueness.done", n=sum(record.n for record in records), groups=len(records))
    blocks: list[Block] = [
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
    return tuple(blocks)


def _table(context: Context, item: Item, records: Sequence[RecoveryRecord]) -> Table:
    say = context.say
    bounds = {(found.lower, found.upper) for record in records if (found := record.equivalence) is not None}
    shared = bounds.pop() if len(bounds) == 1 else None
    return table_of(
        say,
        "trueness.table",
        records,
        Col("what", lambda record: recovery_label(context, item, record), width=28),
        Mid("n", lambda record: numbers.counts(record.n, record.series)),
        Num("mean", lambda record: value_text(record.mean_recovery), "%"),
        Col(
            say("trueness.interval", level=percent_level(item.record.confidence)),
            lambda record: (
                interval_text(record.mean_recovery)
                if record.mean_recovery.ci
                else (record.mean_recovery.reason or numbers.MISSING)
            ),
            "%",
        ),
        Num(Text("s"), lambda record: numbers.significant(record.sd, 2), "%"),
        Num(Text("t"), lambda record: numbers.significant(record.t, 3)),
        Num("p", lambda record: numbers.p_value(record.p_bias)),
        Col(
            _equivalence_head(context, shared),
            lambda record: _equivalence(context, record, shared=shared is not None),
            width=14,
        ),
        id=item.id("recovery-table"),
        name=item.name,
    )


def _equivalence_head(context: Context, shared: tuple[float, float] | None) -> Content:
    """The title of the column, with the bounds that all rows share."""
    if shared is None:
        return "equivalence"
    lower, upper = (numbers.as_given(end) for end in shared)
    return Text(context.say.text("trueness.equivalence_within", lower=lower, upper=upper))


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
        context.say.paragraph(
            f"trueness.{'reference_agrees' if record.scores.within_two_u else 'reference_differs'}",
            what=recovery_label(context, item, record),
            difference=numbers.significant(record.scores.difference, 2, unit),
            u=numbers.significant(record.scores.standard_uncertainty, 2, unit),
            zeta=numbers.significant(record.scores.zeta, 2),
            en=numbers.significant(record.scores.en, 2),
        )
        for record in records
        if record.scores is not None
    )


def _corrections(context: Context, item: Item, records: Sequence[RecoveryRecord]) -> tuple[Block, ...]:
    """Levels at which the recovery differs significantly from 100 %, and what leaving it costs."""
    return tuple(
        context.say.paragraph(
            "trueness.correction",
            what=recovery_label(context, item, record),
            factor=numbers.significant(record.correction.factor, 4),
            u=numbers.percent(record.correction.relative_uncertainty_percent, 2),
            u_left=numbers.percent(record.correction.relative_uncertainty_uncorrected_percent, 2),
        )
        for record in records
        if record.correction is not None and record.correction.advised
    )


def _lines(context: Context, item: Item) -> tuple[Block, ...]:
    """The line of found on added for each matrix."""
    say, unit = context.say, item.analyte.unit
    return tuple(
        say.paragraph(
            f"trueness.line_{'differs' if line.joint_test.p < alpha else 'agrees'}",
            matrix=line.matrix or say.text("trueness.all"),
            n=line.n,
            levels=line.levels,
            slope=estimate_text(line.slope),
            intercept=estimate_text(line.intercept, unit),
            test=significance_text("F", line.joint_test.statistic, line.joint_test.df, line.joint_test.p),
        )
        for alpha in (context.study.analysis_for(item.cell.analyte).alpha,)
        for line in item.configuration.found_on_added or ()
    )


def _beside(context: Context, item: Item, records: Sequence[RecoveryRecord]) -> tuple[Block, ...]:
    say = context.say
    return tuple(
        say.paragraph(
            "trueness.with_excluded",
            what=recovery_label(context, item, record),
            count=len(record.excluded),
            without=estimate_text(record.mean_recovery, "%"),
            with_=estimate_text(record.with_excluded, "%"),
        )
        for record in records
        if record.with_excluded is not None
    )
