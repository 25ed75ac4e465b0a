"""Rows to runs: every cell with its place, lists gathered from numbered columns or from several rows."""

from __future__ import annotations

from typing import TYPE_CHECKING

from validator.study.columns import Column, TableBlock, check_preparations, check_units, columns_of
from validator.study.places import Entry, Leaf, Listing, Node, Place, Table, text_of
from validator.study.scalars import resolve_cell

if TYPE_CHECKING:
    from collections.abc import Sequence

    from validator.study.problems import Problems
    from validator.study.tables import Row, Sheet


def runs_of(sheet: Sheet, table: TableBlock, problems: Problems) -> tuple[Listing, bool]:
    """The runs in *sheet*, and whether every column that they need is there."""
    columns, complete = columns_of(sheet, table, problems)
    rows = [_run(row, columns, table) for row in sheet.rows]
    analytes = {row.text("analyte") or table.analyte for row in rows} or {table.analyte}
    check_units(columns, sorted(analyte for analyte in analytes if analyte), table, problems)
    place = Place(table.file, sheet.header.number, in_table=True)
    if any((row.text("preparation") or table.preparation) == "repeated_reading" for row in rows):
        check_preparations(columns, table, place, problems)
    return Listing(place, _gathered(rows, table) if table.run.gathers_rows else rows), complete


def _run(row: Row, columns: Sequence[Column], table: TableBlock) -> Table:
    place = Place(table.file, row.number, in_table=True)
    entries: dict[str, Entry] = {}
    lists: dict[str, list[Node]] = {}
    for column in columns:
        cell = row.cells[column.index] if column.index < len(row.cells) else ""
        value = resolve_cell(cell, table.decimal)
        if value is None:
            continue
        leaf = Leaf(Place(table.file, row.number, column.header, in_table=True), value)
        if column.holds_list:
            lists.setdefault(column.field, []).append(leaf)
        else:
            entries[column.field] = Entry(leaf.place, leaf)
        if column.field == "time" and column.unit:
            entries.setdefault("time_unit", Entry(leaf.place, Leaf(leaf.place, column.unit)))
    entries |= {field: Entry(place, Listing(place, leaves)) for field, leaves in lists.items()}
    return Table(place, entries)


def _gathered(rows: Sequence[Table], table: TableBlock) -> list[Table]:
    """One run from all rows that agree in everything that does not vary within a run."""
    groups: dict[tuple[tuple[str, str | None], ...], list[Table]] = {}
    for row in rows:
        fixed = [name for name in row.entries if not table.varies(name)]
        key = tuple((name, text_of(row.entries[name].node)) for name in fixed)
        groups.setdefault(key, []).append(row)
    return [_merged(group, table) for group in groups.values()]


def _merged(group: Sequence[Table], table: TableBlock) -> Table:
    place = group[0].place
    entries = {name: entry for name, entry in group[0].entries.items() if not table.varies(name)}
    varying = [{name: row.entries[name] for name in row.entries if table.varies(name)} for row in group]
    if table.run.one_row is not None:
        steps = [Table(row.place, parts) for row, parts in zip(group, varying, strict=True)]
        entries[table.run.rows_in] = Entry(place, Listing(place, steps))
        return Table(place, entries)
    for name in dict.fromkeys(name for parts in varying for name in parts):
        listings = [parts[name].node for parts in varying if name in parts]
        items = [item for listing in listings if isinstance(listing, Listing) for item in listing.items]
        entries[name] = Entry(place, Listing(place, items))
    return Table(place, entries)
