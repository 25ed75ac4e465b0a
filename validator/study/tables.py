"""The text of a table file in, rows of cells out: separator, header, comments, row numbers.

One reader per kind of file stands in ``READERS``; what the columns mean is known to ``columns.py``.
"""

from __future__ import annotations

import csv
import io
import re
from dataclasses import dataclass
from pathlib import PurePosixPath
from typing import TYPE_CHECKING

from validator.study.files import Unusable, decoded

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, Sequence

MOST_LINES = 1_000_000
MOST_ROWS = 50_000
MOST_COLUMNS = 1000
MOST_CELLS = 200_000
_QUOTED = re.compile(r'"[^"]*"')
_SEPARATOR_LINE = re.compile(r"sep=.")
_SPREADSHEETS = frozenset({".xlsx", ".xls", ".xlsm", ".ods"})


@dataclass(frozen=True, slots=True)
class Row:
    """The cells of one row, blanks around them left out, and its number in the file."""

    number: int
    cells: Sequence[str]


@dataclass(frozen=True, slots=True)
class Sheet:
    """A table as it stands in the file; one that is not filled in yet has a header and no rows."""

    header: Row
    rows: Sequence[Row]
    separator: str


def read_sheet(name: str, content: bytes) -> Sheet:
    """The table in the file *name*.

    Raises:
        Unusable: the kind of file is not known, or it holds no table.
    """
    kind = PurePosixPath(name).suffix.lower()
    if kind in _SPREADSHEETS:
        raise Unusable("this version reads CSV; save the sheet as CSV (UTF-8) and name that file")
    if kind not in READERS:
        raise Unusable(f"a table file ends in {' or '.join(READERS)}")
    return READERS[kind](content)


def read_csv(content: bytes) -> Sheet:
    """A table of cells separated by comma, semicolon or tab, the first row being the header."""
    text = decoded(content)
    if max(text.count("\n"), text.count("\r")) > MOST_LINES:
        raise Unusable(f"the file has more than {MOST_LINES} lines")
    lines = _Lines(text)
    separator = _separator(lines.first())
    rows = []
    cells = 0
    try:
        for row in csv.reader(lines, delimiter=separator, strict=True, skipinitialspace=True):
            if any(row):
                rows.append(Row(lines.begin, [cell.strip() for cell in row]))
            cells += len(row)
            _check_size(row, rows, cells)
            lines.begin = 0
    except csv.Error as error:
        raise Unusable(_what_is_wrong(str(error)), lines.begin) from None
    return _sheet(rows, separator)


def _check_size(row: Sequence[str], rows: Sequence[Row], cells: int) -> None:
    if len(row) > MOST_COLUMNS:
        raise Unusable(f"the table has more than {MOST_COLUMNS} columns")
    if len(rows) > MOST_ROWS + 1 or cells > MOST_CELLS:
        raise Unusable(f"the table has more than {MOST_ROWS} rows or {MOST_CELLS} cells")


def _sheet(rows: Sequence[Row], separator: str) -> Sheet:
    rows = [row for row in rows if any(row.cells)]
    if not rows:
        raise Unusable("the table is empty; its first row names the columns")
    header, *data = rows
    for row in data:
        if any(row.cells[len(header.cells) :]):
            raise Unusable(
                f"{len(row.cells)} cells stand under {len(header.cells)} columns; "
                "is a decimal comma taken for a separator?",
                row.number,
            )
    return Sheet(header, data, separator)


READERS: dict[str, Callable[[bytes], Sheet]] = {".csv": read_csv, ".tsv": read_csv, ".txt": read_csv}


class _Lines:
    """The lines that carry cells; ``begin`` is the number of the first one handed out since it was reset."""

    def __init__(self, text: str) -> None:
        self._text = text
        self.begin = 0

    def first(self) -> str:
        """The first line that carries cells."""
        return next((line for _, line in self._numbered()), "")

    def __iter__(self) -> Iterator[str]:
        for number, line in self._numbered():
            self.begin = self.begin or number
            yield line

    def _numbered(self) -> Iterator[tuple[int, str]]:
        for number, line in enumerate(io.StringIO(self._text, newline=""), start=1):
            bare = line.strip()
            # spreadsheets tell each other the separator in a first line sep=;
            if bare and not bare.startswith("#") and not (number == 1 and _SEPARATOR_LINE.fullmatch(bare)):
                yield number, line


def _separator(header: str) -> str:
    bare = _QUOTED.sub("", header)
    return max("\t;,", key=bare.count)


def _what_is_wrong(said: str) -> str:
    if "unexpected end of data" in said:
        return "a quotation mark is opened in this row and never closed"
    if "field larger than" in said:
        return "a cell holds more than 131072 characters"
    return "the quotation marks in this row do not match; double a mark that belongs to the text"
