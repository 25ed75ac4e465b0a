"""Tables in workbooks (.xlsx): values as they were stored, dates as dates, and nothing that could mislead.

A workbook is an archive of XML files from anywhere: its size unpacked, its number of cells and its markup are
checked before the package that reads it (openpyxl, the extra ``excel``) sees it. Nothing is unpacked to disk.
"""

from __future__ import annotations

import datetime as dt
import io
import re
import warnings
import zipfile
from itertools import islice
from typing import TYPE_CHECKING

from msgspec import Struct

from validator.errors import EnvironmentProblem
from validator.study.files import (
    MOST_COLUMNS,
    ROWS_OF_BEGINNING,
    Remark,
    Row,
    Sheet,
    Tally,
    Unusable,
    laid_out,
)
from validator.study.models.base import few, quoted

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator, Sequence

    from openpyxl import Workbook as Contents
    from openpyxl.cell import Cell
    from openpyxl.worksheet.worksheet import Worksheet

    from validator.study.files import Layout

INSTALL = "pip install 'validator[excel]'"
MOST_UNPACKED = 100 * 1024 * 1024
MOST_MEMBERS = 2000
MOST_WORKBOOK_CELLS = 500_000
LARGEST_AREA = 2_000_000
_CHUNK = 1024 * 1024
_MEGABYTE = 1024 * 1024
_OVERLAP = 16
_DOCUMENT_TYPE = re.compile(rb"<!(?:DOCTYPE|ENTITY)|<\0!\0[DE]")
"""Also in UTF-16, of either byte order."""
_CELL = re.compile(rb"<(?:\w+:)?c[ >/]")
_FORMULA = re.compile(rb"<(?:\w+:)?f[ >/]")
_NOT_OF_A_PROGRAM = ", which no spreadsheet program writes"
_OLD_FORMAT = b"\xd0\xcf\x11\xe0"
_WHOLE_UP_TO = 1e15
_FIXED = re.compile(r"#?0\.(0+)")


class _Area(Struct, frozen=True):
    """Where a table stands: first and last row and column, counted from 1."""

    min_row: int
    max_row: int
    min_col: int
    max_col: int


class Workbook:
    """An opened workbook; ``sheet`` gives the table on one of its sheets."""

    def __init__(self, name: str, values: Contents, formulas: Contents | None) -> None:
        self._name = name
        self._values = values
        self._formulas = formulas

    def sheet(self, part: str | None, layout: Layout) -> Sheet:
        """The table on the sheet, or the table, named *part*; that on the only sheet where it is None.

        Raises:
            Unusable: there is no such sheet or table, or what stands there cannot be read for certain.
        """
        sheet, area = self._find(part)
        tally = Tally()
        if layout.first_column and area.min_col > 1:
            raise Unusable(f"range applies to a sheet, and {quoted(part)} is a table; omit one of them")
        rows = laid_out(_rows(sheet, area), layout, tally)
        header = next(rows, None)
        if header is None:
            raise Unusable("the table is empty; the first row must contain the column headers")
        width = max(index for index, text in enumerate(header.cells, start=1) if text)
        if width > MOST_COLUMNS:
            raise Unusable(f"the table has more than {MOST_COLUMNS} columns")
        first = max(area.min_col, layout.first_column)
        area = _Area(header.number, layout.last_row or area.max_row, first, first + width - 1)
        _refuse_merged(sheet, area)
        header = Row(header.number, header.cells[:width])
        within = _within(rows, sheet, area)
        return Sheet(header, within, None, tally, self._remarks(sheet, area), _beginning(sheet, area))

    def grids(self, most: int) -> Iterator[tuple[str, list[Row]]]:
        """The title and at *most* so many rows of every sheet that is not hidden."""
        for sheet in self._values.worksheets:
            if sheet.sheet_state == "visible":
                yield sheet.title, list(islice(_rows(sheet, _used(sheet)), most))

    def _find(self, part: str | None) -> tuple[Worksheet, _Area]:
        sheets = list(self._values.worksheets)
        names = ", ".join(quoted(sheet.title) for sheet in sheets)
        if part is None:
            if not sheets:
                raise Unusable("the workbook has no sheet with cells")
            if len(sheets) == 1:
                return sheets[0], _used(sheets[0])
            raise Unusable(f"the workbook has several sheets; name one with sheet: {names}")
        for sheet in sheets:
            if sheet.title == part:
                return sheet, _used(sheet)
        tables = {}
        for sheet in sheets:
            for table in sheet.tables.values():
                tables[table.displayName] = (sheet, table)
        if part not in tables:
            known = names + "".join(f", {quoted(name)} (table)" for name in tables)
            raise Unusable(f"the workbook has no sheet or table {quoted(part)}; it has {known}")
        sheet, table = tables[part]
        from openpyxl.utils import range_boundaries

        min_col, min_row, max_col, max_row = range_boundaries(table.ref)
        if table.headerRowCount == 0:
            raise Unusable(f"the table {quoted(part)} has no header row; its first row must name the columns")
        return sheet, _Area(min_row, max_row - (table.totalsRowCount or 0), min_col, max_col)

    def _remarks(self, sheet: Worksheet, area: _Area) -> tuple[Remark, ...]:
        remarks = []
        if self._formulas is not None:
            written = self._formulas[sheet.title]
            held = [cell for cells in _cells(written, area) for cell in cells if cell.data_type == "f"]
            empty = [cell.coordinate for cell in held if sheet[cell.coordinate].value is None]
            if held:
                remarks.append(Remark(f"{_count(held, 'cell')} with formulas; the stored results were read"))
            if empty:
                text = f"formulas without a stored value, read as empty cells: {few(empty)}"
                remarks.append(Remark(text, values_missing=True))
        hidden = [
            number
            for number, row in sheet.row_dimensions.items()
            if row.hidden and area.min_row < number <= area.max_row
        ]
        if hidden:
            remarks.append(Remark(f"hidden rows were read: {few(hidden)}"))
        struck = [
            cell.coordinate
            for cells in _cells(sheet, area)
            for cell in cells
            if cell.value is not None and cell.font is not None and cell.font.strike
        ]
        if struck:
            remarks.append(Remark(f"struck-out cells were read as the others: {few(struck)}"))
        percent = [
            cell.coordinate
            for cells in _cells(sheet, area)
            for cell in cells
            if cell.data_type == "n" and cell.value is not None and "%" in (cell.number_format or "")
        ]
        if percent:
            remarks.append(Remark(f"percent format, read as stored (0.95 for 95 %): {few(percent)}"))
        return tuple(remarks)


