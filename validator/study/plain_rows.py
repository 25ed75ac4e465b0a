"""Rows to finished runs, many at a time: what makes a table of a million rows readable in seconds.

A row is plain where its cells are numbers in the usual spelling, labels, and words that the model knows. Rows
that fill the same columns with numbers of the same signs and with the same words make the same run but for
these numbers and labels. So the first row of each such pattern goes the long way, through the model and all
its checks; the run that comes out is the pattern's mould, and the rows that follow are cast from it. A row
that is not plain, or whose pattern the model refuses, is handed back for the long way, on which problems get
their words.

For this, what a model of a run demands of a number may depend on its sign and size only, and what it demands
of several fields together on which of them are filled; a test holds both ways against each other.
"""

from __future__ import annotations

import re
from itertools import zip_longest
from typing import TYPE_CHECKING

from msgspec import Struct
from pydantic import ValidationError

from validator.study.keys import kind_of
from validator.study.models.base import LARGEST, SMALLEST
from validator.study.places import plain

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, Mapping, Sequence

    from validator.study.columns import Column, TableBlock
    from validator.study.keys import Kind
    from validator.study.models.runs import Run
    from validator.study.places import Table
    from validator.study.tables import Row

Code = int | str | None
"""What a pattern keeps of a cell: the sign of its number, that it holds a text, or the word itself."""

MOST_PATTERNS = 20_000
_UNUSUAL = "\0"
_HOLDS_TEXT = 1
_NUMBER = r"[-+]?(?:(?:0|[1-9][0-9]*)(?:\.[0-9]*)?|\.[0-9]+)(?:[eE][-+]?[0-9]+)?"
_ONE_NUMBER = re.compile(_NUMBER)
_ALL_NUMBERS = re.compile(rf"(?:{_NUMBER})?(?:\n(?:{_NUMBER})?)*")
_WHOLE = re.compile(r"0|[1-9][0-9]{0,11}")
_ALL_WHOLES = re.compile(r"[1-9][0-9]{0,11}(?:\n[1-9][0-9]{0,11})*")


class _Mould(Struct, frozen=True):
    """What the runs of one pattern share, and from which columns of a row the rest is filled."""

    shared: dict[str, object]
    fields_set: set[str]
    singles: Sequence[tuple[str, int]]
    lists: Sequence[tuple[str, Sequence[int]]]


class PlainRows:
    """Casts plain rows of one table into runs.

    Attributes:
        analytes: ids of the analytes of the runs that were cast.
        has_repeated_readings: some of these runs are repeated readings.
    """

    def __init__(
        self, columns: Sequence[Column], table: TableBlock, through: Callable[[Row], Table | None]
    ) -> None:
        """``through`` takes a row the long way and returns what is to become a run, None where it may not."""
        self._columns = columns
        self._kinds = [_kind(column, table) for column in columns]
        self._table = table
        self._through = through
        self._moulds: dict[tuple[Code, ...], _Mould | None] = {}
        self.analytes: set[str] = set()
        self.has_repeated_readings = False

    def cast(self, rows: Sequence[Row]) -> Iterator[Run | Row]:
        """A run for every row that is plain, the row itself for every other."""
        if not self._columns:
            yield from rows
            return
        read = self._read(rows)
        model, start = self._table.run, f"{self._table.file} row "
        make, assign = model.__new__, object.__setattr__
        patterns = zip(*(codes for codes, _ in read), strict=True)
        values = zip(*(values for _, values in read), strict=True)
        for row, pattern, filled in zip(rows, patterns, values, strict=True):
            mould = self._moulds[pattern] if pattern in self._moulds else self._mould(pattern, row)
            if mould is None:
                yield row
                continue
            run = make(model)
            fields = mould.shared.copy()
            for field, index in mould.singles:
                fields[field] = filled[index]
            for field, indices in mould.lists:
                fields[field] = tuple([filled[index] for index in indices])
            # what pydantic sets on a validated model; its own copying is several times slower and larger
            assign(run, "__dict__", fields)
            assign(run, "__pydantic_fields_set__", mould.fields_set)
            assign(run, "__pydantic_extra__", None)
            assign(run, "__pydantic_private__", None)
            assign(run, "_place", f"{start}{row.number}")
            yield run

    def _read(self, rows: Sequence[Row]) -> list[tuple[Sequence[Code], Sequence[object]]]:
        """Codes and values of every column, cell by cell."""
        by_column = list(zip_longest(*[row.cells for row in rows], fillvalue=""))
        nothing = ("",) * len(rows)
        cells = (
            by_column[column.index] if column.index < len(by_column) else nothing for column in self._columns
        )
        return [
            _READERS[kind](column, self._table.decimal)
            for kind, column in zip(self._kinds, cells, strict=True)
        ]

    def _mould(self, pattern: tuple[Code, ...], first: Row) -> _Mould | None:
        if len(self._moulds) >= MOST_PATTERNS:
            return None
        made = None if _UNUSUAL in pattern else self._made(pattern, first)
        self._moulds[pattern] = made
        return made

    def _made(self, pattern: tuple[Code, ...], first: Row) -> _Mould | None:
        table = self._through(first)
        if table is None:
            return None
        try:
            run = self._table.run.model_validate(plain(table))
        except ValidationError:
            return None
        self.analytes.add(run.analyte)
        self.has_repeated_readings |= run.preparation == "repeated_reading"
        singles: list[tuple[str, int]] = []
        lists: dict[str, list[int]] = {}
        for index, (column, kind, code) in enumerate(zip(self._columns, self._kinds, pattern, strict=True)):
            if kind == "word" or code is None:
                continue
            if column.holds_list:
                lists.setdefault(column.field, []).append(index)
            else:
                singles.append((column.field, index))
        return _Mould(_small_copies(run), run.model_fields_set, singles, list(lists.items()))


