"""``validator new``: what it writes can be checked at once and evaluated when its tables are filled in."""

from __future__ import annotations

import csv
import io
import json
import os
import re

import numpy as np
import openpyxl
import pytest

from validator import read_study
from validator.command_line import KINDS
from validator.resources import starters_folder

SERIES = [f"batch {i % 3 + 1}" for i in range(12)]


@pytest.fixture
def starter(command, tmp_path):
    """The folder that ``new`` wrote for a kind."""

    def starter(kind):
        done = command("new", tmp_path / kind, "--like", kind)
        assert (done.status, done.err) == (0, "")
        return tmp_path / kind

    return starter


def header_of(folder, table):
    return (folder / table).read_text(encoding="utf-8").splitlines()[0].split(";")


def readings(table):
    """A few rows for a table, every field that any starter's header names."""
    rng = np.random.default_rng(5)
    noise = iter(rng.normal(0, 0.01, 1000))
    if table == "calibration.csv":
        points = [(level, i) for level in (1, 2, 3, 4, 5, 6) for i in (1, 2, 3)]
        return [
            {
                "level": level,
                "signal": 0.1 * level * (1 + next(noise)),
                "order": order,
                "series": f"day {i}",
                "preparation_id": f"P{i}-{level}",
            }
            for order, (level, i) in enumerate(points, start=1)
        ]
    if table == "blanks.csv":
        return [{"signal": 0.1 * next(noise), "series": batch, "kind": "matrix"} for batch in SERIES]
    if table == "low_level.csv":
        return [
            {"level": 0.2, "concentration": 0.2 * (1 + 3 * next(noise)), "series": batch} for batch in SERIES
        ]
    if table == "precision.csv":
        return [
            {
                "level": level,
                "concentration": level * (1 + next(noise)),
                "day": f"day {day}",
                "operator": "AB" if day % 2 else "CD",
                "device": f"S{day}",
            }
            for level in (2, 4, 100)
            for day in range(1, 7)
            for _ in range(2)
        ]
    if table == "recovery.csv":
        return [
            {
                "native": 1.0,
                "added": 2.0,
                "level": 3.0,
                "found": 3.0 * (1 + next(noise)),
                "series": f"day {day}",
                "matrix": "river",
            }
            for day in range(1, 7)
        ]
    if table != "interference.csv":
        return readings_of_a_sensor(table, noise)
    return [
        {
            "interferent": name,
            "ratio": ratio,
            "analyte_level": 3.0,
            "found": 3.0 * (1 + next(noise)),
            "reference": 3.0 * (1 + next(noise)),
        }
        for name in ("copper(II)", "iron(III)")
        for ratio in (1, 10)
        for _ in range(4)
    ]


def readings_of_a_sensor(table, noise):
    """Rows for what a paper on a sensor reports beside the rest."""
    if table == "stability.csv":
        return [
            {"condition": "4 °C", "time": day, "signal": 0.5 * (1 + next(noise)), "device": f"S{device}"}
            for day in (0, 3, 7, 14)
            for device in (1, 2, 3)
        ]
    if table == "repeated_use.csv":
        return [
            {"device": f"S{device}", "use": use, "signal": 0.5 * (1 + next(noise))}
            for device in (1, 2, 3)
            for use in (1, 2, 3, 4, 5)
        ]
    if table == "standard_addition.csv":
        return [
            {"sample": "pond", "added": added, "signal": 0.1 * (2 + added) * (1 + next(noise)), "series": "A"}
            for added in (0, 2, 4, 6)
        ]
    if table == "carry_over.csv":
        steps = [*[("blank", "")] * 3, ("high", 20), *[("blank", "")] * 3]
        return [
            {
                "series": "S",
                "kind": kind,
                "level": level,
                "signal": 0.1 * (level or 0) + 0.01 + next(noise) / 10,
            }
            for kind, level in steps
        ]
    if table == "comparison.csv":
        return [
            {
                "sample": f"P{i}",
                "this_method": i * (1 + next(noise)),
                "reference_method": i * (1 + next(noise)),
                "matrix": "river",
            }
            for i in range(1, 11)
        ]
    if table == "robustness.csv":
        nominal, changed = ["0", "0", "0"], [(place, sign) for place in (0, 1, 2) for sign in "+-"]
        rows = [nominal, *[[sign if at == place else "0" for at in range(3)] for place, sign in changed]]
        return [
            {**{f"setting {at}": one for at, one in enumerate(row, start=1)}, "result": 3 * (1 + next(noise))}
            for row in rows
            for _ in range(2)
        ]
    raise KeyError(table)


def held(row, name):
    """What stands in a row under a heading."""
    return row[name if name in row else name.replace(" ", "_")]


