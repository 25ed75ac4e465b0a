"""Many analytes at a glance: a row for each, with what the method is said to do and whether it does."""

from __future__ import annotations

from typing import TYPE_CHECKING

from validator.dossier import numbers
from validator.dossier.document import Column, Paragraph, Row, Section, Table
from validator.dossier.inline import Outcome, Reference
from validator.dossier.sections.judging import WORST_FIRST
from validator.dossier.sections.summary import deciding, limit_value, limits_are_claimed, variants_of
from validator.evaluation.results import NotAssessed, value_of

if TYPE_CHECKING:
    from collections.abc import Callable

    from validator.dossier.document import Alignment
    from validator.dossier.inline import Content
    from validator.dossier.sections.context import Context, Item
    from validator.evaluation.results import PrecisionRecord


def overview(context: Context) -> Section:
    """The matrix of all analytes, each linked to its own section."""
    say, items = context.say, list(context.validated_items())
    units = {item.analyte.unit for item in items}
    unit = units.pop() if len(units) == 1 else ""
    shown: list[tuple[Column, list[Content]]] = [
        (Column(say.text("overview.analyte")), [Reference(section_id(item), item.name) for item in items])
    ]
    if not unit:
        shown.append((Column(say.text("overview.unit")), [item.analyte.unit for item in items]))
    for name, cell, column_unit, align in _CELLS:
        cells: list[Content] = [cell(context, item) for item in items]
        if any(one != numbers.MISSING for one in cells):
            head = unit if column_unit == "level" else column_unit
            shown.append((Column(say.text(f"overview.{name}"), unit=head, align=align), cells))
    shown.append((Column(say.text("overview.outcome")), [_outcome(context, item) for item in items]))
    table = Table(
        id="all-analytes",
        caption=say("overview.caption", count=str(len(items))),
        columns=tuple(column for column, _ in shown),
        rows=tuple(Row(cells) for cells in zip(*(cells for _, cells in shown), strict=True)),
        note=say("overview.note"),
        size="small",
    )
    return Section(
        id="overview",
        title=say("overview.title"),
        blocks=(Paragraph(say("overview.lead"), role="lead"), table),
        new_page=True,
    )


def section_id(item: Item) -> str:
    """The id of the compact section of an analyte."""
    return item.id("analyte")


def _range(_: Context, item: Item) -> str:
    calibration = item.configuration.calibration
    if isinstance(calibration, NotAssessed):
        return numbers.MISSING
    span = calibration.working_range
    return f"{numbers.as_given(span.lower)} {numbers.TO} {numbers.as_given(span.upper)}"


def _limit(context: Context, item: Item, which: str) -> str:
    detection = item.configuration.detection
    if isinstance(detection, NotAssessed) or not limits_are_claimed(context, item):
        return numbers.MISSING
    return limit_value(getattr(detection, which))


def _variants(context: Context, item: Item) -> str:
    detection = item.configuration.detection
    if isinstance(detection, NotAssessed) or not limits_are_claimed(context, item):
        return numbers.MISSING
    return variants_of(detection.detection_limit, detection.quantification_limit)


def _largest(item: Item, figure: Callable[[PrecisionRecord], object]) -> str:
    """The largest of the levels."""
    records = item.configuration.precision
    found = [] if isinstance(records, NotAssessed) else [value_of(figure(record)) for record in records]
    return numbers.significant(max((one for one in found if one is not None), default=None), 2)


def _recovery(_: Context, item: Item) -> str:
    records = item.configuration.recovery
    means = [] if isinstance(records, NotAssessed) else [value_of(record.mean_recovery) for record in records]
    known = sorted(one for one in means if one is not None)
    if not known:
        return numbers.MISSING
    ends = [numbers.significant(one) for one in (known[0], known[-1])]
    return ends[0] if ends[0] == ends[1] else f"{ends[0]} {numbers.TO} {ends[1]}"


def _uncertainty(_: Context, item: Item) -> str:
    record = item.configuration.uncertainty
    levels = () if isinstance(record, NotAssessed) else record.levels
    found = (one.budget.expanded_percent for one in levels)
    return numbers.significant(max((one for one in found if one is not None), default=None), 2)


def _lack_of_fit(_: Context, item: Item) -> str:
    calibration = item.configuration.calibration
    if isinstance(calibration, NotAssessed) or isinstance(calibration.lack_of_fit, NotAssessed):
        return numbers.MISSING
    return numbers.p_value(calibration.lack_of_fit.p)


def _outcome(context: Context, item: Item) -> Content:
    """The worst of what decides on this analyte."""
    found = {
        one.outcome
        for one in deciding(context)
        if one.analyte == item.cell.analyte and one.configuration in (None, item.cell.configuration)
    }
    worst = next((one for one in WORST_FIRST if one in found), None)
    return Outcome(worst) if worst else numbers.MISSING


_CELLS: tuple[tuple[str, Callable[[Context, Item], str], str, Alignment], ...] = (
    ("range", _range, "level", "text"),
    ("lack_of_fit", _lack_of_fit, "", "decimal"),
    ("detection", lambda context, item: _limit(context, item, "detection_limit"), "level", "decimal"),
    (
        "quantification",
        lambda context, item: _limit(context, item, "quantification_limit"),
        "level",
        "decimal",
    ),
    ("repeatability", lambda _, item: _largest(item, lambda one: one.repeatability_rsd), "%", "decimal"),
    ("intermediate", lambda _, item: _largest(item, lambda one: one.intermediate_rsd), "%", "decimal"),
    ("reproducibility", lambda _, item: _largest(item, lambda one: one.reproducibility_rsd), "%", "decimal"),
    ("recovery", _recovery, "%", "text"),
    ("uncertainty", _uncertainty, "%", "decimal"),
    ("variant", _variants, "", "text"),
)
