"""Tables as text: cells between separators, comments, blank lines, row numbers. Read as a stream."""

from __future__ import annotations

import codecs
import csv
import io
import re
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
    Unusable,
)

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator, Sequence

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
