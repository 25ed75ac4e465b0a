"""The study folder: which files may be read, how big they may be, the hash of what was read, and its tables.

Tables come out as rows of cells; what the columns mean is known to ``columns.py``. A workbook that several
blocks name is opened once.
"""

from __future__ import annotations

import codecs
import hashlib
from itertools import islice
from pathlib import Path, PurePosixPath, PureWindowsPath
from typing import TYPE_CHECKING, Literal

from msgspec import Struct
from msgspec.structs import replace

from validator.study.problems import nearest

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

    from validator.study.workbook import Workbook

Role = Literal["study", "data", "attachment", "plan"]

LARGEST_FILE = 50 * 1024 * 1024
LARGEST_STUDY = 10 * 1024 * 1024
"""A description as large as its values may be many; data beyond that belong into tables."""
_MEGABYTE = 1024 * 1024
_MOST_LOOKED_AT = 1000


class Remark(Struct, frozen=True):
    """What was not certain when a file was read, and how it was taken.

    Attributes:
        text: a clause for the reader.
        values_missing: readings that the file seems to hold were not stored in it.
    """

    text: str
    values_missing: bool = False


class InputFile(Struct, frozen=True):
    """A file that the study consists of.

    Attributes:
        path: relative to the study folder, with forward slashes.
        sha256: of the bytes that were read, in hexadecimal.
        role: what the file is to the study.
        size: number of bytes.
        remarks: on how the file was read.
    """

    path: str
    sha256: str
    role: Role
    size: int
    remarks: tuple[Remark, ...] = ()


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


class Sheet(Struct, frozen=True):
    """A table as it stands in the file; one that is not filled in yet has a header and no rows.

    Attributes:
        header: the row that names the columns.
        rows: those below it, read while they are asked for, once; what is wrong with one is raised there
            as ``Unusable``.
        separator: of text files, None in workbooks, whose numbers know their decimal sign.
        remarks: on how the file was read, for those who rely on it.
        beginning: its first rows once more, each by itself, to find out what a table is that makes no sense.
    """

    header: Row
    rows: Iterable[Row]
    separator: str | None
    remarks: Sequence[Remark] = ()
    beginning: Sequence[Row] = ()


class TableFiles:
    """The tables of a study folder."""

    def __init__(self, folder: StudyFolder) -> None:
        self._folder = folder
        self._workbooks: dict[str, Workbook] = {}

    def sheet(self, name: str, part: str | None) -> Sheet:
        """The table in the file *name*; *part* names the sheet or table of a workbook.

        Raises:
            Unusable: the kind of file is not known, or it holds no such table.
            EnvironmentProblem: the package that reads workbooks is missing.
        """
        kind = PurePosixPath(name).suffix.lower()
        if name in self._workbooks:
            sheet = self._workbooks[name].sheet(part)
        else:
            content = self._folder.read(name, "data")
            if kind == WORKBOOK:
                from validator.study.workbook import open_workbook

                self._workbooks[name] = open_workbook(content, name)
                sheet = self._workbooks[name].sheet(part)
            elif kind in DELIMITED:
                from validator.study.delimited import read_delimited

                sheet = read_delimited(content)
            else:
                raise Unusable(_unknown_kind(kind))
        for remark in sheet.remarks:
            self._folder.remark(name, remark)
        return sheet


def _unknown_kind(kind: str) -> str:
    if kind in _OTHER_SPREADSHEETS:
        return f"{kind} files are not read; save the workbook as {WORKBOOK}, or the sheet as CSV (UTF-8)"
    return f"a table file ends in {', '.join(DELIMITED)} or {WORKBOOK}"