def _small_copies(run: Run) -> dict[str, object]:
    """The fields of *run* in a dictionary whose copies take little room.

    Attributes that are set one by one share their keys with those of all objects of the class, and a copy of
    such a dictionary goes on sharing them.
    """
    like = type(run).__new__(type(run))
    for field, value in run.__dict__.items():
        object.__setattr__(like, field, value)
    return like.__dict__


def _kind(column: Column, table: TableBlock) -> Kind:
    # ids are looked up: an unknown one is a problem
    return "word" if column.field in ("analyte", "configuration") else kind_of(table.info(column.field))


def _words(cells: Sequence[str], _decimal: str) -> tuple[Sequence[Code], Sequence[object]]:
    return cells if all(cells) else [cell or None for cell in cells], cells


def _texts(cells: Sequence[str], _decimal: str) -> tuple[Sequence[Code], Sequence[object]]:
    together = "".join(cells)
    if together.isprintable() and "<" not in together:
        return [_HOLDS_TEXT if cell else None for cell in cells], cells
    return [_text_code(cell) for cell in cells], cells


def _text_code(cell: str) -> Code:
    if not cell:
        return None
    return _HOLDS_TEXT if cell.isprintable() and not cell.startswith("<") else _UNUSUAL


def _wholes(cells: Sequence[str], _decimal: str) -> tuple[Sequence[Code], Sequence[object]]:
    if _all_are(_ALL_WHOLES, "\n".join(cells), cells):
        return [1] * len(cells), [int(cell) for cell in cells]
    values = [int(cell) if _WHOLE.fullmatch(cell) else None for cell in cells]
    codes: list[Code] = [
        min(value, 1) if value is not None else _UNUSUAL if cell else None
        for value, cell in zip(values, cells, strict=True)
    ]
    return codes, values


def _numbers(cells: Sequence[str], decimal: str) -> tuple[Sequence[Code], Sequence[object]]:
    text = "\n".join(cells)
    if decimal == ",":
        if "." in text:  # it might separate thousands
            cells = [_UNUSUAL if "." in cell else cell for cell in cells]
        cells = [cell.replace(",", ".") for cell in cells]
        text = "\n".join(cells)
    if not _all_are(_ALL_NUMBERS, text, cells):
        cells = [cell if not cell or _ONE_NUMBER.fullmatch(cell) else _UNUSUAL for cell in cells]
    values = [float(cell) if cell and cell != _UNUSUAL else None for cell in cells]
    if None not in values:
        sizes = {value for value in values if value}
        if sizes and min(sizes) >= SMALLEST and max(sizes) <= LARGEST:
            return [1 if value else 0 for value in values], values
    return [_number_code(value, cell) for value, cell in zip(values, cells, strict=True)], values


def _all_are(pattern: re.Pattern[str], text: str, cells: Sequence[str]) -> bool:
    """Whether every one of *cells* fits, line by line in *text*; one of several lines does not."""
    return text.count("\n") == len(cells) - 1 and pattern.fullmatch(text) is not None


def _number_code(value: float | None, cell: str) -> Code:
    if value is None:
        return _UNUSUAL if cell else None
    if value == 0:
        return 0
    if not SMALLEST <= abs(value) <= LARGEST:
        return _UNUSUAL
    return 1 if value > 0 else -1


_READERS: Mapping[Kind, Callable[[Sequence[str], str], tuple[Sequence[Code], Sequence[object]]]] = {
    "number": _numbers,
    "whole": _wholes,
    "text": _texts,
    "word": _words,
}
"""Codes and values of the cells of one column, by what its field holds."""
