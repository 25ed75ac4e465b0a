"""Rows to runs: plain ones cast many at a time, the others with the place of every cell for the models.

Lists are gathered from numbered columns or, where a run stands in several rows, from these.
"""

from __future__ import annotations

import re
from itertools import islice
from typing import TYPE_CHECKING

from validator.study.columns import (
    Column,
    TableBlock,
    check_ignored,
    check_preparations,
    check_units,
    column_at,
    columns_of,
    expected_units,
    normal_header,
    place_of_header,
)
from validator.study.files import Unusable
from validator.study.keys import kind_of
from validator.study.places import Entry, Leaf, Listing, Node, Place, Table, text_of
from validator.study.plain_rows import PlainRows
from validator.study.problems import Problems
from validator.study.scalars import Scalar, resolve_cell
from validator.study.tables import Row
from validator.study.units import same_unit

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, Sequence

    from validator.study.columns import Column, TableBlock
    from validator.study.models.runs import Run
    from validator.study.tables import Sheet

_OTHER_SEPARATORS = re.compile(r"[|\s]+")


def check_header(sheet: Sheet, columns: Sequence[Column], table: TableBlock) -> None:
    """Refuse a table that begins with something else than its header, where that can be told.

    Raises:
        Unusable: the columns are named further down, or the cells are separated by other signs.
    """
    header = sheet.header
    filled = [cell for cell in header.cells if cell]
    if len(columns) == len(filled):
        return
    below = [row for row in sheet.beginning if row.number > header.number]
    likeliest = max(below, key=lambda row: _understood(row.cells, table), default=header)
    known = _understood(likeliest.cells, table)
    if known > len(columns) and 2 * known >= sum(map(bool, likeliest.cells)):
        raise Unusable(
            (
                f"the column names appear to be in row {likeliest.number}; delete the rows above it, "
                "or begin each of them with #"
            ),
            header.number,
        )
    if len(filled) == 1 and not columns:
        parts = [part for part in _OTHER_SEPARATORS.split(filled[0]) if part]
        if len(parts) > 1 and _understood(parts, table) == len(parts):
            raise Unusable(
                "the cells are not separated by commas, semicolons or tabs; save the table with one of these",
                header.number,
            )


def _understood(cells: Sequence[str], table: TableBlock) -> int:
    """How many of the *cells* could be headers of the table."""
    found = (column_at(index, Place(table.file, 0, cell), table) for index, cell in enumerate(cells) if cell)
    return sum(column is not None for column in found)


def check_no_units(row: Row, columns: Sequence[Column], table: TableBlock) -> None:
    """Refuse a first row that holds the units of the columns.

    Raises:
        Unusable: it does; the message says how headers carry them.
    """
    units = set()
    for column in columns:
        cell = row.cells[column.index] if column.index < len(row.cells) else ""
        bare = cell.strip("()[]")
        if kind_of(table.info(column.field)) != "number" or not bare:
            continue
        if isinstance(resolve_cell(cell, table.decimal), Scalar):
            return
        if any(
            same_unit(bare, expected)
            for one in table.units.values()
            for expected in expected_units(column, one, table.run)
        ):
            units.add(f"{normal_header(column.header)} ({bare})")
    if units:
        raise Unusable(
            (
                f"this row contains units; move them to the header ({', '.join(sorted(units))}) and "
                "delete the row"
            ),
            row.number,
        )


CELLS_AT_ONCE = 160_000
MOST_UNUSUAL = 50_000
"""Rows that are not plain, each with the place of every cell, take a hundred times the room of others."""


def runs_of(
    sheet: Sheet, table: TableBlock, through: Callable[[Table], Table | None], problems: Problems
) -> tuple[Listing, bool]:
    """The runs in *sheet*, and whether every column that they need is there.

    ``through`` fills what a run does not say itself; it returns None where that is not possible.

    Raises:
        Unusable: a row cannot be read.
    """
    found = Problems()  # kept apart: a row that cannot be read is told alone
    columns, complete = columns_of(sheet.header, table, found)
    check_header(sheet, columns, table)
    check_ignored(sheet.header, table, found)
    reader = _Reader(columns, table, through)
    items: list[Run | Table] = []
    rows, at_once = iter(sheet.rows), max(1, CELLS_AT_ONCE // len(sheet.header.cells))
    while chunk := list(islice(rows, at_once)):
        if not items:
            check_no_units(chunk[0], columns, table)
        _check_headless(chunk, sheet.header, table, found)
        items.extend(reader.runs(chunk))
        if reader.unusual > MOST_UNUSUAL:
            if complete and not found:
                message = f"more than {MOST_UNUSUAL} rows contain values other than numbers and labels"
                found.add(Place(table.file, chunk[-1].number, in_table=True), (table.block,), message)
            break
    check_units(columns, sorted(reader.analytes), table, found)
    place = Place(table.file, sheet.header.number, in_table=True)
    if reader.has_repeated_readings or table.preparation == "repeated_reading":
        check_preparations(columns, table, place, found)
    problems.take(found)
    gathered = _gathered([item for item in items if isinstance(item, Table)], table)
    return Listing(place, gathered if table.run.gathers_rows else items), complete


class _Reader:
    """Reads rows and keeps in mind what the table as a whole is asked for."""

    def __init__(
        self, columns: Sequence[Column], table: TableBlock, through: Callable[[Table], Table | None]
    ) -> None:
        self._columns = columns
        self._table = table
        self._plain = PlainRows(columns, table, lambda row: through(_run(row, columns, table)))
        self._analytes: set[str] = set()
        self._has_repeated_readings = False
        self.unusual = 0

    @property
    def analytes(self) -> set[str]:
        """Ids of the analytes that the rows name or leave to the block."""
        default = {self._table.analyte} if self._table.analyte else set()
        return (self._analytes | self._plain.analytes) or default

    @property
    def has_repeated_readings(self) -> bool:
        """A row says that its readings are repeated ones."""
        return self._has_repeated_readings or self._plain.has_repeated_readings

    def runs(self, rows: Sequence[Row]) -> Iterator[Run | Table]:
        """A finished run for every plain row, what was written for every other."""
        for item in rows if self._table.run.gathers_rows else self._plain.cast(rows):
            yield self._unusual(item) if isinstance(item, Row) else item

    def _unusual(self, row: Row) -> Table:
        self.unusual += 1
        run = _run(row, self._columns, self._table)
        analyte = run.text("analyte") or self._table.analyte
        if analyte:
            self._analytes.add(analyte)
        self._has_repeated_readings |= run.text("preparation") == "repeated_reading"
        return run


def _check_headless(rows: Sequence[Row], header: Row, table: TableBlock, problems: Problems) -> None:
    for index, name in enumerate(header.cells):
        if not name and any(any(row.cells[index : index + 1]) for row in rows):
            place = place_of_header(header, index, table)
            problems.add(place, (table.block,), "the column has values but no header")


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
