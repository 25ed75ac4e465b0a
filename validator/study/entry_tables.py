"""Workbooks to enter data into: a sheet for each data block, with units, drop-downs and room for rows.

Headers are locked, cells for data are not, and no cell holds a formula; filled in, the workbook is read by
``workbook.py`` as it is.
"""

from __future__ import annotations

import io
from typing import TYPE_CHECKING, Literal, get_args, get_origin

from msgspec import Struct

from validator.errors import EnvironmentProblem
from validator.study.blocks import data_blocks
from validator.study.columns import Column, TableBlock, Units, columns_of
from validator.study.files import Row
from validator.study.keys import kind_of, parts_of
from validator.study.problems import Problems
from validator.study.workbook import INSTALL

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping, Sequence

    from openpyxl.workbook import Workbook
    from openpyxl.worksheet.worksheet import Worksheet

    from validator.study.models.study import Study

ROWS = 500
"""Rows that are made ready; more may be added below them."""
_CHOICES = "choices"
_WIDEST = 30
_INK, _PAPER = "FF1A1A1A", "FFECECEA"


class EntrySheet(Struct, frozen=True, kw_only=True):
    """A sheet to fill in.

    Attributes:
        block: the data block, also the name of the sheet.
        header: names of the columns as the reader knows them, with units.
        rows: what is filled in already; None where somebody is to write.
    """

    block: str
    header: Sequence[str]
    rows: Sequence[Sequence[str | float | None]] = ()


class _Entry(Struct, frozen=True):
    """What may be entered under a header, and what the reader is told about it."""

    form: Literal["number", "whole", "date", "text"]
    choices: Sequence[str]
    hint: str


def entry_workbook(study: Study, sheets: Iterable[EntrySheet]) -> bytes:
    """The *sheets* as a workbook for the analytes and configurations of *study*.

    Raises:
        EnvironmentProblem: openpyxl is not installed.
        ValueError: a header is none that the reader knows.
    """
    try:
        from openpyxl import Workbook
    except ImportError as error:
        raise EnvironmentProblem(f"writing workbooks needs openpyxl: {INSTALL}") from error
    book = Workbook()
    book.remove(book.active)
    lists: dict[tuple[str, ...], str] = {}
    for sheet in sheets:
        entries = _entries(study, sheet)
        _write_sheet(book, sheet, entries, lists)
    if lists:
        _write_choices(book, lists)
    stream = io.BytesIO()
    book.save(stream)
    return stream.getvalue()


def _entries(study: Study, sheet: EntrySheet) -> list[_Entry]:
    """What belongs under each header, from the model of the block's runs."""
    run = next(run for name, _, run in data_blocks() if name == sheet.block)
    table = TableBlock(
        block=sheet.block,
        label=sheet.block,
        file=sheet.block,
        run=run,
        mapped={},
        stated={},
        ignored={},
        decimal=".",
        analyte=None,
        units={one.id: Units(one.unit, one.signal_unit) for one in study.method.analytes},
        preparation="independent",
    )
    problems = Problems()
    columns, _ = columns_of(Row(1, sheet.header), table, problems)
    by_index = {column.index: column for column in columns}
    if len(by_index) < len(sheet.header):
        unknown = [name for index, name in enumerate(sheet.header) if index not in by_index]
        raise ValueError(f"{sheet.block}: no field has the header {unknown[0]!r}")
    return [_entry(study, table, by_index[index]) for index in range(len(sheet.header))]


def _entry(study: Study, table: TableBlock, column: Column) -> _Entry:
    info = table.info(column.field)
    known = {"analyte": study.analyte_ids, "configuration": study.configuration_ids}
    choices = known.get(column.field) or _literals(info.annotation)
    if choices:
        return _Entry("text", choices, f"one of: {', '.join(choices)}")
    kind = kind_of(info)
    if column.field == "date":
        return _Entry("date", (), "year-month-day, 2026-03-25")
    if column.field == "excluded":
        return _Entry("text", (), "only for a run that is left out: the cause")
    if kind == "whole":
        return _Entry("whole", (), "a whole number")
    if kind == "number":
        unit = f" in {column.unit}" if column.unit else ""
        return _Entry("number", (), f"a number{unit}; leave the cell empty where there is none")
    return _Entry("text", (), "a label or a short text")