def fill(folder):
    """Write rows into every table of a starter, for each of its configurations."""
    configurations = read_study(folder).configuration_ids
    for path in sorted(folder.glob("*.csv")):
        header = header_of(folder, path.name)
        fields = [name.partition(" (")[0] for name in header]
        text = io.StringIO()
        rows = csv.writer(text, delimiter=";", lineterminator="\n")
        rows.writerow(header)
        for configuration in configurations if "configuration" in fields else configurations[:1]:
            for row in readings(path.name):
                row = {**row, "configuration": configuration}
                rows.writerow([held(row, name) for name in fields])
        path.write_text(text.getvalue(), encoding="utf-8")


def test_every_kind_has_its_starter():
    """The kinds on offer are the folders that are shipped."""
    assert sorted(path.name for path in starters_folder().iterdir()) == sorted(KINDS)


@pytest.mark.parametrize("kind", KINDS)
def test_an_empty_starter_is_checked_without_complaint(command, starter, kind):
    """Headers without rows are blocks without runs: status 0, and every block says what it needs."""
    folder = starter(kind)

    done = command("check", folder)

    assert (done.status, done.err) == (0, "")
    tables = {path.name for path in folder.glob("*.csv")}
    assert tables
    assert all(name in done.out.splitlines()[1] for name in tables)
    study = read_study(folder)
    for name in tables:
        assert study.runs(name.removesuffix(".csv")) == ()
    assert "cannot be assessed: no calibration data were provided" in done.out


@pytest.mark.parametrize("kind", KINDS)
def test_an_empty_starter_is_a_draft(command, starter, kind, tmp_path):
    """A study without data proves nothing and disproves nothing; its placeholders keep it from a verdict."""
    file = tmp_path / "results.json"

    done = command("evaluate", starter(kind), "--results", file)

    assert (done.status, done.err) == (1, "")
    assert done.out.splitlines()[-1] == "draft, no verdict"
    results = json.loads(file.read_text(encoding="utf-8"))
    assert (results["assessment"]["verdict"], results["assessment"]["draft"]) == ("not assessed", True)
    assert {one["outcome"] for one in results["assessment"]["findings"]} == {"not assessed"}


@pytest.mark.parametrize("kind", KINDS)
def test_a_filled_starter_is_evaluated(command, starter, kind, tmp_path):
    """With a few rows in every table each block has figures and each criterion an outcome."""
    folder = starter(kind)
    fill(folder)
    file = tmp_path / "results.json"

    done = command("evaluate", folder, "--results", file)

    assert done.err == ""
    assert done.status in (0, 1)
    results = json.loads(file.read_text(encoding="utf-8"))
    study = read_study(folder)
    record = results["analytes"]["analyte"]["configurations"][study.validated_configuration]
    filled = {path.stem for path in folder.glob("*.csv")}
    for block in {"calibration", "precision", "recovery", "interference"} & filled:
        assert "not_assessed" not in record[block], block
    if {"blanks", "low_level"} & filled:
        assert "value" in record["detection"]["detection_limit"]
        assert record["detection"]["declared_by"] == "study"
    own = [one for one in results["assessment"]["findings"] if one["own"]]
    assert own
    assert {one["outcome"] for one in own} <= {"meets", "does not meet", "inconclusive", "not assessed"}
    unanswered = {one["characteristic"] for one in own if one["outcome"] == "not assessed"}
    assert unanswered <= {"matrix_effect"}  # needs a calibration in matrix, which no starter has as a table


def test_a_folder_that_holds_something_is_left_alone(command, tmp_path):
    """Nothing is written over: a folder with content, or a file, is refused and stays as it is."""
    folder = tmp_path / "mine"
    folder.mkdir()
    (folder / "notes.txt").write_text("mine", encoding="utf-8")

    for taken in (folder, folder / "notes.txt"):
        done = command("new", taken)
        assert done.status == 2
        assert "exists and is not an empty folder" in done.err
    assert [path.name for path in folder.iterdir()] == ["notes.txt"]


def test_an_empty_folder_is_filled(command, tmp_path):
    """An empty folder that is there already may be used."""
    done = command("new", tmp_path)

    assert done.status == 0
    assert (tmp_path / "study.yaml").is_file()


def filled_workbook(folder):
    """Write into the starter's workbook what ``fill`` writes into text files."""
    file = folder / "measurements.xlsx"
    book = openpyxl.load_workbook(file)
    configurations = read_study(folder).configuration_ids
    for sheet in book:
        fields = [str(cell.value).partition(" (")[0] for cell in sheet[1]]
        if sheet.title == "choices":
            continue
        rows = [
            {**row, "configuration": configuration}
            for configuration in (configurations if "configuration" in fields else configurations[:1])
            for row in readings(f"{sheet.title}.csv")
        ]
        for number, row in enumerate(rows, start=2):
            for column, name in enumerate(fields, start=1):
                value = held(row, name)
                sheet.cell(number, column).value = (
                    float(f"{value:.15g}") if isinstance(value, float) else value
                )
    book.save(file)


