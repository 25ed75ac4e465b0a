"""Run order and data-entry tables."""

from __future__ import annotations

import csv
import io
from collections import Counter

import pytest
import yaml

from validator import evaluate
from validator.planning import data_tables, run_order, to_workbook

PLAN = {
    "calibration": {"levels": [5, 10, 20], "series": 2, "replicates": 2},
    "blanks": {"series": 2, "replicates": 3},
    "low_level": {"levels": [1.2], "replicates": 2},
    "precision": {"levels": [10], "series": 3, "replicates": 2},
    "recovery": {"levels": [5, 8], "series": 2, "matrices": ["tap water", "well water"], "references": [7.5]},
}
METALS = [
    {"id": name, "name": name, "unit": "µg/L", "signal": "peak", "signal_unit": "µA"} for name in ("cd", "zn")
]
TOGETHER = {
    "simultaneous": True,
    "calibration": {"series": 3, "configurations": ["film", "bare"]},
    "recovery": {"series": 2, "matrices": ["tap water", "well water"]},
    "per_analyte": {
        "cd": {"calibration": {"levels": [1, 2, 3, 4]}, "recovery": {"levels": [3, 6], "references": [5]}},
        "zn": {"calibration": {"levels": [10, 20, 30]}, "recovery": {"levels": [30, 60], "references": [50]}},
    },
}


@pytest.fixture
def two_metals(described, study_of):
    return study_of(described(analytes=METALS, configurations=["film", "bare"], plan=TOGETHER))


def rows_of(table):
    return list(csv.DictReader(io.StringIO(table.to_csv().decode("utf-8-sig"))))


def test_every_planned_preparation_is_run_once(planned):
    """Each series holds its preparations, in an order of its own; places count through a block."""
    runs = run_order(planned(PLAN))

    for block, total in (
        ("calibration", 12),
        ("blanks", 6),
        ("low_level", 2),
        ("precision", 6),
        ("recovery", 10),
    ):
        own = [run for run in runs if run.block == block]
        assert [run.order for run in own] == list(range(1, total + 1))
        assert [run.series for run in own] == sorted(run.series for run in own)
        assert len({run.sample for run in own}) == total
    levels = Counter((run.series, run.parts[0].material.level) for run in runs if run.block == "calibration")
    assert levels == {(series, level): 2 for series in ("C1", "C2") for level in (5, 10, 20)}


def test_the_seed_decides_the_order(planned):
    """The same seed gives the same order, another one another; no series repeats the levels' own order."""
    first, again = run_order(planned(PLAN)), run_order(planned(PLAN))
    other = run_order(planned(PLAN, analysis={"seed": 1}))

    def levels(runs):
        return [run.parts[0].material.level for run in runs if run.block == "calibration"]

    assert first == again
    assert levels(first) != levels(other)
    assert levels(first) != sorted(levels(first))


def test_analytes_in_the_same_solution_share_a_run(two_metals):
    """Levels are dealt to solutions at random, within a matrix; a certified material stays whole."""
    runs = run_order(two_metals)

    calibration = [run for run in runs if run.block == "calibration"]
    assert len(calibration) == 3 * 2 * 4
    assert Counter(len(run.parts) for run in calibration) == {2: 18, 1: 6}
    pairs = {tuple(part.material.level for part in run.parts) for run in calibration if len(run.parts) == 2}
    assert len(pairs) > 4
    for run in runs:
        assert len({part.material.matrix for part in run.parts}) == 1
        assert len({part.configuration for part in run.parts}) == 1
    certified = [run for run in runs if run.block == "recovery" and run.parts[0].material.is_reference]
    assert [tuple(part.material.level for part in run.parts) for run in certified] == [(5, 50), (5, 50)]


def test_a_filled_in_table_is_read_and_keeps_the_plan(planned, described, study_of):
    """The headers are those that the reading room knows: the study kept to its plan."""
    plan = {"assumed": {"slope": 1.0, "signal_sd": 0.1}, **PLAN}
    filled = {}
    for table in data_tables(planned(PLAN)):
        rows = rows_of(table)
        for number, row in enumerate(rows):
            for header in row:
                name = header.split(" ")[0]
                if name in ("signal", "concentration", "found"):
                    row[header] = repr(5 + number / 7)
                elif (name == "native" and not row["reference (mg/L)"]) or name == "reference_uncertainty":
                    row[header] = "0.1" if name == "native" or row["reference (mg/L)"] else ""
        stream = io.StringIO()
        writer = csv.DictWriter(stream, list(rows[0]), lineterminator="\n")
        writer.writeheader()
        writer.writerows(rows)
        filled[f"{table.block}.csv"] = stream.getvalue()
    blocks = {name.removesuffix(".csv"): {"file": name} for name in filled}

    study = study_of(yaml.safe_dump(described(plan=plan, **blocks)), filled)

    found = evaluate(study).plan
    assert found.differences == ()
    assert found.kept
    assert {run.order for run in study.calibration.runs} == set(range(1, 13))


def test_the_tables_of_two_analytes_name_analyte_configuration_and_unit(two_metals):
    """One row for each analyte of a solution; what is to be measured is empty."""
    calibration, recovery = data_tables(two_metals)

    assert calibration.header == (
        *("order", "date", "series", "operator", "device", "configuration", "preparation_id", "analyte"),
        *("level (µg/L)", "signal (µA)", "note", "excluded"),
    )
    assert recovery.header[8:14] == (
        *("matrix", "added (µg/L)", "reference (µg/L)", "reference_uncertainty (µg/L)"),
        *("native (µg/L)", "found (µg/L)"),
    )
    rows = rows_of(calibration)
    assert len(rows) == 3 * 2 * (4 + 3)
    assert {row["signal (µA)"] for row in rows} == {""}
    assert {row["level (µg/L)"] for row in rows} == {"1", "2", "3", "4", "10", "20", "30"}


def test_units_that_differ_are_left_to_the_rows(described, study_of):
    """A header can carry one unit only."""
    analytes = [METALS[0], {**METALS[1], "unit": "mg/L"}]
    plan = {"calibration": {"levels": [1, 2, 3]}}

    (table,) = data_tables(study_of(described(analytes=analytes, plan=plan)))

    assert "level" in table.header
    assert "signal (µA)" in table.header


def test_no_cell_is_computed_by_a_spreadsheet_program(described, study_of):
    """A label that begins like a formula is text in both kinds of table."""
    openpyxl = pytest.importorskip("openpyxl")
    plan = {"recovery": {"levels": [5], "matrices": ["=1+1", "@tap", "plain"]}}
    study = study_of(described(plan=plan))
    tables = data_tables(study)

    matrices = {row["matrix"] for row in rows_of(tables[0])}
    sheet = openpyxl.load_workbook(io.BytesIO(to_workbook(study, tables)))["recovery"]

    assert matrices == {"'=1+1", "'@tap", "plain"}
    cells = [cell for row in sheet.iter_rows() for cell in row if cell.value is not None]
    assert {cell.data_type for cell in cells} <= {"s", "n"}
    assert "=1+1" in {cell.value for cell in cells}
