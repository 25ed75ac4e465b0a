"""``validator plan``: the protocol and the tables from a study file without data."""

from __future__ import annotations

import io
import json

import pytest
from pypdf import PdfReader

from validator import evaluate, read_study
from validator.evaluation.plan_kept import plan_kept
from validator.resources import examples_folder
from validator.study.plan_record import plan_record

PLAN = {
    "calibration": {"levels": [5, 10, 20, 40], "replicates": 2},
    "precision": {"levels": [20], "series": 3, "replicates": 2},
    "assumed": {"slope": 0.02, "signal_sd": 0.01},
    "simulations": 12,
}


@pytest.fixture
def folder(described, folder_with):
    criteria = [{"characteristic": "repeatability", "rsd_max": 10}]
    return folder_with(described(plan=PLAN, criteria=criteria))


def test_the_protocol_carries_the_record_of_its_plan(command, folder, tmp_path):
    """Status 0; a PDF with the hash on its first page, the record attached, and nothing else written."""
    target = tmp_path / "protocol.pdf"

    done = command("plan", folder, "--output", target, "--workers", "1")

    assert (done.status, done.err) == (0, "")
    record = plan_record(read_study(folder))
    assert done.out.splitlines()[-1] == f"{target}: plan {record.sha256}"
    reader = PdfReader(io.BytesIO(target.read_bytes()))
    assert "Validation protocol".upper() in reader.pages[0].extract_text().upper()
    assert record.sha256[:16] in reader.pages[0].extract_text()
    (attached,) = reader.attachments["plan.json"]
    assert attached.decode("utf-8") == record.to_json()
    assert [path.name for path in folder.iterdir()] == ["study.yaml"]


def test_the_same_plan_gives_the_same_bytes(command, folder, tmp_path):
    """Nothing but the study decides: neither the clock nor the number of workers."""
    files = [tmp_path / "1.pdf", tmp_path / "2.pdf"]
    for file, workers in zip(files, ("1", "2"), strict=True):
        assert command("plan", folder, "--output", file, "--workers", workers).status == 0

    assert files[0].read_bytes() == files[1].read_bytes()


def test_tables_and_record_are_written_and_never_overwritten(command, folder, tmp_path):
    """A table for each block, the record; a second call refuses the folder before anything is computed."""
    tables = tmp_path / "tables"

    first = command("plan", folder, "--output", tmp_path / "p.pdf", "--tables", tables, "--workers", "1")
    (tables / "precision.csv").write_text("filled in", encoding="utf-8")
    second = command("plan", folder, "--output", tmp_path / "p.pdf", "--tables", tables, "--workers", "1")

    assert first.status == 0
    names = {path.name for path in tables.iterdir()}
    assert names - {"tables.xlsx"} == {"calibration.csv", "precision.csv", "plan.json"}
    assert json.loads((tables / "plan.json").read_text(encoding="utf-8"))["format"] == "validation-plan/1"
    assert (second.status, second.out) == (2, "")
    assert second.err == f"{tables}: already exists and is not an empty folder; specify a new folder\n"
    assert (tables / "precision.csv").read_text(encoding="utf-8") == "filled in"


def test_a_study_that_keeps_its_record_says_what_changed_since(command, folder, tmp_path):
    """From the plan to the report: the record beside the study, a criterion eased, data as planned."""
    tables = tmp_path / "tables"
    command("plan", folder, "--output", tmp_path / "p.pdf", "--tables", tables, "--workers", "1")
    (folder / "plan.json").write_bytes((tables / "plan.json").read_bytes())
    text = (folder / "study.yaml").read_text(encoding="utf-8")
    text = text.replace("rsd_max: 10", "rsd_max: 15").replace("plan:\n", "plan:\n  record: plan.json\n")
    runs = [f"  - {{series: C1, level: {x}, signals: [{0.02 * x}, {0.021 * x}]}}" for x in (5, 10, 20, 40)]
    runs_of_precision = [f"  - {{series: P{i}, level: 20, concentrations: [20.1, 19.9]}}" for i in range(3)]
    text += "\n".join(["calibration:", "  runs:", *runs, "precision:", "  runs:", *runs_of_precision, ""])
    (folder / "study.yaml").write_text(text, encoding="utf-8")

    found = evaluate(read_study(folder)).plan
    again = command("plan", folder, "--output", tmp_path / "q.pdf")

    assert (found.recorded, found.kept) == (True, False)
    assert [(one.subject, one.planned, one.done) for one in found.differences] == [
        ("criteria[repeatability].rsd_max", "10", "15")
    ]
    assert again.status == 2
    assert "differ from this record; omit the key record to make a new plan" in again.err


def test_a_study_without_a_plan_is_told_what_to_declare(command, described, folder_with, tmp_path):
    """Status 2 and a sentence; nothing is written."""
    done = command("plan", folder_with(described()), "--output", tmp_path / "p.pdf")

    assert (done.status, done.out) == (2, "")
    assert done.err.startswith("study.yaml: plan: missing; declare the planned runs")
    assert list(tmp_path.iterdir()) == []


def test_the_main_example_kept_its_recorded_plan():
    """Changed criteria, choices or plans need a new record, as ``validator plan --tables`` writes it."""
    found = plan_kept(read_study(examples_folder() / "irrigation_water_cadmium_zinc"))

    assert (found.recorded, found.kept, found.differences) == (True, True, ())