def open_workbook(content: bytes, name: str) -> Workbook:
    """The workbook in *content*.

    Raises:
        Unusable: it is no workbook, or one that expands to more than any study needs.
        EnvironmentProblem: openpyxl is not installed.
    """
    has_formulas = _inspect(content)
    try:
        import openpyxl
    except ImportError as error:
        raise EnvironmentProblem(f"{name}: reading workbooks needs openpyxl: {INSTALL}") from error

    def loaded(*, values: bool) -> Contents:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")  # on styles and extensions that do not matter to the values
            return openpyxl.load_workbook(io.BytesIO(content), data_only=values, keep_links=False)

    try:
        return Workbook(name, loaded(values=True), loaded(values=False) if has_formulas else None)
    except Exception as error:  # on a damaged file the package raises whatever it stumbled over
        raise Unusable(
            "the workbook is damaged; open it in a spreadsheet program and save it again"
        ) from error


def _inspect(content: bytes) -> bool:
    """Refuse what could harm; True where any cell holds a formula."""
    if content.startswith(_OLD_FORMAT):
        raise Unusable(
            "the workbook is protected by a password or has an old format; save it "
            "as .xlsx without a password"
        )
    try:
        with zipfile.ZipFile(io.BytesIO(content)) as archive:
            _check_members(archive.infolist())
            return _check_markup(archive)
    except Unusable:
        raise
    except Exception as error:  # what a damaged archive makes the decompressors raise
        raise Unusable("this is not a workbook (.xlsx), or it is damaged; save it again as .xlsx") from error


def _check_members(members: Sequence[zipfile.ZipInfo]) -> None:
    if len(members) > MOST_MEMBERS:
        raise Unusable(f"the workbook holds more than {MOST_MEMBERS} files")
    if sum(member.file_size for member in members) > MOST_UNPACKED:
        raise Unusable(f"the workbook expands to more than {MOST_UNPACKED // _MEGABYTE} MB")
    for member in members:
        _check_member(member)


def _check_markup(archive: zipfile.ZipFile) -> bool:
    """Refuse document types and too many cells in any member; True where there are formulas."""
    cells = formulas = 0
    for member in archive.infolist():
        for piece in _pieces(archive, member):
            if _DOCUMENT_TYPE.search(piece):
                raise Unusable(f"the workbook declares a document type or entities{_NOT_OF_A_PROGRAM}")
            cells += len(_CELL.findall(piece))
            formulas += len(_FORMULA.findall(piece))
            if cells > MOST_WORKBOOK_CELLS:
                raise Unusable(
                    f"the workbook holds more than {MOST_WORKBOOK_CELLS} cells; save the sheet as CSV"
                )
    return formulas > 0


def _check_member(member: zipfile.ZipInfo) -> None:
    name = member.filename
    if name.startswith(("/", "\\")) or ".." in re.split(r"[/\\]", name) or ":" in name:
        raise Unusable(f"the workbook holds a file whose name leads out of it{_NOT_OF_A_PROGRAM}")
    if (member.external_attr >> 16) & 0o170000 == 0o120000:
        raise Unusable(f"the workbook holds a symbolic link{_NOT_OF_A_PROGRAM}")
    if member.flag_bits & 0x1:
        raise Unusable("the workbook is protected by a password; save it without one")


