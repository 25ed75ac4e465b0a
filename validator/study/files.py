"""The study folder: which files may be read, how big they may be, the hash of what was read, and its tables.

Tables come out as rows of cells; what the columns mean is known to ``columns.py``. A workbook that several
blocks name is opened once.
"""

from __future__ import annotations

import codecs
import hashlib
import re
from itertools import chain, islice
from pathlib import Path, PurePosixPath, PureWindowsPath
from typing import TYPE_CHECKING, Literal

from msgspec import Struct, field
from msgspec.structs import replace

from validator.study.problems import nearest

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator, Sequence

    from validator.study.workbook import Workbook

Role = Literal["study", "data", "attachment", "plan"]

LARGEST_FILE = 50 * 1024 * 1024
LARGEST_STUDY = 10 * 1024 * 1024
"""A description as large as its values may be many; data beyond that belong into tables."""
_MEGABYTE = 1024 * 1024
_MOST_LOOKED_AT = 1000
_MOST_MATCHES = 5001


class Remark(Struct, frozen=True):
    """What a reader of the study should know of how a file was read.

    Attributes:
        text: a clause for the reader.
        values_missing: readings that the file seems to hold were not stored in it.
        is_certain: nothing was left open: rows that the study leaves out, units that were converted.
    """

    text: str
    values_missing: bool = False
    is_certain: bool = False


class TableRead(Struct, frozen=True):
    """How many rows of a table were read for a data block, and how many were not."""

    block: str
    read: int
    skipped: int


class InputFile(Struct, frozen=True):
    """A file that the study consists of.

    Attributes:
        path: relative to the study folder, with forward slashes.
        sha256: of the bytes that were read, in hexadecimal.
        role: what the file is to the study.
        size: number of bytes.
        remarks: on how the file was read.
        tables: what was read from it for the data blocks.
    """

    path: str
    sha256: str
    role: Role
    size: int
    remarks: tuple[Remark, ...] = ()
    tables: tuple[TableRead, ...] = ()


class Unusable(Exception):
    """A file cannot be used; the message says why and what to do, ``line`` where that is known."""

    def __init__(self, message: str, line: int = 0) -> None:
        self.line = line
        super().__init__(message)


