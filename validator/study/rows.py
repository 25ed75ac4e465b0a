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
from itertools import chain, islice, zip_longest
from typing import TYPE_CHECKING, Any

from msgspec import Struct
from msgspec.structs import replace
from pydantic import ValidationError

from validator.study.columns import (
    Column,
    TableBlock,
    check_ignored,
    check_preparations,
    column_at,
    columns_of,
    expected_units,
    place_of_header,
    scale_of,
)
from validator.study.conversion import tidy
from validator.study.files import Remark, Unusable
from validator.study.headings import Doubt, canonical, same_unit
from validator.study.keys import kind_of
from validator.study.models.base import LARGEST, LESS_THAN, SMALLEST, few, is_of_all
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

    from validator.study.columns import Scale
    from validator.study.files import Row, Sheet, Tally
    from validator.study.keys import Kind
    from validator.study.models.runs import Run


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
            f"the column names appear to be in row {likeliest.number}; "
            f"declare header_row: {likeliest.number} beside file in the study",
            header.number,
        )


def _understood(cells: Sequence[str], table: TableBlock) -> int:
    """How many of the *cells* could be headers of the table."""
    found = (column_at(index, Place(table.file, 0, cell), table) for index, cell in enumerate(cells) if cell)
    return sum(column is not None for column in found)


def _with_units(row: Row, columns: Sequence[Column], table: TableBlock) -> list[Column] | None:
    """The *columns* with the units in *row*, where the first row below the header holds these and no data."""
    found = []
    is_of_units = False
    for column in columns:
        cell = row.cells[column.index] if column.index < len(row.cells) else ""
        bare = cell.strip("()[] ")
        if kind_of(table.info(column.field)) == "number" and bare:
            if isinstance(resolve_cell(cell, table.decimal), Scalar):
                return None
            expected = [
                unit for one in table.units.values() for unit in expected_units(column, one, table.run)
            ]
            if canonical(bare) or any(same_unit(bare, unit) for unit in expected):
                is_of_units, column = True, replace(column, said=f"{column.header} ({bare})")
        found.append(column)
    return found if is_of_units else None


CELLS_AT_ONCE = 160_000
MOST_KEPT = 20_000
"""Runs whose digits are kept as they were written: more are not printed."""
MOST_UNUSUAL = 50_000
"""Rows that are not plain, each with the place of every cell, take a hundred times the room of others."""


class Found(Struct, frozen=True):
    """What a table holds: its runs, whether every column that they need is there, and what was done to it."""

    runs: Listing
    is_complete: bool
    remarks: Sequence[Remark] = ()


