"""Tables as text: cells between separators, comments, blank lines, row numbers. Read as a stream."""

from __future__ import annotations

import codecs
import csv
import io
import re
from collections import Counter
from itertools import chain, islice
from typing import TYPE_CHECKING, TextIO

from msgspec import Struct

from validator.study.files import (
    MOST_CELLS,
    MOST_COLUMNS,
    MOST_ROWS,
    ROWS_OF_BEGINNING,
    Remark,
    Row,
    Sheet,
    Tally,
    Unusable,
    laid_out,
)

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator, Sequence

    from validator.study.files import Layout

_CHUNK = 1024 * 1024
_FEW = 6
_FIRST = 200
_OF_WINDOWS = re.compile(rb"[\x80-\x9f]")
_UNASSIGNED = re.compile(rb"[\x81\x8d\x8f\x90\x9d]")
"""Bytes that stand for nothing in Windows-1252."""


class TableText(Struct, frozen=True):
    """The text of a table file.

    Attributes:
        stream: the text, line ends as they are in the file.
        remark: how it was taken, where that is not certain; else empty.
    """

    stream: TextIO
    remark: str


def text_of_table(content: bytes) -> TableText:
    """The text in *content*: UTF-8, UTF-16 with a byte order mark, Windows-1252 or Latin-1.

    Raises:
        Unusable: it is text in none of these encodings.
    """
    if content.startswith((codecs.BOM_UTF16_LE, codecs.BOM_UTF16_BE)):
        _check_utf16(content)
        return TableText(_stream(content, "utf-16"), "read as UTF-16")
    if (nul := content.find(b"\0")) >= 0:
        if not any(content[1:_FIRST:2]) or not any(content[:_FIRST:2]):
            raise Unusable("the text seems to be UTF-16 without its mark; save the file as UTF-8")
        raise Unusable("not a text file (it contains a zero byte)", _line_at(content, nul))
    if _is_utf8(content):
        return TableText(_stream(content, "utf-8-sig"), "")
    if (unassigned := _UNASSIGNED.search(content)) is not None:
        byte = content[unassigned.start()]
        raise Unusable(
            f"byte {byte:#04x} is valid in neither UTF-8 nor Windows-1252; save the file as UTF-8",
            _line_at(content, unassigned.start()),
        )
    name, codec = ("Windows-1252", "cp1252") if _OF_WINDOWS.search(content) else ("Latin-1", "latin-1")
    signs = sorted(set(_foreign(content)))
    shown = " ".join(bytes([sign]).decode(codec) for sign in signs[:_FEW])
    more = " …" if len(signs) > _FEW else ""
    remark = f"not UTF-8; read as {name}. Check these characters: {shown}{more}"
    return TableText(_stream(content, codec), remark)


def _stream(content: bytes, encoding: str) -> TextIO:
    return io.TextIOWrapper(io.BytesIO(content), encoding=encoding, newline="")


def _line_at(content: bytes, position: int) -> int:
    return content.count(b"\n", 0, position) + 1


def _foreign(content: bytes) -> Iterator[int]:
    for start in range(0, len(content), _CHUNK):
        yield from {byte for byte in set(content[start : start + _CHUNK]) if byte >= 0x80}


def _is_utf8(content: bytes) -> bool:
    # piece by piece: the text of a large file is never held as a whole
    if content.isascii():
        return True
    decoder = codecs.getincrementaldecoder("utf-8")()
    try:
        for start in range(0, len(content), _CHUNK):
            decoder.decode(content[start : start + _CHUNK])
        decoder.decode(b"", final=True)
    except UnicodeDecodeError:
        return False
    return True


def _check_utf16(content: bytes) -> None:
    try:
        content.decode("utf-16")
    except UnicodeDecodeError as error:
        raise Unusable("the text begins as UTF-16 and is cut or damaged; save the file as UTF-8") from error


_STEERING = ("=", "+", "-", "@", "\t", "\r", "\n")
"""A text that begins so is computed, or hides what is computed, when a text file is opened."""
_GUARD = "'"
_NUMBER = re.compile(r"[-+]?(?:\d+(?:[.,]\d*)?|[.,]\d+)(?:[eE][-+]?\d+)?")


def guarded(text: str) -> str:
    """*text* so that no spreadsheet program computes it; numbers stay as they are."""
    return _GUARD + text if _is_steering(text) else text


def unguarded(cell: str) -> str:
    """What ``guarded`` was given; any other text as it is."""
    bare = cell[len(_GUARD) :]
    return bare if cell.startswith(_GUARD) and _is_steering(bare) else cell


def _is_steering(text: str) -> bool:
    # a text that begins with the guard itself, before such a sign, is guarded too: reading takes one away
    return text.lstrip(_GUARD).startswith(_STEERING) and not _NUMBER.fullmatch(text)


MOST_LINES = 2_000_000
_LONGEST_LINE = 10_000
_ARCHIVE = b"PK\x03\x04"
_QUOTED = re.compile(r'"[^"]*"')
_BLANKS = re.compile(r"\s+(?![(\[])")
"""A bracket behind a blank holds the unit of what stands before it."""
_SEPARATOR_LINE = re.compile(r"sep=.")


