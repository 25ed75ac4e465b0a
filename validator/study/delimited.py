"""Tables as text: cells between separators, comments, blank lines, row numbers. Read as a stream."""

from __future__ import annotations

import csv
import re
from itertools import chain, islice
from typing import TYPE_CHECKING

from validator.study.encodings import text_of_table
from validator.study.files import Remark, Unusable
from validator.study.spreadsheet_text import unguarded
from validator.study.tables import MOST_CELLS, MOST_COLUMNS, MOST_ROWS, ROWS_OF_BEGINNING, Row, Sheet

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator, Sequence

MOST_LINES = 2_000_000
_LONGEST_LINE = 10_000
_ARCHIVE = b"PK\x03\x04"
_QUOTED = re.compile(r'"[^"]*"')
_SEPARATOR_LINE = re.compile(r"sep=.")


def read_delimited(content: bytes) -> Sheet:
    """A table of cells separated by comma, semicolon or tab, the first row being the header.

    Raises:
        Unusable: there is no such table in *content*; rows further down are read, and refused, later.
    """
    if max(content.count(b"\n"), content.count(b"\r")) > MOST_LINES:
        raise Unusable(f"the file has more than {MOST_LINES} lines")
    if content.startswith(_ARCHIVE):
        raise Unusable(
            "this is a workbook, not a text file; give it the ending .xlsx, or save the sheet as CSV"
        )
    text = text_of_table(content)
    lines = _Lines(text.stream)
    separator = _separator(lines.first_record())
    rows = _rows(lines, separator)
    header = next(rows, None)
    if header is None:
        raise Unusable("the table is empty; the first row must contain the column headers")
    remarks = (Remark(text.remark),) if text.remark else ()
    beginning = [Row(number, _split(line)) for number, line in lines.beginning if len(line) < _LONGEST_LINE]
    return Sheet(header, rows, separator, remarks, beginning)


def _split(line: str) -> list[str]:
    return [cell.strip().strip('"').strip() for cell in line.split(_separator(line))]


def _rows(lines: _Lines, separator: str) -> Iterator[Row]:
    """Every row that holds something, the header first."""
    width = MOST_COLUMNS
    cells = rows = 0
    try:
        for row in csv.reader(lines, delimiter=separator, strict=True, skipinitialspace=True):
            stripped = list(map(str.strip, row))
            cells += len(row)
            if len(row) > width:
                _check_width(stripped, width, lines.begin)
            if lines.hold_apostrophes:
                stripped = list(map(unguarded, stripped))
            if any(stripped):
                rows += 1
                if rows == 1:
                    width = len(row)
                if rows > MOST_ROWS + 1 or cells > MOST_CELLS:
                    raise Unusable(f"the table has more than {MOST_ROWS} rows or {MOST_CELLS} cells")
                yield Row(lines.begin, stripped)
            lines.begin, lines.hold_apostrophes = 0, False
    except csv.Error as error:
        raise Unusable(_what_is_wrong(str(error)), lines.begin) from None


def _check_width(cells: Sequence[str], width: int, line: int) -> None:
    if len(cells) > MOST_COLUMNS:
        raise Unusable(f"the table has more than {MOST_COLUMNS} columns")
    if any(cells[width:]):
        message = f"{len(cells)} cells for {width} columns; a decimal comma may have been read as a separator"
        raise Unusable(message, line)


class _Lines:
    """The lines that carry cells.

    Attributes:
        beginning: the first of them with their numbers, seen before they are handed out.
        begin: number of the first line handed out since it was reset.
        hold_apostrophes: a line since then holds one.
    """

    def __init__(self, stream: Iterable[str]) -> None:
        self._numbered = self._that_carry_cells(stream)
        self.beginning = list(islice(self._numbered, ROWS_OF_BEGINNING))
        self.begin = 0
        self.hold_apostrophes = False

    def first_record(self) -> str:
        """The first lines as far as a quotation mark opened in them is closed."""
        record = ""
        for _, line in self.beginning:
            record += line
            if record.count('"') % 2 == 0:
                return record
        return self.beginning[0][1] if self.beginning else ""

    def __iter__(self) -> Iterator[str]:
        for number, line in chain(self.beginning, self._numbered):
            self.begin = self.begin or number
            if "'" in line:
                self.hold_apostrophes = True
            yield line

    @staticmethod
    def _that_carry_cells(stream: Iterable[str]) -> Iterator[tuple[int, str]]:
        for number, line in enumerate(stream, start=1):
            bare = line.strip()
            # spreadsheets tell each other the separator in a first line sep=;
            if bare and not bare.startswith("#") and not (number == 1 and _SEPARATOR_LINE.fullmatch(bare)):
                yield number, line


def _separator(header: str) -> str:
    bare = _QUOTED.sub("", header)
    return max("\t;,", key=bare.count)


def _what_is_wrong(said: str) -> str:
    if "unexpected end of data" in said:
        return "a quotation mark in this row is not closed"
    if "field larger than" in said:
        return "a cell holds more than 131072 characters"
    return "unbalanced quotation marks in this row; double any quotation mark that is part of the text"
