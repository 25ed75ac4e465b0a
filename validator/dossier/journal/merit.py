"""Figures of merit: a table for each analyte with a column for each configuration."""

from __future__ import annotations

from typing import TYPE_CHECKING

from validator import numbers
from validator.dossier.document import Column, Row, Table
from validator.dossier.journal.methods import listed
from validator.dossier.sections.context import (
    Context,
    Item,
    estimate_text,
    percent_level,
    residual_text,
    slope_unit,
)
from validator.dossier.sections.summary import limits_are_claimed
from validator.evaluation.results import CalibrationRecord, EstimateRecord, NotAssessed, value_of
from validator.statistics.detection import VARIANTS, resolve_detection, resolve_quantification

if TYPE_CHECKING:
    from collections.abc import Callable, Container, Iterable, Sequence

    from validator.evaluation.results import DeclaredLimit

MOST_COLUMNS = 4
_SPANS = ("repeatability", "intermediate", "reproducibility", "recovery")
_LIMITS = {"detection_limit": resolve_detection, "quantification_limit": resolve_quantification}


def merit_tables(context: Context) -> tuple[Table, ...]:
    """Tables of items with the same units, at most :data:`MOST_COLUMNS` of them to a table."""
    groups: dict[tuple[str, ...], list[Item]] = {}
    for item in context.items():
        if not _is_empty(item):
            groups.setdefault(_group(context, item), []).append(item)
    return tuple(
        _table(context, items[start : start + MOST_COLUMNS])
        for items in groups.values()
        for start in range(0, len(items), MOST_COLUMNS)
    )


def _group(context: Context, item: Item) -> tuple[str, ...]:
    units = (item.analyte.unit, item.analyte.signal_unit)
    return (item.cell.analyte, *units) if context.has_several_configurations else units


def _is_empty(item: Item) -> bool:
    parts = ("calibration", "precision", "recovery", "detection")
    return all(isinstance(getattr(item.configuration, part), NotAssessed) for part in parts)


def _table(context: Context, items: Sequence[Item]) -> Table:
    say, first = context.say, items[0]
    unit, signal = first.analyte.unit, first.analyte.signal_unit
    rows = {
        "points": ("", _of_line(_points)),
        "slope": (slope_unit(first), _of_line(lambda one: estimate_text(one.slope))),
        "intercept": (signal, _of_line(lambda one: estimate_text(one.intercept))),
        "residual": (signal, _of_line(_residual)),
        "correlation": ("", _of_line(lambda one: numbers.correlation(one.correlation))),
        "range": (unit, _of_line(_range)),
        "detection_limit": (unit, _limit(context, "detection_limit")),
        "quantification_limit": (unit, _limit(context, "quantification_limit")),
        "repeatability": ("%", _spread("repeatability_rsd")),
        "intermediate": ("%", _spread("intermediate_rsd")),
        "reproducibility": ("%", _spread("reproducibility_rsd")),
        "recovery": ("%", _recovery),
    }
    shown = {
        key: _row(context, key, row_unit, items, text)
        for key, (row_unit, text) in rows.items()
        if any(text(item) != numbers.MISSING for item in items)
    }
    analytes = list(dict.fromkeys(item.analyte.name for item in items))
    return Table(
        id=first.id("journal-merit"),
        caption=say("journal.merit", name=listed(context, analytes)),
        columns=(
            Column(say.text("journal.figure")),
            Column(say.text("journal.unit")),
            *(Column(_heading(context, item, items), align="decimal") for item in items),
        ),
        rows=tuple(shown.values()),
        note=_note(context, items, shown),
    )


def _heading(context: Context, item: Item, items: Sequence[Item]) -> str:
    several = len({one.cell.analyte for one in items}) > 1
    configuration = context.configuration_name(item.cell.configuration)
    return item.analyte.name if several or not configuration else configuration


def _row(context: Context, key: str, unit: str, items: Iterable[Item], text: Callable[[Item], str]) -> Row:
    shown = "" if unit == "1" else unit
    return Row((context.say(f"journal.row.{key}"), shown, *(text(item) for item in items)))


def _note(context: Context, items: Sequence[Item], keys: Container[str]) -> str:
    """Level of the intervals, what spans are over, and by which variants the limits of this table are."""
    say = context.say
    sentences = [say.text("journal.merit_note", level=percent_level(items[0].record.confidence))]
    if any(key in keys for key in _SPANS):
        sentences.append(say.text("journal.merit_span"))
    for limit, resolver in _LIMITS.items():
        titles = dict.fromkeys(
            VARIANTS[resolver(found.variant).id].title
            for item in items
            if (found := _claimed(context, item, limit)) is not None
        )
        if titles:
            name = say.text(f"journal.row.{limit}")
            sentences.append(say.text("journal.merit_variant", limit=name, title="; ".join(titles)))
    return " ".join(sentences)


# --- cells ---------------------------------------------------------------------------------------------


def _of_line(text: Callable[[CalibrationRecord], str]) -> Callable[[Item], str]:
    def cell(item: Item) -> str:
        record = item.configuration.calibration
        return numbers.MISSING if isinstance(record, NotAssessed) else text(record)

    return cell


def _points(record: CalibrationRecord) -> str:
    return numbers.counts(record.n, record.levels)


def _residual(record: CalibrationRecord) -> str:
    return residual_text(record)


def _range(record: CalibrationRecord) -> str:
    found = record.linear_range
    if isinstance(found, NotAssessed):
        return numbers.MISSING
    return numbers.span(found.lower, found.upper)


def _limit(context: Context, name: str) -> Callable[[Item], str]:
    def cell(item: Item) -> str:
        found = _claimed(context, item, name)
        return numbers.MISSING if found is None else numbers.limit_and_interval(found.value, found.ci)

    return cell


def _claimed(context: Context, item: Item, name: str) -> DeclaredLimit | None:
    record = item.configuration.detection
    if isinstance(record, NotAssessed) or not limits_are_claimed(context, item):
        return None
    limit: DeclaredLimit | NotAssessed = getattr(record, name)
    return None if isinstance(limit, NotAssessed) else limit


def _spread(field: str) -> Callable[[Item], str]:
    def cell(item: Item) -> str:
        records = item.configuration.precision
        figures = [] if isinstance(records, NotAssessed) else [getattr(one, field) for one in records]
        return numbers.smallest_to_largest(_values(figures), 2)

    return cell


def _recovery(item: Item) -> str:
    records = item.configuration.recovery
    figures = [] if isinstance(records, NotAssessed) else [one.mean_recovery for one in records]
    return numbers.smallest_to_largest(_values(figures), 3, same_place=True)


def _values(figures: Iterable[EstimateRecord | NotAssessed | None]) -> list[float]:
    return [value for one in figures if (value := value_of(one)) is not None]
