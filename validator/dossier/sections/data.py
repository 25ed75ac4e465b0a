"""Appendix: every datum as used, set densely without losing one.

What all runs of a block share is said once under the table, and what a series shares (its day, its operator)
once for the series; runs of one analyte, configuration and sample stand under a heading; short rows go on
beside each other, read from left to right.
"""

from __future__ import annotations

import re
from typing import TYPE_CHECKING

from msgspec import Struct

from validator import numbers
from validator.dossier.document import Block, Column, Paragraph, Row, Section, Table
from validator.dossier.table_layout import SIZES_PT, UPRIGHT_PT, text_width
from validator.dossier.wording import sentence
from validator.study.blocks import result_blocks

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping, Sequence

    from validator.dossier.sections.context import Context
    from validator.study.models.runs import Run

COMMON_FIELDS = {
    "analyte", "configuration", "preparation", "excluded", "note", "signals", "signal", "concentrations",
    "concentration", "found", "values", "result", "order", "preparation_id",
}  # fmt: skip
CIRCUMSTANCES = ("date", "day", "operator", "instrument", "device", "laboratory")
"""Fields that may follow from the series."""
FEW = 4
"""Fewer runs than this are written out in full."""
MOST_PANELS = 4
_NAMES = ("analyte", "configuration")
_WITH_UNIT = {"interferent_level": "interferent_unit", "time": "time_unit"}
"""Fields with a unit of their own, and the field that states it."""
_RESULTS = frozenset(
    {"concentrations", "concentration", "found", "result", "this_method", "reference_method"}
)
"""Readings in the unit of the analyte; what else is in that unit are levels."""
_PADDING_EM = 1.2


class _Entry(Struct, frozen=True):
    """A run as it is printed: its fields, its readings with the line they are written in, why it is out."""

    fields: dict[str, str]
    readings: str
    excluded: str


class _Plan(Struct, frozen=True):
    """Where each field goes: under the table, with its series, in a heading, in a column."""

    shared: dict[str, str]
    of_series: tuple[str, ...]
    heading: tuple[str, ...]
    columns: tuple[str, ...]


def data(context: Context) -> Section | None:
    """A table for every block of data; nothing where there is none."""
    tables = [table for name in result_blocks() if (table := _block(context, name)) is not None]
    if not tables:
        return None
    lead = context.say.text("appendices.data_lead")
    if any(one.kind == "struck" for table in tables for one in table.rows):
        lead = f"{lead} {context.say.text('appendices.data_struck')}"
    blocks: list[Block | Section] = [Paragraph(lead), *tables]
    return Section(
        id="data",
        title=context.say("appendices.data"),
        blocks=tuple(blocks),
        numbering="appendix",
        new_page=True,
    )


def _block(context: Context, name: str) -> Table | None:
    runs: tuple[Run, ...] = getattr(getattr(context.study, name), "runs", ())
    if not runs:
        return None
    one_file = len({_file(run) for run in runs}) == 1
    entries = [_entry(context, run, one_file=one_file) for run in runs]
    plan = _planned(entries)
    has_readings = any(not entry.readings.startswith("[") for entry in entries)
    titles = [_title(context, field) for field in plan.columns]
    titles.append(context.say.text("appendices.readings" if has_readings else "appendices.line"))
    groups: dict[tuple[str, ...], list[_Entry]] = {}
    for entry in entries:
        groups.setdefault(tuple(entry.fields[field] for field in plan.heading), []).append(entry)
    lines = [_cells(plan, entry) for entry in entries]
    panels = _panels([titles, *lines], largest=max(len(members) for members in groups.values()))
    rows: list[Row] = []
    for values, members in groups.items():
        if plan.heading:
            heading = _named(context, plan.heading, values)
            rows.append(Row((heading, *("" for _ in range(panels * len(titles) - 1))), "group"))
        rows.extend(_rows(context, plan, members, panels))
    return Table(
        id=f"data-{name.replace('_', '-')}",
        caption=context.say("appendices.block", name=context.say.text(f"design.block.{name}")),
        columns=tuple(
            Column(title, starts_panel=panel > 0 and position == 0)
            for panel in range(panels)
            for position, title in enumerate(titles)
        ),
        rows=tuple(rows),
        note=" ".join(_notes(context, runs, entries, plan)),
        size="tiny",
    )


# --- one run -----------------------------------------------------------------------------------------


def _file(run: Run) -> str:
    """The file that the run was written in."""
    return run.place.rpartition(" row ")[0] or run.place.rpartition(":")[0]