def runs_of(
    sheet: Sheet, table: TableBlock, through: Callable[[Table], Table | None], problems: Problems
) -> Found:
    """The runs in *sheet*.

    ``through`` fills what a run does not say itself; it returns None where that is not possible.

    Raises:
        Unusable: a row cannot be read.
    """
    found = Problems()  # kept apart: a row that cannot be read is told alone
    columns, complete = columns_of(sheet.header, table, found)
    check_header(sheet, columns, table)
    check_ignored(sheet.header, table, found)
    rows, at_once = iter(sheet.rows), max(1, CELLS_AT_ONCE // len(sheet.header.cells))
    first = next(rows, None)
    if first is not None and (with_units := _with_units(first, columns, table)):
        columns, first = with_units, None
        sheet.tally.headers.append(sheet.header.number + 1)
        sheet.tally.read -= 1
    rows = chain([first] if first else [], rows)
    if table.only_filled:
        rows = _filled(rows, columns, table, sheet.tally)
    reader = _Reader(columns, table, through, found)
    items: list[Run | Table] = []
    while chunk := list(islice(rows, at_once)):
        _check_headless(chunk, sheet.header, table, found)
        items.extend(reader.runs(chunk))
        if reader.unusual > MOST_UNUSUAL:
            if complete and not found:
                message = f"more than {MOST_UNUSUAL} rows contain values other than numbers and labels"
                found.add(Place(table.file, chunk[-1].number, in_table=True), (table.block,), message)
            break
    if not items:
        reader.scales(None)
    place = Place(table.file, sheet.header.number, in_table=True)
    if reader.has_repeated_readings or table.preparation == "repeated_reading":
        check_preparations(columns, table, place, found)
    for number, index, error in sheet.tally.flawed:
        where = Place(table.file, number, sheet.header.cells[index], in_table=True)
        message = f"the cell holds the error {error}; correct it, or name the row in ignored_rows"
        found.add(where, (table.block,), message)
    _check_left_out(sheet.tally, columns, table, found)
    problems.take(found)
    gathered = _gathered([item for item in items if isinstance(item, Table)], table)
    runs = Listing(place, gathered if table.run.gathers_rows else items)
    remarks = [*(reader.conversions() if items else ()), *_skipped(sheet.tally, table.label)]
    if beyond := [row.number for row in sheet.tally.outside if _is_like_a_run(row, columns, table)]:
        text = f"{table.label}: rows like those read stand outside the rows named ({few(beyond)})"
        remarks.append(Remark(text))
    return Found(runs, complete, remarks)


def _filled(rows: Iterator[Row], columns: Sequence[Column], table: TableBlock, tally: Tally) -> Iterator[Row]:
    """Of columns that stand side by side for different things, the rows that say something of this one."""
    at = [column.index for column in columns if column.field == table.only_filled]
    for row in rows:
        if not any(row.cells[index] for index in at if index < len(row.cells)):
            tally.empty += 1
            tally.read -= 1
        else:
            yield row


def _check_left_out(tally: Tally, columns: Sequence[Column], table: TableBlock, problems: Problems) -> None:
    """Refuse to ignore rows that hold runs: what is excluded has a cause, and its effect is shown."""
    for row in tally.ignored:
        first = next(filter(None, row.cells))
        if _is_like_a_run(row, columns, table) and not is_of_all(first):
            place = Place(table.file, row.number, in_table=True)
            message = (
                "ignored_rows names this row, which holds data as the others do; to exclude it, "
                "state the cause "
                "(column excluded)"
            )
            problems.add(place, (table.block, "ignored_rows"), message)


def _is_like_a_run(row: Row, columns: Sequence[Column], table: TableBlock) -> bool:
    """True where numbers stand in every column of numbers that is not optional, and in one of readings."""
    numeric = [column for column in columns if kind_of(table.info(column.field)) == "number"]
    cells = [row.cells[column.index] if column.index < len(row.cells) else "" for column in numeric]
    values = [resolve_cell(cell, table.decimal) for cell in cells]
    needed = [
        isinstance(value, Scalar)
        for value, column in zip(values, numeric, strict=True)
        if table.is_required(column.field)
    ]
    filled = [value for value in values if value is not None]
    return bool(filled) and all(needed) and all(isinstance(value, Scalar) for value in filled)


def _skipped(tally: Tally, label: str) -> Iterator[Remark]:
    """What was not read, and why."""
    parts = [
        (tally.above, "above the data"),
        (tally.empty, "without a value in these columns"),
        (tally.comments, "that begin with # and hold nothing else"),
        (len(tally.ignored), f"named in ignored_rows ({few(row.number for row in tally.ignored)})"),
        (len(tally.outside), f"outside the rows named ({few(row.number for row in tally.outside)})"),
        (len(tally.headers), f"that repeat the headers or hold their units ({few(tally.headers)})"),
    ]
    said = [f"{count} {what}" for count, what in parts if count]
    if said:
        text = f"{label}: {tally.read} rows read; rows not read: {', '.join(said)}"
        yield Remark(text, is_certain=True)


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
    scaled: Sequence[tuple[int, float]]


class _Reader:
    """Reads rows and keeps in mind what the table as a whole is asked for."""

    def __init__(
        self,
        columns: Sequence[Column],
        table: TableBlock,
        through: Callable[[Table], Table | None],
        problems: Problems,
    ) -> None:
        self._columns = columns
        self._problems = problems
        self._scales: dict[str | None, dict[int, Scale]] = {}
        # ids are looked up: an unknown one is a problem
        self._kinds: list[Kind] = [
            "word" if one.field in ("analyte", "configuration") else kind_of(table.info(one.field))
            for one in columns
        ]
        self._table = table
        self._through = through
        self._moulds: dict[tuple[Code, ...], _Mould | None] = {}
        self.has_repeated_readings = False
        self.unusual = 0
        self._kept = 0

    def scales(self, analyte: str | None) -> Mapping[int, Scale]:
        """For each column, by its index, what turns its values into the units declared for *analyte*."""
        analyte = analyte or self._table.analyte
        if analyte not in self._scales:
            scales = self._scales[analyte] = {}
            for column in self._columns:
                try:
                    scale = scale_of(column, analyte, self._table)
                except Doubt as doubt:
                    self._problems.add(column.place, (self._table.block,), str(doubt))
                    continue
                if scale is not None:
                    scales[column.index] = scale
        return self._scales[analyte]

    def conversions(self) -> Iterator[Remark]:
        """What was converted."""
        headers: dict[Scale, dict[str, None]] = {}
        for scales in self._scales.values():
            for column in self._columns:
                scale = scales.get(column.index)
                if scale is not None and scale.factor != 1:
                    headers.setdefault(scale, {})[column.header] = None
        for scale, named in headers.items():
            text = (
                f"{self._table.label}: {', '.join(named)} converted from {scale.unit} to {scale.into} "
                f"(factor {scale.factor:.10g})"
            )
            yield Remark(text, is_certain=True)

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
        for row, pattern, written in zip(rows, patterns, values, strict=True):
            filled: Sequence[Any] = written
            mould = self._moulds[pattern] if pattern in self._moulds else self._mould(pattern, row)
            if mould is None:
                yield self._written(row)
                continue
            fields = mould.fields.copy()
            if mould.scaled:
                factors = dict(mould.scaled)
                filled = [tidy(one * factors[at]) if at in factors else one for at, one in enumerate(filled)]
            for field, index in mould.singles:
                fields[field] = filled[index]
            for field, indices in mould.lists:
                fields[field] = tuple([filled[index] for index in indices])
            mould.state["__dict__"], mould.state["place"] = fields, f"{start}{row.number}"
            run = make(model)
            run.__setstate__(mould.state)  # as if it came back from a worker: a copy takes twice the room
            if self._kept < MOST_KEPT:
                self._kept += 1
                run.stand_at(run.place, self._texts(row, mould))
            yield run

    def _texts(self, row: Row, mould: _Mould) -> dict[str, tuple[str, ...]]:
        """The numbers of the row as they were written, without those that were converted."""
        converted = {index for index, _ in mould.scaled}
        places = [(field, [index]) for field, index in mould.singles] + [*mould.lists]
        return {
            field: tuple(row.cells[self._columns[index].index] for index in indices)
            for field, indices in places
            if self._kinds[indices[0]] == "number" and converted.isdisjoint(indices)
        }

    def _written(self, row: Row) -> Table:
        self.unusual += 1
        run = _run(row, self._columns, self._table, self.scales)
        self.has_repeated_readings |= run.text("preparation") == "repeated_reading"
        return run

    def _mould(self, pattern: tuple[Code, ...], first: Row) -> _Mould | None:
        if len(self._moulds) >= MOST_PATTERNS:
            return None
        self._moulds[pattern] = made = None if _UNUSUAL in pattern else self._made(pattern, first)
        return made

    def _made(self, pattern: tuple[Code, ...], first: Row) -> _Mould | None:
        table = self._through(_run(first, self._columns, self._table, self.scales))
        if table is None:
            return None
        try:
            run = self._table.run.model_validate(plain(table))
        except ValidationError:
            return None
        self.has_repeated_readings |= run.preparation == "repeated_reading"
        singles: list[tuple[str, int]] = []
        lists: dict[str, list[int]] = {}
        scales, scaled = self.scales(run.analyte), []
        for index, (column, kind, code) in enumerate(zip(self._columns, self._kinds, pattern, strict=True)):
            if kind == "word" or code is None:
                continue
            scale = scales.get(column.index)
            if scale is not None and scale.factor != 1:
                scaled.append((index, scale.factor))
            if column.holds_list:
                lists.setdefault(column.field, []).append(index)
            else:
                singles.append((column.field, index))
        return _Mould(run.__getstate__(), dict(run), singles, list(lists.items()), scaled)


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


def _run(
    row: Row,
    columns: Sequence[Column],
    table: TableBlock,
    scales: Callable[[str | None], Mapping[int, Scale]],
) -> Table:
    place = Place(table.file, row.number, in_table=True)
    entries: dict[str, Entry] = {}
    lists: dict[str, list[Node]] = {}
    cells = [row.cells[column.index] if column.index < len(row.cells) else "" for column in columns]
    analyte = next(
        (cell for cell, one in zip(cells, columns, strict=True) if one.field == "analyte" and cell), None
    )
    of_column = scales(analyte)
    for cell, column in zip(cells, columns, strict=True):
        value = resolve_cell(cell, table.decimal)
        if value is None:
            continue
        scale = of_column.get(column.index)
        if scale is not None and scale.factor != 1:
            value = _scaled(value, scale.factor)
        leaf = Leaf(Place(table.file, row.number, column.header, in_table=True), value)
        if column.holds_list:
            lists.setdefault(column.field, []).append(leaf)
        else:
            entries[column.field] = Entry(leaf.place, leaf)
        if column.field == "time" and column.unit:
            entries.setdefault("time_unit", Entry(leaf.place, Leaf(leaf.place, column.unit)))
    entries |= {field: Entry(place, Listing(place, leaves)) for field, leaves in lists.items()}
    return Table(place, entries)


def _scaled(value: Scalar | str, factor: float) -> Scalar | str:
    """The *value* times *factor*; also the limit that a value is reported as less than."""
    if isinstance(value, Scalar):
        found = tidy(value.value * factor)
        return Scalar(repr(found), found)
    less = LESS_THAN.fullmatch(value)
    return f"<{tidy(float(less[1]) * factor)!r}" if less else value


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
