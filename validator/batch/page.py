"""The summary of a batch as a web page in the look of the dossiers."""

from __future__ import annotations

from typing import TYPE_CHECKING

from validator import numbers
from validator.dossier.document import Block, Column, Document, Paragraph, Row, Section, Table, identifier
from validator.dossier.html import render_html
from validator.dossier.wording import wording

if TYPE_CHECKING:
    from collections.abc import Sequence

    from validator.batch.rows import StudyRow
    from validator.batch.summary import TrendRow
    from validator.dossier.wording import Wording


def summary_page(rows: Sequence[StudyRow], changes: Sequence[TrendRow], *, language: str = "en") -> str:
    """The page: studies, those that could not be read, and the trend."""
    say = wording(language)
    sections = [_studies(say, [one for one in rows if not one.problem])]
    unread = [one for one in rows if one.problem]
    if unread:
        sections.append(_unread(say, unread))
    if changes:
        sections.append(_trend(say, changes))
    document = Document(
        title=say.text("batch.title", count=len(rows)),
        identifier="",
        version="",
        kind=say.text("batch.kind"),
        language=language,
        sections=tuple(sections),
    )
    return render_html(document, medium="web")


def _columns(say: Wording, part: str, *names: str) -> tuple[Column, ...]:
    return tuple(Column(say.text(f"batch.{part}.{name}")) for name in names)


def _studies(say: Wording, rows: Sequence[StudyRow]) -> Section:
    table = Table(
        id="studies-table",
        caption=say("batch.studies.caption"),
        columns=_columns(say, "studies", "study", "version", "analytes", "verdict", "criteria", "stops"),
        rows=tuple(
            Row(
                (
                    f"{one.path}: {one.title}",
                    one.version or numbers.MISSING,
                    one.analytes,
                    one.verdict,
                    f"{one.meets}/{one.meets + one.does_not_meet + one.inconclusive + one.not_assessed}",
                    numbers.count(one.stops),
                )
            )
            for one in rows
        ),
        note=say("batch.studies.note"),
        size="small",
    )
    return Section(id="studies", title=say("batch.studies.title"), blocks=(table,))


def _unread(say: Wording, rows: Sequence[StudyRow]) -> Section:
    table = Table(
        id="unread-table",
        caption=say("batch.unread.caption"),
        columns=_columns(say, "unread", "study", "problem"),
        rows=tuple(Row((one.path, one.problem)) for one in rows),
        size="small",
    )
    return Section(id="unread", title=say("batch.unread.title"), blocks=(table,))


def _trend(say: Wording, changes: Sequence[TrendRow]) -> Section:
    blocks: list[Block | Section] = [Paragraph(say("batch.trend.lead"))]
    for number, method in enumerate(dict.fromkeys(one.method for one in changes)):
        blocks.append(
            Table(
                id=identifier("trend", str(number)),
                caption=say("batch.trend.caption", method=method),
                columns=_columns(say, "trend", "figure", "of", "version", "value", "change", "apart"),
                rows=tuple(_trend_row(say, one) for one in changes if one.method == method),
                size="small",
            )
        )
    return Section(id="trend", title=say("batch.trend.title"), blocks=tuple(blocks))


def _trend_row(say: Wording, one: TrendRow) -> Row:
    name = say.text(f"batch.trend.name.{one.figure}")
    at = f" ({numbers.as_given(one.level)})" if one.level is not None else ""
    ends = one.lower is not None or one.upper is not None
    shown = numbers.with_interval(one.value, one.lower, one.upper) if ends else numbers.significant(one.value)
    apart = (
        numbers.MISSING
        if one.apart is None
        else say.text(f"batch.trend.apart_{'yes' if one.apart else 'no'}")
    )
    return Row(
        (
            f"{name}{at}",
            f"{one.analyte}, {one.configuration}",
            one.version,
            numbers.quantity(shown, one.unit),
            numbers.percent(one.change_percent),
            apart,
        )
    )