def _entry(context: Context, run: Run, *, one_file: bool) -> _Entry:
    fields = {"analyte": context.analyte_name(run.analyte)} if context.has_several_analytes else {}
    if context.has_several_configurations:
        fields["configuration"] = context.configuration_name(run.configuration)
    own = (field for field in type(run).model_fields if field not in COMMON_FIELDS)
    fields |= {field: _cell(getattr(run, field), run.written, field) for field in own}
    for field, unit in _WITH_UNIT.items():
        stated = fields.pop(unit, numbers.MISSING)
        if stated != numbers.MISSING:
            fields[field] = f"{fields[field]} {stated}"
    for field in fields:
        if field.endswith("kind"):  # a word of the format, not of the user
            fields[field] = fields[field].replace("_", " ")
    line = f"[{re.split(r'[ :]', run.place)[-1] if one_file else run.place}]"
    return _Entry(fields, f"{_readings(run)} {line}".strip(), run.excluded or "")


def _cell(value: object, written: Mapping[str, Sequence[str]], field: str) -> str:
    texts = written.get(field, ())
    match value:
        case None | "" | ():
            return numbers.MISSING
        case bool():
            return str(value).lower()
        case float() | int():
            return numbers.as_written(value, texts[0] if len(texts) == 1 else "")
        case tuple():
            texts = texts if len(texts) == len(value) else [""] * len(value)
            steps = written.get(f"{field}.signal", ())
            steps = steps if len(steps) == len(value) else [""] * len(value)
            return ", ".join(_item(*both) for both in zip(value, texts, steps, strict=True))
        case _:
            return str(value)


def _item(value: object, text: str, step: str) -> str:
    """One of several values, or one step of a sequence."""
    if hasattr(value, "kind") and hasattr(value, "signal"):
        return f"{value.kind} {numbers.as_written(value.signal, step)}"
    return _cell(value, {"": [text]}, "")


_READINGS = ("signals", "signal", "found", "concentrations", "concentration", "result")


def _readings(run: Run) -> str:
    field = next((one for one in _READINGS if one in run.written), "")
    for name in ("readings", "values"):
        found = getattr(run, name, None)
        if found is not None:
            return _cell(found, run.written, field) if found else ""
    result = getattr(run, "result", None)
    return "" if result is None else _cell(result, run.written, field)


# --- where each field goes ---------------------------------------------------------------------------


def _planned(entries: Sequence[_Entry]) -> _Plan:
    present = [
        field for field in entries[0].fields if any(e.fields[field] != numbers.MISSING for e in entries)
    ]
    varying = [field for field in present if len(entries) < FEW or _distinct(entries, (field,)) > 1]
    shared = {field: entries[0].fields[field] for field in present if field not in varying}
    of_series: tuple[str, ...] = ()
    if "series" in varying and FEW * _distinct(entries, ("series",)) <= len(entries):
        of_series = tuple(
            one for one in CIRCUMSTANCES if one in varying and _follows(entries, one, ("series",))
        )
    left = [field for field in varying if field not in of_series]
    heading = _heading(entries, left)
    return _Plan(shared, of_series, heading, tuple(field for field in left if field not in heading))


def _heading(entries: Sequence[_Entry], fields: Sequence[str]) -> tuple[str, ...]:
    """Names that part the runs into few groups, and what follows from them."""
    chosen: list[str] = []
    for field in fields:
        wordy = field in _NAMES or any(_is_wordy(entry.fields[field]) for entry in entries)
        if field in (*CIRCUMSTANCES, "series") or not wordy:
            continue
        if FEW * _distinct(entries, (*chosen, field)) <= len(entries):
            chosen.append(field)
    if not chosen:
        return ()
    following = (
        field
        for field in fields
        if field not in (*chosen, *CIRCUMSTANCES, "series") and _follows(entries, field, chosen)
    )
    kept = {*chosen, *following}
    return tuple(field for field in fields if field in kept)


def _is_wordy(text: str) -> bool:
    return len(re.findall(r"[^\W\d_]", text)) > 3


def _distinct(entries: Sequence[_Entry], fields: Sequence[str]) -> int:
    return len({tuple(entry.fields[field] for field in fields) for entry in entries})


def _follows(entries: Sequence[_Entry], field: str, others: Sequence[str]) -> bool:
    """True when *field* is the same wherever the *others* are."""
    return _distinct(entries, others) == _distinct(entries, (*others, field))


# --- rows --------------------------------------------------------------------------------------------


def _cells(plan: _Plan, entry: _Entry) -> list[str]:
    return [*(entry.fields[field] for field in plan.columns), entry.readings]


