"""Tables laid out as instruments and people like it, and what to change so that they are read."""

from __future__ import annotations

import re
from typing import TYPE_CHECKING

from validator.study.columns import column_at, expected_units, normal_header
from validator.study.files import Unusable
from validator.study.keys import kind_of
from validator.study.places import Place
from validator.study.scalars import Scalar, resolve_cell
from validator.study.units import same_unit

if TYPE_CHECKING:
    from collections.abc import Sequence

    from validator.study.columns import Column, TableBlock
    from validator.study.tables import Row, Sheet

_OTHER_SEPARATORS = re.compile(r"[|\s]+")


def check_header(sheet: Sheet, columns: Sequence[Column], table: TableBlock) -> None:
    """Refuse a table that begins with something else than its header, where that can be told.

    Raises:
        Unusable: the columns are named further down, or the cells are separated by other signs.
    """
    header = sheet.header
    filled = [cell for cell in header.cells if cell]
    if len(columns) == len(filled):
        return
    below = [row for row in sheet.beginning if row.number > header.number]
    likeliest = max(below, key=lambda row: _understood(row.cells, table), default=header)
    known = _understood(likeliest.cells, table)
    if known > len(columns) and 2 * known >= sum(map(bool, likeliest.cells)):
        raise Unusable(
            (
                f"the column names appear to be in row {likeliest.number}; delete the rows above it, "
                "or begin each of them with #"
            ),
            header.number,
        )
    if len(filled) == 1 and not columns:
        parts = [part for part in _OTHER_SEPARATORS.split(filled[0]) if part]
        if len(parts) > 1 and _understood(parts, table) == len(parts):
            raise Unusable(
                "the cells are not separated by commas, semicolons or tabs; save the table with one of these",
                header.number,
            )


def _understood(cells: Sequence[str], table: TableBlock) -> int:
    """How many of the *cells* could be headers of the table."""
    found = (column_at(index, Place(table.file, 0, cell), table) for index, cell in enumerate(cells) if cell)
    return sum(column is not None for column in found)


def check_no_units(row: Row, columns: Sequence[Column], table: TableBlock) -> None:
    """Refuse a first row that holds the units of the columns.

    Raises:
        Unusable: it does; the message says how headers carry them.
    """
    units = set()
    for column in columns:
        cell = row.cells[column.index] if column.index < len(row.cells) else ""
        bare = cell.strip("()[]")
        if kind_of(table.info(column.field)) != "number" or not bare:
            continue
        if isinstance(resolve_cell(cell, table.decimal), Scalar):
            return
        if any(
            same_unit(bare, expected)
            for one in table.units.values()
            for expected in expected_units(column, one, table.run)
        ):
            units.add(f"{normal_header(column.header)} ({bare})")
    if units:
        raise Unusable(
            (
                f"this row contains units; move them to the header ({', '.join(sorted(units))}) and "
                "delete the row"
            ),
            row.number,
        )