def _pieces(archive: zipfile.ZipFile, member: zipfile.ZipInfo) -> Iterator[bytes]:
    """The unpacked content in pieces; a token that begins at the end of one is whole in the next."""
    with archive.open(member) as stream:
        kept = b""
        while piece := stream.read(_CHUNK):
            whole = kept + piece
            # cut where a tag begins, so that no token is counted twice or missed
            cut = whole.rfind(b"<", max(0, len(whole) - _OVERLAP))
            cut = len(whole) if cut < 0 else cut
            yield whole[:cut]
            kept = whole[cut:]
        yield kept


def _used(sheet: Worksheet) -> _Area:
    area = _Area(1, sheet.max_row or 1, 1, sheet.max_column or 1)
    if area.max_row * area.max_col > LARGEST_AREA:
        corner = sheet.cell(area.max_row, area.max_col).coordinate
        raise Unusable(f"the sheet extends to cell {corner}; delete content far from the table")
    return area


def _cells(sheet: Worksheet, area: _Area) -> Iterable[Sequence[Cell]]:
    found: Iterable[Sequence[Cell]] = sheet.iter_rows(
        min_row=area.min_row, max_row=area.max_row, min_col=area.min_col, max_col=area.max_col
    )
    return found


def _refuse_merged(sheet: Worksheet, area: _Area) -> None:
    for merged in sheet.merged_cells.ranges:
        apart = (
            merged.max_row < area.min_row
            or merged.min_row > area.max_row
            or merged.max_col < area.min_col
            or merged.min_col > area.max_col
        )
        if apart:
            continue
        corner = sheet.cell(merged.min_row, merged.min_col).coordinate
        if merged.min_row <= area.min_row:
            message = (
                f"the header cell {corner} is merged ({merged.coord}); if it is a title, name the row of the "
                "headers with header_row, else give each column its own header"
            )
        else:
            message = (
                f"the cells {merged.coord} are merged, and which rows their value belongs to is not certain; "
                "name the rows of the table with rows, or map the values in the study"
            )
        raise Unusable(message, merged.min_row)


def _beginning(sheet: Worksheet, area: _Area) -> list[Row]:
    return [
        Row(cells[0].row, [_text(cell) for cell in cells])
        for cells in islice(_cells(sheet, area), ROWS_OF_BEGINNING)
    ]


def _rows(sheet: Worksheet, area: _Area) -> Iterator[Row]:
    """Every row that holds something."""
    for cells in _cells(sheet, area):
        texts = [_text(cell) for cell in cells]
        if any(texts):
            yield Row(cells[0].row, texts)


def _within(rows: Iterator[Row], sheet: Worksheet, area: _Area) -> Iterator[Row]:
    """The rows as wide as the header."""
    width = area.max_col - area.min_col + 1
    for row in rows:
        if any(row.cells[width:]):
            index = next(index for index, text in enumerate(row.cells[width:], start=width) if text)
            beside = sheet.cell(row.number, area.min_col + index).coordinate
            first, last = (sheet.cell(one, column).coordinate for one, column in _corners(area))
            raise Unusable(
                f"the cell {beside} has no column header; add a header, or name the place of the table with "
                f"range: {first}:{last}",
                row.number,
            )
        yield Row(row.number, row.cells[:width])


def _corners(area: _Area) -> tuple[tuple[int, int], tuple[int, int]]:
    return (area.min_row, area.min_col), (area.max_row, area.max_col)


def _text(cell: Cell) -> str:
    """What a cell says, as a text file would say it."""
    value = cell.value
    match value:
        case None:
            return ""
        case bool():
            return str(value).upper()
        case float() | int() if (shown := _as_formatted(value, cell.number_format)) is not None:
            return shown
        case float() if value.is_integer() and abs(value) < _WHOLE_UP_TO:
            return str(int(value))
        case float():
            return repr(value)
        case dt.datetime() if value.time() == dt.time():
            return value.date().isoformat()
        case dt.datetime():
            return value.isoformat(sep=" ", timespec="seconds")
        case dt.date() | dt.time():
            return value.isoformat()
        case _:
            return str(value).strip()


def _as_formatted(value: float, number_format: str | None) -> str | None:
    """The number with the decimals that the cell shows, where these are all of it: 7.000 for 7."""
    decimals = _FIXED.fullmatch(number_format or "")
    if decimals is None or abs(value) >= _WHOLE_UP_TO:
        return None
    shown = f"{value:.{len(decimals[1])}f}"
    return shown if float(shown) == value else None


def _count(items: Sequence[object], what: str) -> str:
    return f"{len(items)} {what}{'' if len(items) == 1 else 's'}"