class StudyFolder:
    """Reads files of one folder and keeps a record of them; nothing outside it is ever opened."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self._inputs: dict[str, InputFile] = {}

    @property
    def inputs(self) -> tuple[InputFile, ...]:
        """What was read so far, in that order."""
        return tuple(self._inputs.values())

    def read(self, name: str, role: Role) -> bytes:
        """The bytes of the file *name*.

        Raises:
            Unusable: the path leaves the folder, or the file is missing, too big or unreadable.
        """
        path = self._confined(name)
        try:
            content = _bounded(path, LARGEST_STUDY if role == "study" else LARGEST_FILE)
        except OSError as error:
            raise Unusable(f"'{name}' cannot be read ({error.strerror or error})") from error
        key = PurePosixPath(name).as_posix()
        digest = hashlib.sha256(content).hexdigest()
        self._inputs.setdefault(key, InputFile(key, digest, role, len(content)))
        return content

    def remark(self, name: str, remark: Remark) -> None:
        """Note on the file *name*, read before, how something uncertain in it was taken."""
        key = PurePosixPath(name).as_posix()
        file = self._inputs[key]
        if remark not in file.remarks:
            self._inputs[key] = replace(file, remarks=(*file.remarks, remark))

    def matching(self, pattern: str) -> list[str]:
        """The names of the files that match *pattern* (``curves/*.txt``), in the order of the alphabet.

        Raises:
            Unusable: the pattern leaves the folder, or no file matches it.
        """
        if PurePosixPath(pattern).is_absolute() or ".." in PurePosixPath(pattern).parts or "\\" in pattern:
            raise Unusable(f"'{pattern}' leads out of the study folder; write a pattern relative to it")
        if "**" in pattern:
            raise Unusable(f"'{pattern}' searches all folders; name the folder, for example curves/*.txt")
        found = islice((one for one in self.folder.glob(pattern) if one.is_file()), _MOST_MATCHES)
        names = sorted(one.relative_to(self.folder).as_posix() for one in found)
        if not names:
            raise Unusable(f"no file matches '{pattern}'")
        return names

    def count(self, name: str, table: TableRead) -> None:
        """Note how much of the file *name*, read before, was read for a data block."""
        key = PurePosixPath(name).as_posix()
        file = self._inputs[key]
        self._inputs[key] = replace(file, tables=(*file.tables, table))

    def _confined(self, name: str) -> Path:
        inside = "; name a file inside the study folder, relative to it"
        if PurePosixPath(name).is_absolute() or PureWindowsPath(name).anchor:
            raise Unusable(f"'{name}' is an absolute path{inside}")
        if "\\" in name:
            raise Unusable(f"'{name}' contains a backslash; separate folders with /")
        if ".." in PurePosixPath(name).parts:
            raise Unusable(f"'{name}' is outside the study folder{inside}")
        try:
            path = self.folder / name
            if not path.resolve().is_relative_to(self.folder.resolve()):
                raise Unusable(
                    f"'{name}' is a link to a place outside the study folder; copy the file into the folder"
                )
            if path.is_file():
                return path
            is_other = path.exists()
        except (OSError, ValueError, RuntimeError) as error:  # too long, a NUL inside, links in a circle
            raise Unusable(f"'{name}' is not the name of a file") from error
        if is_other:
            raise Unusable(f"'{name}' is not a file")
        raise Unusable(f"no file '{name}' in the study folder{self._like(path)}")

    def _like(self, path: Path) -> str:
        """The file beside *path* that was probably meant, as the end of a sentence."""
        try:
            there = [one.name for one in islice(path.parent.iterdir(), _MOST_LOOKED_AT) if one.is_file()]
        except OSError:
            return ""
        near = nearest(path.name, there)
        return f"; did you mean '{path.parent.relative_to(self.folder) / near}'?" if near else ""


def _bounded(path: Path, most: int) -> bytes:
    # the size is checked before and while reading: a file may grow
    size = path.stat().st_size
    content = b""
    if size <= most:
        with path.open("rb") as stream:
            content = stream.read(most + 1)
        size = len(content)
    if size > most:
        hint = "" if most == LARGEST_FILE else "; put the data into CSV files"
        raise Unusable(
            f"the file is too large ({size / _MEGABYTE:.1f} MB; limit {most // _MEGABYTE} MB){hint}"
        )
    return content


def decoded(content: bytes) -> str:
    """The text of a file.

    Raises:
        Unusable: it is not UTF-8 text.
    """
    if content.startswith((codecs.BOM_UTF16_LE, codecs.BOM_UTF16_BE)):
        raise Unusable("the text is written as UTF-16; save the file as UTF-8")
    if (nul := content.find(b"\0")) >= 0:
        raise Unusable("not a text file (it contains a zero byte)", content.count(b"\n", 0, nul) + 1)
    try:
        return content.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        byte = content[error.start]
        line = content.count(b"\n", 0, error.start) + 1
        raise Unusable(
            f"a character is not written in UTF-8 (byte {byte:#04x}); save the file as UTF-8", line
        ) from None


MOST_ROWS = 1_000_000
MOST_COLUMNS = 1000
MOST_CELLS = 20_000_000
ROWS_OF_BEGINNING = 40

DELIMITED = (".csv", ".tsv", ".txt")
WORKBOOK = ".xlsx"
_OTHER_SPREADSHEETS = frozenset({".xls", ".xlsm", ".xlsb", ".ods"})


class Row(Struct, frozen=True):
    """The cells of one row, blanks around them left out, and its number in the file."""

    number: int
    cells: Sequence[str]


class Layout(Struct, frozen=True):
    """Where in its file a table stands; 0 where the study does not say.

    Attributes:
        header_row: number of the row that names the columns.
        first_row, last_row: numbers of the rows that may hold data.
        first_column, last_column: numbers of its columns.
        ignored_rows: first cells of rows that hold no data, in small letters, and numbers of such rows.
    """

    header_row: int = 0
    first_row: int = 0
    last_row: int = 0
    first_column: int = 0
    last_column: int = 0
    ignored_rows: frozenset[str | int] = frozenset()


AS_IT_IS = Layout()


class Tally(Struct):
    """What became of the rows below the header.

    Attributes:
        read: those that were handed out.
        above: rows with cells above the header.
        comments: those that begin with # and hold nothing else.
        empty: those without a value in the columns that were asked for.
        ignored: those that the study ignores.
        outside: those above and below the rows that the study names.
        headers: numbers of those that repeat the header.
        flawed: row and column (from 0) of cells that hold the error of a spreadsheet program, and the error.
    """

    read: int = 0
    above: int = 0
    comments: int = 0
    empty: int = 0
    ignored: list[Row] = field(default_factory=list)
    outside: list[Row] = field(default_factory=list)
    headers: list[int] = field(default_factory=list)
    flawed: list[tuple[int, int, str]] = field(default_factory=list)

    @property
    def skipped(self) -> int:
        """How many rows were not read."""
        listed = len(self.ignored) + len(self.outside) + len(self.headers)
        return self.above + self.comments + self.empty + listed


class Sheet(Struct, frozen=True):
    """A table as it stands in the file; one that is not filled in yet has a header and no rows.

    Attributes:
        header: the row that names the columns.
        rows: those below it, read while they are asked for, once; what is wrong with one is raised there
            as ``Unusable``.
        separator: of text files, None in workbooks, whose numbers know their decimal sign.
        tally: what became of its rows, complete when they were all asked for.
        remarks: on how the file was read, for those who rely on it.
        beginning: its first rows once more, each by itself, to find out what a table is that makes no sense.
    """

    header: Row
    rows: Iterable[Row]
    separator: str | None
    tally: Tally
    remarks: Sequence[Remark] = ()
    beginning: Sequence[Row] = ()


_FIRST_OF_NUMBER = re.compile(r"[-+<]?[.,]?[0-9]")
ERRORS = frozenset(
    {
        *("#DIV/0!", "#N/A", "#NAME?", "#NULL!", "#NUM!", "#REF!", "#VALUE!", "#SPILL!", "#CALC!"),
        *("#WERT!", "#BEZUG!", "#ZAHL!", "#NV"),
    }
)
"""What spreadsheet programs write where nothing could be computed."""


def laid_out(raw: Iterator[Row], layout: Layout, tally: Tally) -> Iterator[Row]:
    """The header and the rows below it, as far as *layout* takes them; the rest is counted in *tally*.

    Each of the rows *raw* holds something. # begins a comment above the header, and below it in a row that is
    otherwise empty.
    """
    rows = raw if layout == AS_IT_IS else _in_columns(raw, layout)
    header, waiting = _header(rows, layout)
    if header is None:
        return
    tally.above += sum(row.number < header.number for row in waiting)
    yield header
    labels = {one for one in layout.ignored_rows if isinstance(one, str)}
    for row in chain((row for row in waiting if row.number > header.number), rows):
        cells = row.cells
        first = cells[0] or next(filter(None, cells))
        if first[0] == "#" and first not in ERRORS and sum(map(bool, cells)) == 1:
            tally.comments += 1
        elif row.number in layout.ignored_rows or (labels and first.strip(" :=").lower() in labels):
            tally.ignored.append(row)
        elif row.number < layout.first_row or 0 < layout.last_row < row.number:
            tally.outside.append(row)
        elif cells == header.cells:
            tally.headers.append(row.number)
        else:
            tally.read += 1
            if not ERRORS.isdisjoint(cells):
                tally.flawed += (
                    (row.number, index, cell) for index, cell in enumerate(cells) if cell in ERRORS
                )
            yield row


def _in_columns(raw: Iterator[Row], layout: Layout) -> Iterator[Row]:
    """The rows that hold something between the first and the last column."""
    begin, end = max(layout.first_column - 1, 0), layout.last_column or None
    for row in raw:
        found = Row(row.number, row.cells[begin:end]) if begin or end else row
        if any(found.cells):
            yield found


def _header(rows: Iterator[Row], layout: Layout) -> tuple[Row | None, list[Row]]:
    """The row that names the columns, and the rows that were seen in search of it.

    Texts that stand alone above a row of several cells are titles.
    """
    seen: list[Row] = []
    for row in rows:
        first = next(filter(None, row.cells))
        if layout.header_row:
            if row.number == layout.header_row:
                return Row(row.number, [cell.lstrip("# ") for cell in row.cells]), seen
            seen.append(row)
        elif not first.startswith("#"):
            if sum(map(bool, row.cells)) > 1:
                return (seen[0], [*seen[1:], row]) if _FIRST_OF_NUMBER.match(first) and seen else (row, seen)
            if _FIRST_OF_NUMBER.match(first) or len(seen) > ROWS_OF_BEGINNING:
                seen.append(row)
                break
            seen.append(row)
    if layout.header_row:
        raise Unusable(f"row {layout.header_row}, named by header_row, is empty or does not exist")
    return (seen[0], seen[1:]) if seen else (None, [])


class TableFiles:
    """The tables of a study folder."""

    def __init__(self, folder: StudyFolder) -> None:
        self._folder = folder
        self._workbooks: dict[str, Workbook] = {}

    def sheet(self, name: str, part: str | None, layout: Layout = AS_IT_IS) -> Sheet:
        """The table in the file *name*; *part* names the sheet or table of a workbook.

        Raises:
            Unusable: the kind of file is not known, or it holds no such table.
            EnvironmentProblem: the package that reads workbooks is missing.
        """
        kind = PurePosixPath(name).suffix.lower()
        if name in self._workbooks:
            sheet = self._workbooks[name].sheet(part, layout)
        else:
            content = self._folder.read(name, "data")
            if kind == WORKBOOK:
                from validator.study.workbook import open_workbook

                self._workbooks[name] = open_workbook(content, name)
                sheet = self._workbooks[name].sheet(part, layout)
            elif kind in DELIMITED:
                from validator.study.delimited import read_delimited

                sheet = read_delimited(content, layout)
            else:
                raise Unusable(_unknown_kind(kind))
        for remark in sheet.remarks:
            self._folder.remark(name, remark)
        return sheet

    def note(self, name: str, block: str, tally: Tally, remarks: Iterable[Remark]) -> None:
        """Note what of the file *name* was read for a data block, and how."""
        self._folder.count(name, TableRead(block, tally.read, tally.skipped))
        for remark in remarks:
            self._folder.remark(name, remark)


def _unknown_kind(kind: str) -> str:
    if kind in _OTHER_SPREADSHEETS:
        return f"{kind} files are not read; save the workbook as {WORKBOOK}, or the sheet as CSV (UTF-8)"
    return f"a table file ends in {', '.join(DELIMITED)} or {WORKBOOK}"
