"""Data-entry tables: every planned run in its order, with empty cells for what is measured.

The headers are those that the reading room knows: filled in, a table is named in the study and read.
"""

from __future__ import annotations

import csv
import io
from itertools import zip_longest
from typing import TYPE_CHECKING

import numpy as np
from msgspec import Struct

from validator.errors import EnvironmentProblem
from validator.planning.preparations import Preparation, preparations
from validator.study.delimited import guarded
from validator.study.entry_tables import EntrySheet, entry_workbook
from validator.study.models.plan import PLANNED_BLOCKS

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping, Sequence

    from validator.planning.preparations import Preparation
    from validator.study import Study


_STREAM = 9


class PlannedRun(Struct, frozen=True):
    """One measurement.

    Attributes:
        order: its place among the measurements of its block, from 1.
        sample: label of the preparation, such as C1-04.
        parts: what is in it: one preparation, or one of each analyte where they are determined together.
    """

    order: int
    sample: str
    parts: tuple[Preparation, ...]

    @property
    def block(self) -> str:
        """The data block the run belongs to."""
        return self.parts[0].block

    @property
    def series(self) -> str:
        """The series it is measured in."""
        return self.parts[0].series

    @property
    def configuration(self) -> str:
        """What it is measured with."""
        return self.parts[0].configuration


def run_order(study: Study) -> tuple[PlannedRun, ...]:
    """Every planned measurement in a random order that the study's seed decides.

    Configurations are mixed within a series, so that drift meets them alike. Where the analytes are
    determined together, the levels of each are dealt to the solutions at random, within one matrix.
    """
    if study.plan is None:
        return ()
    rng = np.random.default_rng(np.random.SeedSequence(study.analysis.seed, spawn_key=(_STREAM,)))
    runs: list[PlannedRun] = []
    groups = _grouped(preparations(study))
    for members in groups.values():
        solutions = _together(members, rng) if study.plan.simultaneous else [(one,) for one in members]
        before = sum(run.block == members[0].block for run in runs)
        for place, index in enumerate(rng.permutation(len(solutions)), start=1):
            parts = solutions[index]
            label = f"{parts[0].series}-{place:02d}"
            runs.append(PlannedRun(before + place, label, parts))
    return tuple(runs)


def _grouped(all_of_them: Iterable[Preparation]) -> dict[tuple[str, str], list[Preparation]]:
    groups: dict[tuple[str, str], list[Preparation]] = {}
    for one in all_of_them:
        groups.setdefault((one.block, one.series), []).append(one)
    # a block's series follow one another, whichever analyte plans more of them
    order = list(dict.fromkeys(block for block, _ in groups))
    return dict(sorted(groups.items(), key=lambda item: (order.index(item[0][0]), _number(item[0][1]))))


def _number(series: str) -> int:
    return int(series[1:])


def _together(members: Sequence[Preparation], rng: np.random.Generator) -> list[tuple[Preparation, ...]]:
    """Solutions that hold one preparation of each analyte, of the same matrix and configuration."""
    dealt: dict[tuple[str, bool, str | None], dict[str, list[Preparation]]] = {}
    for one in members:
        alike = (one.configuration, one.material.is_reference, one.material.matrix)
        dealt.setdefault(alike, {}).setdefault(one.analyte, []).append(one)
    solutions: list[tuple[Preparation, ...]] = []
    for (_, is_reference, _), by_analyte in dealt.items():
        # a certified material is one thing: its values belong together and are not dealt
        hands = [
            hand if is_reference else [hand[index] for index in rng.permutation(len(hand))]
            for hand in by_analyte.values()
        ]
        solutions.extend(tuple(one for one in parts if one is not None) for parts in zip_longest(*hands))
    return solutions


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