def read_delimited(content: bytes, layout: Layout) -> Sheet:
    """A table of cells separated by commas, semicolons, tabs, bars or blanks; its first row is the header.

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
    tally = Tally()
    lines = _Lines(text.stream, layout, tally)
    separator = separator_of([line for _, line in lines.beginning])
    rows = laid_out(_rows(lines, separator, layout.last_row), layout, tally)
    header = next(rows, None)
    if header is None:
        raise Unusable("the table is empty; the first row must contain the column headers")
    remarks = (Remark(text.remark),) if text.remark else ()
    beginning = [Row(number, _split(line)) for number, line in lines.beginning if len(line) < _LONGEST_LINE]
    return Sheet(header, _within(rows, len(header.cells)), separator, tally, remarks, beginning)


def _split(line: str) -> list[str]:
    return [cell.strip().strip('"').strip() for cell in line.split(separator_of([line]))]


def _rows(lines: _Lines, separator: str, last_row: int) -> Iterator[Row]:
    """Every row that holds something, the header first."""
    cells = rows = 0
    between = ("\t".join(_BLANKS.split(line.strip())) for line in lines) if separator == " " else lines
    delimiter = "\t" if separator == " " else separator
    try:
        for row in csv.reader(between, delimiter=delimiter, strict=True, skipinitialspace=True):
            stripped = list(map(str.strip, row))
            cells += len(row)
            if len(row) > MOST_COLUMNS:
                raise Unusable(f"the table has more than {MOST_COLUMNS} columns")
            if lines.hold_apostrophes:
                stripped = list(map(unguarded, stripped))
            if any(stripped):
                rows += 1
                if rows > MOST_ROWS + 1 or cells > MOST_CELLS:
                    raise Unusable(f"the table has more than {MOST_ROWS} rows or {MOST_CELLS} cells")
                yield Row(lines.begin, stripped)
            lines.begin, lines.hold_apostrophes = 0, False
    except csv.Error as error:
        if not 0 < last_row < lines.begin:  # what stands below the table need not be one
            raise Unusable(_what_is_wrong(str(error)), lines.begin) from None


def _within(rows: Iterator[Row], width: int) -> Iterator[Row]:
    """The rows, none of them wider than the header."""
    for row in rows:
        if len(row.cells) > width and any(row.cells[width:]):
            message = (
                f"{len(row.cells)} cells for {width} columns; a decimal comma may have been read "
                "as a separator, "
                "or remarks stand beside the table: name its place with range, for example range: A1:D20"
            )
            raise Unusable(message, row.number)
        yield row


class _Lines:
    """The lines that carry cells.

    Attributes:
        beginning: the first of them with their numbers, seen before they are handed out.
        begin: number of the first line handed out since it was reset.
        hold_apostrophes: a line since then holds one.
    """

    def __init__(self, stream: Iterable[str], layout: Layout, tally: Tally) -> None:
        self._header_row = layout.header_row
        self._tally = tally
        self._numbered = self._that_carry_cells(stream)
        self.beginning = list(islice(self._numbered, ROWS_OF_BEGINNING))
        self.begin = 0
        self.hold_apostrophes = False

    def __iter__(self) -> Iterator[str]:
        for number, line in chain(self.beginning, self._numbered):
            self.begin = self.begin or number
            if "'" in line:
                self.hold_apostrophes = True
            yield line

    def _that_carry_cells(self, stream: Iterable[str]) -> Iterator[tuple[int, str]]:
        is_above = True
        for number, line in enumerate(stream, start=1):
            bare = line.strip()
            # spreadsheets tell each other the separator in a first line sep=;
            if not bare or (number == 1 and _SEPARATOR_LINE.fullmatch(bare)):
                continue
            if is_above and number != self._header_row and (number < self._header_row or bare[0] == "#"):
                self._tally.above += 1  # quotation marks in such a line open no cell
                continue
            is_above = False
            yield number, line


def separator_of(lines: Sequence[str]) -> str:
    """The separator that cuts most *lines* into equally many cells, and these into numbers.

    Blanks separate where they alone do in every line; a decimal comma cuts numbers into pieces that are none.
    """
    bare = [line for line in _QUOTED.sub("", "\n".join(lines)).splitlines() if line.strip()]
    return max("\t;,| ", key=lambda sign: _order_in(bare, sign))


def _order_in(lines: Sequence[str], sign: str) -> tuple[float, float]:
    rows = [_BLANKS.split(line.strip()) if sign == " " else line.split(sign) for line in lines]
    several = [row for row in rows if len(row) > 1]
    if not several or (sign == " " and len(several) < max(len(rows), 2)):
        return 0.0, 0.0
    ((_, agree),) = Counter(map(len, several)).most_common(1)
    if sign == " " and agree < len(rows):
        return 0.0, 0.0
    cells = [cell.strip() for row in several[1:] or several for cell in row]
    return round(agree / len(rows), 1), sum(bool(_NUMBER.fullmatch(cell)) for cell in cells) / len(cells)


def _what_is_wrong(said: str) -> str:
    if "unexpected end of data" in said:
        return "a quotation mark in this row is not closed"
    if "field larger than" in said:
        return "a cell holds more than 131072 characters"
    return "unbalanced quotation marks in this row; double any quotation mark that is part of the text"