@pytest.mark.parametrize("kind", KINDS)
def test_tables_as_a_workbook(command, tmp_path, kind):
    """One workbook instead of text files: checked empty, and filled in it gives the same runs."""
    folder = tmp_path / kind
    done = command("new", folder, "--like", kind, "--tables", "xlsx")
    assert (done.status, done.err) == (0, "")
    assert sorted(path.name for path in folder.iterdir()) == [
        "measurements.xlsx",
        "study.schema.json",
        "study.yaml",
    ]
    assert command("check", folder).status == 0

    filled_workbook(folder)
    command("new", tmp_path / "text", "--like", kind)
    fill(tmp_path / "text")

    one, other = read_study(folder), read_study(tmp_path / "text")
    for path in (tmp_path / "text").glob("*.csv"):
        runs, as_text = one.runs(path.stem), other.runs(path.stem)
        assert [run.model_dump(exclude=READ) for run in runs] == [
            run.model_dump(exclude=READ) for run in as_text
        ]
        assert [numbers_of(run) for run in runs] == [
            pytest.approx(numbers_of(run), rel=1e-14) for run in as_text
        ]


READ = {
    *("signal", "signals", "concentration", "found", "reference", "result", "sequence"),
    *("this_method", "reference_method"),
}


def numbers_of(run):
    """What was read, in the order of the fields."""
    if hasattr(run, "sequence"):
        return [step.signal for step in run.sequence]
    found = [getattr(run, name, None) for name in sorted(READ)]
    return [
        one
        for value in found
        if value is not None
        for one in (value if isinstance(value, tuple) else [value])
    ]


def test_a_starter_brings_its_schema(command, tmp_path):
    """An editor that opens the study finds the schema beside it; the command prints the same."""
    command("new", tmp_path / "new")

    printed = command("schema")
    written = command("schema", "--output", tmp_path / "schema.json")

    assert (printed.status, written.status, written.out) == (0, 0, "")
    schema = (tmp_path / "new" / "study.schema.json").read_text(encoding="utf-8")
    assert schema == printed.out == (tmp_path / "schema.json").read_text(encoding="utf-8")
    first = (tmp_path / "new" / "study.yaml").read_text(encoding="utf-8").splitlines()[0]
    assert first == "# yaml-language-server: $schema=study.schema.json"


def test_a_starter_that_cannot_be_written_leaves_nothing(command, tmp_path, monkeypatch):
    """A full disk in the middle: status 2, a sentence, and no half of a study that looks whole."""
    written = []

    def full(handle):
        written.append(handle)
        if len(written) == 3:
            raise OSError(28, "No space left on device")

    monkeypatch.setattr(os, "fsync", full)
    (tmp_path / "empty").mkdir()

    for folder in (tmp_path / "new", tmp_path / "empty"):
        written.clear()
        done = command("new", folder)
        assert done.status == 2
        assert "cannot be written (No space left on device)" in done.err
    assert not (tmp_path / "new").exists()
    assert list((tmp_path / "empty").iterdir()) == []


@pytest.mark.parametrize("kind", KINDS)
def test_what_is_still_to_be_filled_in_is_listed(command, starter, kind):
    """``check`` names the fields that still hold words in angle brackets, until they are replaced."""
    folder = starter(kind)
    study = folder / "study.yaml"

    before = command("check", folder).out
    text = study.read_text(encoding="utf-8")
    study.write_text(re.sub(r"<([^<>]*)>", r"\1", text), encoding="utf-8")
    after = command("check", folder).out

    line = next(n for n, one in enumerate(text.splitlines(), start=1) if one.startswith("  title: "))
    assert f"study.yaml:{line}: study.title has not been filled in" in before
    assert before.count("has not been filled in") == sum(
        "<" in one for one in text.splitlines() if not one.startswith("#")
    )
    assert "has not been filled in" not in after


@pytest.mark.parametrize(("tables", "says_so"), [("csv", True), ("xlsx", False)])
def test_decimal_commas_are_spoken_of_where_there_can_be_some(command, tmp_path, tables, says_so):
    """A text file may need decimal: ","; a workbook stores numbers."""
    command("new", tmp_path / "s", "--like", "photometry", "--tables", tables)
    text = (tmp_path / "s" / "study.yaml").read_text(encoding="utf-8")

    assert ("decimal commas" in text) is says_so
    assert "\n#\nformat" not in text
