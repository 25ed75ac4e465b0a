"""Stability in the dossier: what remains under each condition, and its course."""

from __future__ import annotations

from typing import TYPE_CHECKING

from validator import numbers
from validator.dossier.document import Block, Paragraph
from validator.dossier.inline import Text
from validator.dossier.sections.context import (
    Context,
    Item,
    estimate_text,
    percent_level,
    refusals,
    row,
)
from validator.dossier.sections.matrix import t_text
from validator.dossier.sections.pictures import paired, widths
from validator.dossier.sections.pictures_of_comparisons import stability_figure
from validator.dossier.wording import Col, Mid, Num, table_of
from validator.records import NotAssessed
from validator.sources import Source

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from validator.characteristics.stability.results import StabilityRecord, StabilityTrendRecord
    from validator.dossier.inline import Content


def blocks(context: Context, item: Item, records: Sequence[StabilityRecord]) -> tuple[Block, ...]:
    """The conditions of one analyte and configuration, their courses and figures."""
    say, first = context.say, records[0]
    units = {record.time_unit for record in records}
    change = (
        say.text("stability.change", unit=first.time_unit)
        if len(units) == 1
        else say.text("stability.change_plain")
    )
    rows = [
        row(
            record.condition,
            numbers.as_given(record.level),
            _times(context, record),
            numbers.count(record.n),
            estimate_text(record.remaining_percent)
            + (f" {say.text('stability.of_nominal')}" if record.relative_to == "nominal" else ""),
            *_trend_cells(record),
        )
        for record in records
    ]
    allowed = numbers.as_given(first.allowed_percent)
    return (
        table_of(
            say,
            "stability.table",
            rows,
            Col("condition", width=22),
            Num("level", unit=item.analyte.unit),
            Col("times"),
            Mid("n"),
            Col("remaining", unit="%"),
            Col(Text(change), unit="%"),
            Num("p"),
            Col(Text(_shown(context, first))),
            id=item.id("stability-table"),
            name=item.name,
            level=percent_level(item.record.confidence),
            by=say.text(
                "stability.by_customary" if first.allowed_by == "customary" else "stability.by_study",
                allowed=allowed,
            ),
        ),
        *refusals(*((record.condition, record.remaining_percent) for record in records)),
        *(Paragraph(_of_batches(context, record)) for record in records if record.batches),
        *(Paragraph(text) for record in records for text in _sentences(context, item, record)),
        *paired(
            figure
            for position, (record, width) in enumerate(
                zip(records, widths(len(records)), strict=True), start=1
            )
            for figure in stability_figure(context, item, record, position, width=width)
        ),
        *(
            say.paragraph(
                "stability.with_excluded",
                condition=record.condition,
                count=len(record.excluded),
                with_=estimate_text(record.with_excluded, "%"),
            )
            for record in records
            if record.excluded
        ),
    )


def _shown(context: Context, record: StabilityRecord) -> str:
    """Head of the column of the time shown: within, above or below what is allowed."""
    say = context.say
    match record.direction:
        case "decrease":
            allowed = numbers.as_given(100 - record.allowed_percent)
            return say.text("stability.shown_decrease", allowed=allowed)
        case "increase":
            allowed = numbers.as_given(100 + record.allowed_percent)
            return say.text("stability.shown_increase", allowed=allowed)
        case "either":
            return say.text("stability.shown", allowed=numbers.as_given(record.allowed_percent))


def _times(context: Context, record: StabilityRecord) -> str:
    first = numbers.as_given(record.first_time)
    if record.times < 2:
        return context.say.text("stability.single_time", first=first, unit=record.time_unit)
    return context.say.text(
        "stability.time_range",
        first=first,
        last=numbers.as_given(record.last_time),
        unit=record.time_unit,
        count=record.times,
    )


def _trend_cells(record: StabilityRecord) -> tuple[str, str, str]:
    trend = record.trend
    if isinstance(trend, NotAssessed):
        return numbers.MISSING, numbers.MISSING, numbers.MISSING
    whole = trend.shown >= record.last_time - record.first_time
    shown = numbers.as_given(trend.shown) if whole else numbers.significant(trend.shown, 2)
    return (
        estimate_text(trend.change_per_time),
        numbers.p_value(trend.test.p),
        numbers.quantity(shown, record.time_unit),
    )


def _sentences(context: Context, item: Item, record: StabilityRecord) -> tuple[Content, ...]:
    trend = record.trend
    if isinstance(trend, NotAssessed):
        return ()
    say, alpha = context.say, context.study.analysis_for(item.cell.analyte).alpha
    found = [_course(context, record, trend, alpha)]
    if trend.curvature is not None and trend.curvature.p < alpha:
        text = t_text(trend.curvature)
        found.append(say("stability.curved", condition=record.condition, test=text))
    return tuple(found)


def _of_batches(context: Context, record: StabilityRecord) -> Content:
    """Whether the batches share a line, and the worst of them where they do not."""
    say, batches = context.say, record.batches
    assert batches is not None
    decision = batches.decision.replace(" ", "_")
    tests = [
        say.text(f"stability.batches.{name}", p=numbers.p_text(test.p))
        for name, test in (("slopes", batches.slopes), ("intercepts", batches.intercepts))
        if test is not None
    ]
    return say(
        f"stability.batches.{decision}",
        condition=record.condition,
        tests="; ".join(tests) or say.text("stability.batches.untested"),
        level=numbers.as_given(batches.level),
        worst=batches.worst or "",
        each="; ".join(f"{one.batch} {estimate_text(one.remaining_percent, '%')}" for one in batches.each),
    )


def _course(context: Context, record: StabilityRecord, trend: StabilityTrendRecord, alpha: float) -> Content:
    say = context.say
    falls = (trend.change_per_time.value or 0.0) < 0
    moves = "none" if trend.test.p >= alpha else "falls" if falls else "rises"
    given = {
        "condition": record.condition,
        "moves": say.text(f"stability.moves.{moves}"),
        "test": t_text(trend.test),
    }
    if trend.time_until_allowed is None:
        return say("stability.trend_never", **given)
    guarded = ""
    if trend.time_until_allowed_guarded is not None:
        guarded = say.text("stability.guarded", time=_duration(record, trend.time_until_allowed_guarded))
    time = _duration(record, trend.time_until_allowed)
    return say("stability.trend", time=time, guarded=guarded, **given)


def _duration(record: StabilityRecord, time: float) -> str:
    return numbers.significant(time, 2, record.time_unit)


def sentences(context: Context, found: Sequence[StabilityRecord]) -> Iterator[Content]:
    """What a manuscript says of it."""
    for record in found:
        if not isinstance(record.remaining_percent, NotAssessed):
            yield context.say(
                "journal.found_stability",
                time=numbers.as_given(record.last_time, record.time_unit),
                condition=record.condition,
                remaining=estimate_text(record.remaining_percent, "%"),
            )


FORMULAS = {
    "stability": (
        r"\theta = \frac{b}{\hat y(t_1)}, \quad \tau = \frac{\delta}{100\,|\theta|}, \quad "
        r"R = 100\,\frac{\bar y_{last}}{\bar y_{first}}\,\%",
        "slope over the fitted start, time until a change of delta percent, and last in percent of first",
        (
            Source("ICH Q1E (2003), Appendix B.1, with the fitted start in place of a label claim", "memory"),
            Source("E. C. Fieller, J. R. Stat. Soc. B 16 (1954) 175", "memory"),
        ),
    ),
}