def _panels(lines: Sequence[Sequence[str]], *, largest: int) -> int:
    """How many rows fit side by side, without breaking a cell."""
    widths = [max(text_width(cell) for cell in column) + _PADDING_EM for column in zip(*lines, strict=True)]
    fitting = int(UPRIGHT_PT / SIZES_PT["tiny"] // sum(widths))
    return max(1, min(MOST_PANELS, fitting, largest))


def _rows(context: Context, plan: _Plan, members: Sequence[_Entry], panels: int) -> Iterable[Row]:
    """Rows of a group; what is excluded stands last, each cause under its runs."""
    by_cause: dict[str, list[_Entry]] = {"": []}
    for entry in members:
        by_cause.setdefault(entry.excluded, []).append(entry)
    for cause, entries in by_cause.items():
        for start in range(0, len(entries), panels):
            cells = [cell for entry in entries[start : start + panels] for cell in _cells(plan, entry)]
            cells += [""] * (panels * (len(plan.columns) + 1) - len(cells))
            yield Row(tuple(cells), "struck" if cause else "plain")
        if cause:
            filling = ("",) * (panels * (len(plan.columns) + 1) - 1)
            yield Row((context.say("appendices.cause", cause=cause), *filling), "remark")


# --- what stands under the table ---------------------------------------------------------------------


def _notes(context: Context, runs: Sequence[Run], entries: Sequence[_Entry], plan: _Plan) -> Iterable[str]:
    say = context.say
    files = dict.fromkeys(map(_file, runs))
    yield say.text("appendices.places", file=", ".join(files))
    if units := _units(context, runs):
        yield units
    if plan.shared:
        named = _named(context, tuple(plan.shared), tuple(plan.shared.values()))
        yield say.text("appendices.shared", fields=named)
    if plan.of_series:
        series = {
            entry.fields["series"]: tuple(entry.fields[field] for field in plan.of_series)
            for entry in entries
        }
        told = "; ".join(f"{name}: {', '.join(values)}" for name, values in series.items())
        fields = ", ".join(_title(context, field).lower() for field in plan.of_series)
        yield say.text("appendices.of_series", fields=fields, series=told)
    if any(run.preparation == "repeated_reading" for run in runs):
        yield say.text("appendices.repeated")


def _units(context: Context, runs: Sequence[Run]) -> str:
    """Units of levels, results and signals, of each analyte where they are not the same for all."""
    by_analyte: dict[str, list[Run]] = {}
    for run in runs:
        by_analyte.setdefault(run.analyte, []).append(run)
    told = {analyte: ", ".join(_units_of(context, some)) for analyte, some in by_analyte.items()}
    same = set(told.values())
    if len(same) > 1:
        named = (f"{context.analyte_name(analyte)}: {units}" for analyte, units in told.items() if units)
        return "; ".join(named) + "."
    units = same.pop()
    return f"{sentence(units)}." if units else ""


def _units_of(context: Context, runs: Sequence[Run]) -> Iterable[str]:
    """What the *runs* of one analyte give in which unit."""
    analyte = context.study.analyte(runs[0].analyte)
    kind = type(runs[0])
    in_its_unit = [field for field in (*kind.in_analyte_unit, "result") if _is_given(runs, field)]
    given = {"results" if field in _RESULTS else "levels" for field in in_its_unit}
    if what := "_and_".join(sorted(given)):
        yield context.say.text(f"appendices.unit.{what}", unit=analyte.unit)
    if any(_is_given(runs, field) for field in kind.in_signal_unit):
        plain = analyte.signal_unit in ("", "1")
        yield context.say.text(
            f"appendices.unit.{'plain_signals' if plain else 'signals'}", unit=analyte.signal_unit
        )


def _is_given(runs: Sequence[Run], field: str) -> bool:
    """Whether any of the *runs*, or of the rows that make one, holds the *field*."""
    return any(
        getattr(one, field, None) is not None for run in runs for one in (run, *getattr(run, run.rows_in, ()))
    )


def _title(context: Context, field: str) -> str:
    if field in _NAMES:
        return context.say.text(f"appendices.{field}")
    plain = field.replace("_", " ")
    return context.say.maybe(f"appendices.field.{field}", sentence(plain))


def _named(context: Context, fields: Sequence[str], values: Sequence[str]) -> str:
    """Fields with their values as one phrase; what says itself what it is stands alone."""
    parts = []
    for field, value in zip(fields, values, strict=True):
        if value == numbers.MISSING:
            continue
        alone = field in (*_NAMES, "matrix", "interferent", "sample", "condition")
        parts.append(value if alone else f"{_title(context, field).lower()} {value}")
    return ", ".join(parts) or numbers.MISSING
