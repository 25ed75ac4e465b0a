"""Outlier tests of precision data, and what the figures would be without each suspect."""

from __future__ import annotations

from typing import TYPE_CHECKING

from validator.dossier import numbers
from validator.dossier.document import Block, Paragraph, Table
from validator.dossier.inline import LineBreak, Strong, Text
from validator.dossier.sections.context import Context, Item, row
from validator.dossier.sections.pictures import level_label
from validator.dossier.wording import Col, Num, table_of
from validator.evaluation.results import (
    OutlierRecord,
    PrecisionRecord,
    RemovalRecord,
    value_of,
)

if TYPE_CHECKING:
    from collections.abc import Sequence

    from validator.dossier.inline import Content

MOST_NAMED = 2
"""Values beyond which the group they belong to is named in their place."""
LEVELS_BESIDE = 3
"""Levels that stand beside each other in one table."""


def outliers(context: Context, item: Item, records: Sequence[PrecisionRecord]) -> tuple[Block, ...]:
    """The tests by level: levels beside each other where they are few."""
    tested = [record for record in records if record.outlier_tests]
    if not tested:
        return ()
    by_level = [{test.test: test for test in record.outlier_tests} for record in tested]
    once = sum(len(found) for found in by_level) == sum(len(record.outlier_tests) for record in tested)
    if len(tested) <= LEVELS_BESIDE and once:
        return (_levels_beside(context, item, tested, by_level),)
    return (_levels_below(context, item, tested),)


def _levels_beside(
    context: Context,
    item: Item,
    records: Sequence[PrecisionRecord],
    by_level: Sequence[dict[str, OutlierRecord]],
) -> Table:
    say = context.say
    tests = dict.fromkeys(test.test for record in records for test in record.outlier_tests)
    return table_of(
        say,
        "precision.outliers",
        (row(name, *(_in_a_cell(context, found.get(name)) for found in by_level)) for name in tests),
        Col("test"),
        *(Col(Text(level_label(item, record.level))) for record in records),
        id=item.id("outliers"),
        name=item.name,
        note=(*say("precision.outliers_cell"), " ", *say("precision.outliers_note")),
    )


def _in_a_cell(context: Context, test: OutlierRecord | None) -> Content:
    """``2.43 / 2.65, p = 0.14: 3.510 (P5)``, and in bold what stands out."""
    if test is None:
        return numbers.MISSING
    found = f"{numbers.significant(test.statistic)} / {numbers.significant(test.critical)}"
    if test.p is not None:
        p = numbers.p_value(test.p)
        found += f", p {p}" if p.startswith(("<", ">")) else f", p = {p}"
    text = f"{found}: {_suspect(test)}"
    return (text, LineBreak(), Strong(_answer(context, test))) if test.flagged else text


def _levels_below(context: Context, item: Item, records: Sequence[PrecisionRecord]) -> Table:
    say = context.say
    rows = [
        row(
            numbers.as_given(record.level),
            test.test,
            numbers.significant(test.statistic),
            numbers.significant(test.critical),
            numbers.p_value(test.p),
            _suspect(test),
            _answer(context, test),
        )
        for record in records
        for test in record.outlier_tests
    ]
    return table_of(
        say,
        "precision.outliers",
        rows,
        Num("level", unit=item.analyte.unit),
        Col("test", width=34),
        Num("statistic"),
        Num("critical"),
        Num(Text("p")),
        Col("suspect"),
        Col("answer", width=14),
        id=item.id("outliers"),
        name=item.name,
        note=say("precision.outliers_note"),
        size="tiny",
    )


def _answer(context: Context, test: OutlierRecord) -> str:
    return context.say.text(f"precision.{test.grade or ('flagged' if test.flagged else 'not_flagged')}")


def _suspect(test: OutlierRecord) -> str:
    """The value in question with the group it belongs to."""
    value = numbers.significant(test.suspect, 4)
    return value if test.suspect_group is None else f"{value} ({test.suspect_group})"


def without_suspects(context: Context, item: Item, records: Sequence[PrecisionRecord]) -> tuple[Block, ...]:
    """What the figures would be without each suspect; tests that name the same one are told together."""
    found = []
    for record in records:
        by_suspect: dict[tuple[float, ...], list[OutlierRecord]] = {}
        for test in record.outlier_tests:
            if isinstance(test.without, RemovalRecord):
                by_suspect.setdefault(tuple(sorted(test.without.removed)), []).append(test)
        found += [_without_one(context, item, record, tests) for tests in by_suspect.values()]
    return tuple(Paragraph(text) for text in found)


def _without_one(
    context: Context, item: Item, record: PrecisionRecord, tests: Sequence[OutlierRecord]
) -> Content:
    say, without = context.say, tests[0].without
    assert isinstance(without, RemovalRecord)
    removed = ", ".join(numbers.significant(value, 4) for value in without.removed)
    group = tests[0].suspect_group if len(without.removed) > MOST_NAMED else None
    values = {
        "suspect": removed if group is None else group,
        "level": level_label(item, record.level),
        "tests": ", ".join(dict.fromkeys(test.test.partition(",")[0] for test in tests)),
        "repeatability": numbers.percent(without.repeatability_rsd, 2),
        "repeatability_now": numbers.percent(value_of(record.repeatability_rsd), 2),
    }
    over_laboratories = record.reproducibility_rsd is not None
    wide = record.reproducibility_rsd if over_laboratories else record.intermediate_rsd
    after = without.reproducibility_rsd if over_laboratories else without.intermediate_rsd
    if value_of(wide) is None and after is None:
        return say("precision.without_suspect_repeatability", **values)
    return say(
        "precision.without_suspect",
        **values,
        wide=say.text(f"precision.wide_{'reproducibility' if over_laboratories else 'intermediate'}"),
        wide_without=numbers.percent(after, 2),
        wide_now=numbers.percent(value_of(wide), 2),
    )
