"""Table files of the study folder in, rows of cells out; what the columns mean is known to ``columns.py``.

One reader per kind of file stands in ``READERS``; a workbook that several blocks name is opened once.
"""

from __future__ import annotations

from pathlib import PurePosixPath
from typing import TYPE_CHECKING

from msgspec import Struct

from validator.study.files import Unusable

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

    from validator.study.files import Remark, StudyFolder
    from validator.study.workbook import Workbook

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