def _literals(annotation: object) -> tuple[str, ...]:
    for part in parts_of(annotation):
        if get_origin(part) is Literal:
            return tuple(str(one) for one in get_args(part))
    return ()


def _write_sheet(
    book: Workbook, sheet: EntrySheet, entries: Sequence[_Entry], lists: dict[tuple[str, ...], str]
) -> None:
    from openpyxl.styles import Alignment, Font, PatternFill, Protection
    from openpyxl.utils import get_column_letter
    from openpyxl.worksheet.datavalidation import DataValidation

    made = book.create_sheet(sheet.block)
    last = max(ROWS, len(sheet.rows)) + 1
    for index, (name, entry) in enumerate(zip(sheet.header, entries, strict=True), start=1):
        letter = get_column_letter(index)
        head = made.cell(1, index)
        _write(made, 1, index, name)
        head.font = Font(bold=True, color=_INK)
        head.fill = PatternFill("solid", start_color=_PAPER)
        head.alignment = Alignment(wrap_text=True, vertical="top")
        made.column_dimensions[letter].width = min(max(len(name) + 2, 12), _WIDEST)
        rule = DataValidation(allow_blank=True, showInputMessage=True, **_rule(entry, lists))
        rule.promptTitle, rule.prompt = name[:32], entry.hint[:255]
        rule.error = entry.hint[:255]
        made.add_data_validation(rule)
        rule.add(f"{letter}2:{letter}{last}")
        for number in range(2, last + 1):
            cell = made.cell(number, index)
            cell.protection = Protection(locked=False)
            if entry.form == "date":
                cell.number_format = "yyyy-mm-dd"
            elif entry.form == "text":
                cell.number_format = "@"  # 007 and 1-2 stay what they are
    for number, row in enumerate(sheet.rows, start=2):
        for index, value in enumerate(row, start=1):
            if value is not None:
                _write(made, number, index, value)
    made.freeze_panes = "A2"
    made.protection.sheet = True
    made.protection.formatColumns = made.protection.sort = made.protection.insertRows = False  # are allowed


def _write(sheet: Worksheet, row: int, column: int, value: str | float) -> None:
    cell = sheet.cell(row, column)
    cell.value = value
    if isinstance(value, str):
        cell.data_type = "s"  # never a formula, whatever it begins with


def _rule(entry: _Entry, lists: dict[tuple[str, ...], str]) -> Mapping[str, object]:
    """Arguments of the rule on what may be entered."""
    if entry.choices:
        column = lists.setdefault(tuple(entry.choices), _letter(len(lists) + 1))
        last = len(entry.choices)
        return {
            "type": "list",
            "formula1": f"={_CHOICES}!${column}$1:${column}${last}",
            "showErrorMessage": True,
        }
    if entry.form == "whole":
        return {"type": "whole", "operator": "greaterThanOrEqual", "formula1": "0", "showErrorMessage": True}
    return {"type": None}  # a hint only: below-reporting values and dates as text are the reader's business


def _letter(index: int) -> str:
    from openpyxl.utils import get_column_letter

    return str(get_column_letter(index))


def _write_choices(book: Workbook, lists: Mapping[tuple[str, ...], str]) -> None:
    """The choices on a hidden sheet: in a rule itself they could hold no comma and few letters."""
    sheet = book.create_sheet(_CHOICES)
    for index, choices in enumerate(lists, start=1):
        for row, choice in enumerate(choices, start=1):
            _write(sheet, row, index, choice)
    sheet.sheet_state = "hidden"
    sheet.protection.sheet = True
