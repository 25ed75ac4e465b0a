"""The same measurements in another kind of file give the same results, but for the hashes of the files."""

from __future__ import annotations

import csv
import datetime as dt
import json
import re
import shutil
from pathlib import Path

import openpyxl
import pytest

EXAMPLE = Path(__file__).parents[2] / "example_studies" / "irrigation_water_cadmium_zinc"
NUMBER = re.compile(r"-?\d+(\.\d+)?")
DATE = re.compile(r"\d{4}-\d\d-\d\d")


def typed(cell):
    """A cell as somebody would enter it into a spreadsheet: numbers as numbers, dates as dates."""
    if DATE.fullmatch(cell):
        return dt.date.fromisoformat(cell)
    return float(cell) if NUMBER.fullmatch(cell) else cell or None


def as_workbooks(folder):
    for path in folder.glob("*.csv"):
        workbook = openpyxl.Workbook()
        with path.open(encoding="utf-8", newline="") as lines:
            for row in csv.reader(lines):
                workbook.active.append([typed(cell) for cell in row])
        workbook.save(path.with_suffix(".xlsx"))
        path.unlink()
    rewritten(folder, lambda text: text.replace(".csv\n", ".xlsx\n"))


def as_one_workbook(folder):
    workbook = openpyxl.Workbook()
    for path in folder.glob("*.csv"):
        sheet = workbook.create_sheet(path.stem)
        with path.open(encoding="utf-8", newline="") as lines:
            for row in csv.reader(lines):
                sheet.append([typed(cell) for cell in row])
        path.unlink()
    workbook.save(folder / "measurements.xlsx")
    rewritten(
        folder, lambda text: re.sub(r"file: (\w+)\.csv\n", r"file: measurements.xlsx\n  sheet: \1\n", text)
    )


def with_decimal_commas(folder):
    for path in folder.glob("*.csv"):
        with path.open(encoding="utf-8", newline="") as lines:
            rows = [
                [cell.replace(".", ",") if NUMBER.fullmatch(cell) else cell for cell in row]
                for row in csv.reader(lines)
            ]
        with path.open("w", encoding="cp1252", newline="") as stream:
            csv.writer(stream, delimiter=";").writerows(rows)
    rewritten(folder, lambda text: text.replace(".csv\n", '.csv\n  decimal: ","\n'))


def rewritten(folder, change):
    study = folder / "study.yaml"
    before = study.read_text(encoding="utf-8")
    after = change(before)
    assert after != before
    study.write_text(after, encoding="utf-8")


@pytest.fixture(scope="module")
def results(command, tmp_path_factory):
    """The text of results.json of the main example after its files were changed, without what names files."""

    def results(change):
        folder = tmp_path_factory.mktemp("copy") / EXAMPLE.name
        shutil.copytree(EXAMPLE, folder)
        if change:
            change(folder)
        file = folder.parent / "results.json"
        done = command("evaluate", folder, "--results", file)
        assert done.err == ""
        found = json.loads(file.read_text(encoding="utf-8"))
        inputs = found.pop("inputs")
        # what was not certain about a file is told beside its numbers; it names the file
        assessment = found["assessment"]
        assessment["caveats"] = [one for one in assessment["caveats"] if one["id"] != "file_read_with_doubt"]
        assert all(set(one) <= {"path", "sha256", "role", "remarks"} for one in inputs)
        text = json.dumps(found, indent=1, ensure_ascii=False)
        return re.sub(r"study\.yaml:\d+", "study.yaml", text), inputs  # a key more moves the lines below it

    return results


@pytest.fixture(scope="module")
def as_shipped(results):
    return results(None)[0]


def tables_of(inputs):
    """The data files, in the order of the blocks."""
    return [one["path"] for one in inputs if one["role"] not in ("study", "plan")]


def test_from_workbooks(results, as_shipped):
    """Every table as a workbook of its own: the same numbers to the last digit, the same rows named."""
    text, inputs = results(as_workbooks)

    assert tables_of(inputs) == ["calibration.xlsx", "recovery.xlsx", "repeated_use.xlsx"]
    assert "calibration.xlsx row " in text
    assert text.replace(".xlsx row ", ".csv row ") == as_shipped


def test_from_one_workbook(results, as_shipped):
    """Every table as a sheet of one workbook, which is hashed once."""
    text, inputs = results(as_one_workbook)

    assert tables_of(inputs) == ["measurements.xlsx"]
    assert re.sub(r"measurements\.xlsx \[(\w+)\] row ", r"\1.csv row ", text) == as_shipped


def test_from_semicolons_and_decimal_commas(results, as_shipped):
    """Semicolons, decimal commas and a Windows code page: the same numbers to the last digit."""
    text, inputs = results(with_decimal_commas)

    assert text == as_shipped
    assert inputs[1]["remarks"] == ["not UTF-8; read as Latin-1. Check these characters: µ"]
