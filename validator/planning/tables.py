"""Data-entry tables: every planned run in its order, with empty cells for what is measured.

The headers are those that the reading room knows: filled in, a table is named in the study and read.
"""

from __future__ import annotations

import csv
import io
from typing import TYPE_CHECKING

from msgspec import Struct

from validator.errors import EnvironmentProblem
from validator.planning.run_order import PlannedRun, run_order
from validator.study.entry_tables import EntrySheet, entry_workbook
from validator.study.models.plan import PLANNED_BLOCKS
from validator.study.spreadsheet_text import guarded

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from validator.planning.preparations import Preparation
    from validator.study import Study

Cell = str | float | int | None

_LEVEL, _SIGNAL = "level", "signal"
"""Kinds of unit."""

_FILLED_IN: Mapping[str, Mapping[str, str]] = {
    "calibration": {"signal": _SIGNAL},
    "blanks": {"signal": _SIGNAL},
    "low_level": {"concentration": _LEVEL},
    "precision": {"concentration": _LEVEL},
    "recovery": {"native": _LEVEL, "found": _LEVEL},
}
"""The columns that the laboratory fills in, and the kind of their unit."""

_IN_LEVEL_UNIT = ("level", "added", "reference", "reference_uncertainty")
_OF_THE_WORK = ("date", "operator", "device")
_REMARKS = ("note", "excluded")
_WHOLE_UP_TO = 1e15
_COLUMNS = (
    *("order", "date", "series", "operator", "device", "configuration", "preparation_id", "analyte"),
    *("matrix", "level", "added", "reference", "reference_uncertainty"),
    *("native", "concentration", "found", "signal", *_REMARKS),
)
"""The columns of all tables, from left to right."""


class DataTable(Struct, frozen=True):
    """One table.

    Attributes:
        block: the data block it fills.
        header: names of the columns, with units where all analytes share them.
        rows: cells, None where something is to be filled in.
    """

    block: str
    header: tuple[str, ...]
    rows: tuple[tuple[Cell, ...], ...]

    def to_csv(self) -> bytes:
        """The table as CSV: UTF-8 with the mark by which spreadsheet programs know it."""
        stream = io.StringIO()
        writer = csv.writer(stream, lineterminator="\n")
        writer.writerow(self.header)
        writer.writerows(
            [guarded(cell) if isinstance(cell, str) else cell for cell in row] for row in self.rows
        )
        return stream.getvalue().encode("utf-8-sig")


def data_tables(study: Study) -> tuple[DataTable, ...]:
    """A table for each planned block."""
    runs = run_order(study)
    return tuple(
        _table(study, block, own)
        for block in PLANNED_BLOCKS
        if (own := [run for run in runs if run.block == block])
    )


def to_workbook(study: Study, tables: Sequence[DataTable]) -> bytes | None:
    """The tables as the sheets of one workbook; None where the package for it is not installed."""
    sheets = [EntrySheet(block=one.block, header=one.header, rows=one.rows) for one in tables]
    try:
        return entry_workbook(study, sheets)
    except EnvironmentProblem:
        return None


def _table(study: Study, block: str, runs: Sequence[PlannedRun]) -> DataTable:
    rows = [_row(study, run, part) for run in runs for part in run.parts]
    columns = [column for column in _COLUMNS if any(column in row for row in rows)]
    kinds = {**dict.fromkeys(_IN_LEVEL_UNIT, _LEVEL), **_FILLED_IN[block]}
    return DataTable(
        block,
        tuple(_header(study, column, kinds.get(column)) for column in columns),
        tuple(tuple(row.get(column) for column in columns) for row in rows),
    )


def _row(study: Study, run: PlannedRun, part: Preparation) -> dict[str, Cell]:
    material = part.material
    row: dict[str, Cell] = {"order": run.order, "series": run.series, "preparation_id": run.sample}
    row |= dict.fromkeys(_OF_THE_WORK)
    if len(study.configuration_ids) > 1:
        row["configuration"] = part.configuration
    if len(study.analyte_ids) > 1:
        row["analyte"] = part.analyte
    if material.matrix is not None:
        row["matrix"] = material.matrix
    if material.level is not None:
        spiked = "added" if part.block == "recovery" else "level"
        row["reference" if material.is_reference else spiked] = _shortest(material.level)
    if material.is_reference:
        row["reference_uncertainty"] = None
    row |= dict.fromkeys(_FILLED_IN[part.block])
    return row | dict.fromkeys(_REMARKS)


def _header(study: Study, column: str, kind: str | None) -> str:
    analytes = study.method.analytes
    units = {one.unit if kind == _LEVEL else one.signal_unit for one in analytes} if kind else set()
    unit = units.pop() if len(units) == 1 else ""
    return f"{column} ({unit})" if unit not in ("", "1") else column


def _shortest(level: float) -> float | int:
    return int(level) if level.is_integer() and level < _WHOLE_UP_TO else level
