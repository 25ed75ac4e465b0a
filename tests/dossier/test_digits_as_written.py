"""The annex of data prints every number with the digits that were written: 7.000 stays 7.000."""

from __future__ import annotations

import io
import re

import openpyxl
import pytest

from validator import assess, evaluate, read_study
from validator.dossier import build_document
from validator.dossier.inline import plain

HEAD = """\
format: validation-study/1
study: {title: t, matrix: water}
method:
  analytes: [{id: zn, name: zinc, unit: µg/L, signal: current, signal_unit: µA}]
"""
TYPED = """\
calibration:
  runs:
    - {level: 7.000, signals: [0.300, 0.3010]}
    - {level: 14.00, signals: [0.60, 6.1e-1]}
    - {level: 28.0, signals: [1.20, 1.210]}
carry_over:
  runs:
    - sequence: [{kind: blank, signal: 0.010}, {kind: high, signal: 2.00}, {kind: blank, signal: -0.020}]
"""
POINTS = "level,signal 1,signal 2\n7.000,0.300,0.3010\n14.00,0.60,6.1e-1\n28.0,1.20,1.210\n"
EXPECTED = ["7.000 0.300, 0.3010", "14.00 0.60, 0.61", "28.0 1.20, 1.210"]


def workbook():
    book = openpyxl.Workbook()
    for row in [("level", "signal 1", "signal 2"), (7, 0.3, 0.301), (14, 0.6, 0.61), (28, 1.2, 1.21)]:
        book.active.append(row)
    formats = [("0.000", "0.000", "0.0000"), ("0.00", "0.00", "0.00"), ("0.0", "0.00", "0.000")]
    for row, shown in zip(book.active.iter_rows(min_row=2), formats, strict=True):
        for cell, one in zip(row, shown, strict=True):
            cell.number_format = one
    stream = io.BytesIO()
    book.save(stream)
    return stream.getvalue()


def tables_of(tmp_path, more, files):
    for name, content in files.items():
        (tmp_path / name).write_bytes(content if isinstance(content, bytes) else content.encode())
    (tmp_path / "study.yaml").write_text(HEAD + more, encoding="utf-8")
    study = read_study(tmp_path)
    document = build_document(study, assess(study, evaluate(study)))
    (data,) = (one for one in document.sections if one.id == "data")
    return {table.id: table for table in data.blocks if hasattr(table, "rows")}


def lines_of(table):
    cells = [plain(cell) for row in table.rows for cell in row.cells]
    text = " ".join(cell for cell in cells if cell)
    return [line.strip() for line in re.split(r"\[[^\]]*\]", text) if line.strip()]


@pytest.mark.parametrize(
    ("more", "files"),
    [
        (TYPED, {}),
        (
            "calibration: {file: c.csv}\n",
            {"c.csv": "level,signal 1,signal 2\n7.000,0.300,0.3010\n14.00,0.60,6.1e-1\n28.0,1.20,1.210\n"},
        ),
        (
            "calibration: {file: c.csv, decimal: ','}\n",
            {"c.csv": "level;signal 1;signal 2\n7,000;0,300;0,3010\n14,00;0,60;0,61\n28,0;1,20;1,210\n"},
        ),
        ("calibration: {file: c.xlsx}\n", {"c.xlsx": workbook()}),
    ],
    ids=["study", "points", "commas", "formats of cells"],
)
def test_digits_reach_the_annex(tmp_path, more, files):
    """From the study, from text files of either decimal sign, from the formats of a workbook's cells."""
    tables = tables_of(tmp_path, more, files)

    assert lines_of(tables["data-calibration"]) == EXPECTED


def test_steps_of_a_sequence(tmp_path):
    """Signals of a carry-over sequence are data as others are."""
    assert lines_of(tables_of(tmp_path, TYPED, {})["data-carry-over"]) == [
        "blank 0.010, high 2.00, blank −0.020"
    ]


def test_converted_values_and_several_files(tmp_path):
    """What was converted stands in the unit of the study; each row names its file where there are several."""
    files = {
        "a.csv": "level (mg/L),signal\n0.0070,0.300\n",
        "b.csv": "level,signal\n14.00,0.60\n28.00,1.20\n",
    }

    table = tables_of(tmp_path, "calibration: {file: [a.csv, b.csv]}\n", files)["data-calibration"]

    cells = [plain(cell) for row in table.rows for cell in row.cells]
    assert cells[:4] == ["7", "0.300 [a.csv row 2]", "14.00", "0.60 [b.csv row 2]"]
    assert "row of a.csv, b.csv" in plain(table.note)
