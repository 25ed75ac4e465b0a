"""Rows to runs: plain ones cast many at a time, the others with the place of every cell for the models.

Lists are gathered from numbered columns or, where a run stands in several rows, from these.

A row is plain where its cells are numbers in the usual spelling, labels, and words that the model knows.
Plain rows that fill the same columns with numbers of the same signs and with the same words make the same run
but for these numbers and labels. So the first row of each such pattern goes the long way, through the model
and all its checks; the run that comes out is the pattern's mould, and the rows that follow are cast from it:
a table of a million rows is read in seconds. A row whose pattern the model refuses goes the long way, on
which problems get their words.

For this, what a model of a run demands of a number may depend on its sign and size only, and what it demands
of several fields together on which of them are filled; a test holds both ways against each other.
"""

from __future__ import annotations

import re
from itertools import islice, zip_longest
from typing import TYPE_CHECKING

from msgspec import Struct
from pydantic import ValidationError

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
from validator.study.conversion import same_unit
from validator.study.files import Unusable
from validator.study.keys import kind_of
from validator.study.models.base import LARGEST, SMALLEST
from validator.study.places import (
    Entry,
    Leaf,
    Listing,
    Node,
    Place,
    Scalar,
    Table,
    plain,
    resolve_cell,
    text_of,
)
from validator.study.problems import Problems

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence

    from validator.study.files import Row, Sheet
    from validator.study.keys import Kind
    from validator.study.models.runs import Run

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
            f"the column names appear to be in row {likeliest.number}; delete the rows above it, "
            "or begin each of them with #",
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
            f"this row contains units; move them to the header ({', '.join(sorted(units))}) and "
            "delete the row",
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


Code = int | str | None
"""What a pattern keeps of a cell: the sign of its number, that it holds a text, or the word itself."""

MOST_PATTERNS = 20_000
_UNUSUAL = "\0"
_HOLDS_TEXT = 1
_NUMBER = re.compile(r"[-+]?(?:(?:0|[1-9][0-9]*)(?:\.[0-9]*)?|\.[0-9]+)(?:[eE][-+]?[0-9]+)?")
_WHOLE = re.compile(r"0|[1-9][0-9]{0,11}")


class _Mould(Struct, frozen=True):
    """What the runs of one pattern share, and from which columns of a row the rest is filled."""

    state: dict[str, object]
    fields: dict[str, object]
    singles: Sequence[tuple[str, int]]
    lists: Sequence[tuple[str, Sequence[int]]]


class _Reader:
    """Reads rows and keeps in mind what the table as a whole is asked for."""

    def __init__(
        self, columns: Sequence[Column], table: TableBlock, through: Callable[[Table], Table | None]
    ) -> None:
        self._columns = columns
        # ids are looked up: an unknown one is a problem
        self._kinds: list[Kind] = [
            "word" if one.field in ("analyte", "configuration") else kind_of(table.info(one.field))
            for one in columns
        ]
        self._table = table
        self._through = through
        self._moulds: dict[tuple[Code, ...], _Mould | None] = {}
        self._named: set[str] = set()
        self.has_repeated_readings = False
        self.unusual = 0

    @property
    def analytes(self) -> set[str]:
        """Ids of the analytes that the rows name or leave to the block."""
        return self._named or ({self._table.analyte} if self._table.analyte else set())

    def runs(self, rows: Sequence[Row]) -> Iterator[Run | Table]:
        """A finished run for every plain row, what was written for every other."""
        if self._table.run.gathers_rows or not self._columns:
            yield from map(self._written, rows)
            return
        by_column = [*zip_longest(*[row.cells for row in rows], fillvalue="")]
        read = [
            _read(kind, by_column[one.index] if one.index < len(by_column) else [""] * len(rows), self._table)
            for kind, one in zip(self._kinds, self._columns, strict=True)
        ]
        patterns = zip(*(codes for codes, _ in read), strict=True)
        values = zip(*(values for _, values in read), strict=True)
        model, start = self._table.run, f"{self._table.file} row "
        make = model.__new__
        for row, pattern, filled in zip(rows, patterns, values, strict=True):
            mould = self._moulds[pattern] if pattern in self._moulds else self._mould(pattern, row)
            if mould is None:
                yield self._written(row)
                continue
            fields = mould.fields.copy()
            for field, index in mould.singles:
                fields[field] = filled[index]
            for field, indices in mould.lists:
                fields[field] = tuple([filled[index] for index in indices])
            mould.state["__dict__"], mould.state["place"] = fields, f"{start}{row.number}"
            run = make(model)
            run.__setstate__(mould.state)  # as if it came back from a worker: a copy takes twice the room
            yield run

    def _written(self, row: Row) -> Table:
        self.unusual += 1
        run = _run(row, self._columns, self._table)
        self._note(run.text("analyte") or self._table.analyte, run.text("preparation"))
        return run

    def _note(self, analyte: str | None, preparation: str | None) -> None:
        self._named |= {analyte} if analyte else set()
        self.has_repeated_readings |= preparation == "repeated_reading"

    def _mould(self, pattern: tuple[Code, ...], first: Row) -> _Mould | None:
        if len(self._moulds) >= MOST_PATTERNS:
            return None
        self._moulds[pattern] = made = None if _UNUSUAL in pattern else self._made(pattern, first)
        return made

    def _made(self, pattern: tuple[Code, ...], first: Row) -> _Mould | None:
        table = self._through(_run(first, self._columns, self._table))
        if table is None:
            return None
        try:
            run = self._table.run.model_validate(plain(table))
        except ValidationError:
            return None
        self._note(run.analyte, run.preparation)
        singles: list[tuple[str, int]] = []
        lists: dict[str, list[int]] = {}
        for index, (column, kind, code) in enumerate(zip(self._columns, self._kinds, pattern, strict=True)):
            if kind == "word" or code is None:
                continue
            if column.holds_list:
                lists.setdefault(column.field, []).append(index)
            else:
                singles.append((column.field, index))
        return _Mould(run.__getstate__(), dict(run), singles, list(lists.items()))


def _read(
    kind: Kind, cells: Sequence[str], table: TableBlock
) -> tuple[Iterable[Code], Iterable[str | float | None]]:
    """Codes and values of the *cells* of one column; equal cells are read once and share their value."""
    read = {cell: _CELLS[kind](cell, table.decimal) if cell else (None, None) for cell in set(cells)}
    codes, values = zip(*map(read.__getitem__, cells), strict=True)
    return codes, values


def _text(cell: str, _decimal: str) -> tuple[Code, str]:
    return _HOLDS_TEXT if cell.isprintable() and not cell.startswith("<") else _UNUSUAL, cell


def _whole(cell: str, _decimal: str) -> tuple[Code, int | None]:
    return (min(int(cell), 1), int(cell)) if _WHOLE.fullmatch(cell) else (_UNUSUAL, None)


def _number(cell: str, decimal: str) -> tuple[Code, float | None]:
    if decimal == ",":
        cell = _UNUSUAL if "." in cell else cell.replace(",", ".")  # a point might separate thousands
    if not _NUMBER.fullmatch(cell):
        return _UNUSUAL, None
    value = float(cell)
    if value and not SMALLEST <= abs(value) <= LARGEST:
        return _UNUSUAL, None
    return (value > 0) - (value < 0), value


_CELLS: Mapping[Kind, Callable[[str, str], tuple[Code, str | float | None]]] = {
    "number": _number,
    "whole": _whole,
    "text": _text,
    "word": lambda cell, _decimal: (cell, cell),
}
"""Code and value of a cell, by what its field holds."""


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
