"""Caveats on files that left open how to read them; their near twins leave nothing open."""

from __future__ import annotations

import io

import pytest
from openpyxl import Workbook

from validator import assess, evaluate, read_study
from validator.study.plan_record import plan_record

STUDY = """\
format: validation-study/1
study: {title: A study for a test}
method: {analytes: [{id: x, name: x, unit: mg/L, signal: signal, signal_unit: "1"}]}
"""


@pytest.fixture
def remarks(tmp_path):
    """Severity and sentence of what a study says of its one data file."""

    def remarks(name, content):
        (tmp_path / "study.yaml").write_text(f"{STUDY}calibration: {{file: {name}}}\n", encoding="utf-8")
        (tmp_path / name).write_bytes(content)
        study = read_study(tmp_path)
        caveats = assess(study, evaluate(study)).assessment.caveats
        return [(one.severity, one.because) for one in caveats if one.id == "file_read_with_doubt"]

    return remarks


def table(operator):
    return f"level,signal,operator\n1,0.1,{operator}\n2,0.2,{operator}\n3,0.3,{operator}\n"


def test_a_file_that_is_not_in_utf_8(remarks):
    """How an old encoding was taken is told, with the characters to look at; the same in UTF-8 is certain."""
    assert remarks("a.csv", table("Zoë").encode("latin-1")) == [
        ("note", "a.csv: not UTF-8; read as Latin-1. Check these characters: ë.")
    ]
    assert remarks("a.csv", table("Zoë").encode()) == []


def test_a_formula_without_a_stored_value(remarks):
    """A cell whose result was never stored counts as empty, which weighs more; a number in it is certain."""

    def book(last):
        made = Workbook()
        for row in (["level", "signal 1", "signal 2"], [1, 0.1, 0.1], [2, 0.2, 0.2], [3, 0.3, last]):
            made.active.append(row)
        stream = io.BytesIO()
        made.save(stream)
        return stream.getvalue()

    assert remarks("a.xlsx", book("=0.1*3")) == [
        ("caution", "a.xlsx: formulas without a stored value, read as empty cells: C4."),
        ("note", "a.xlsx: 1 cell with formulas; the stored results were read."),
    ]
    assert remarks("a.xlsx", book(0.3)) == []


def test_criteria_eased_after_the_plan(judged, described, study_of):
    """What the record of the plan declares otherwise is told with both values; the same criteria are not."""
    blanks = {"runs": [{"signals": [1, 2, 3]}]}
    limit = {"characteristic": "repeatability", "rsd_max": 5}

    def study(criterion, **plan):
        return described(criteria=[criterion], plan={"blanks": {"replicates": 3}, **plan}, blanks=blanks)

    record = {"plan.json": plan_record(study_of(study(limit))).to_json()}

    def told(criterion):
        _, results = judged(study(criterion, record="plan.json"), record)
        caveats = results.assessment.caveats
        return [(one.severity, one.because) for one in caveats if one.id == "plan_departed"]

    assert told({**limit, "rsd_max": 8}) == [
        (
            "caution",
            "Declared differently in the recorded plan: criteria[repeatability].rsd_max: 5, now 8.",
        )
    ]
    assert told(limit) == []


def test_guidance_that_had_expired_when_the_work_ended(judged, described):
    """A document valid until a day before the last of the work is told; one valid on that day is not."""

    def told(valid_until):
        study = described(guidance=["house-rules"])
        study["study"]["period"] = {"from": "2026-05-04", "to": "2026-06-12"}
        profile = (
            "format: guidance-profile/1\nid: house-rules\ntitle: House rules\nedition: '3'\n"
            f"issuing_body: a laboratory\nscope: all\nvalid_until: {valid_until}\n"
        )
        caveats = judged(study, {"house-rules.yaml": profile})[1].assessment.caveats
        return [one.because for one in caveats if one.id == "guidance_no_longer_current"]

    assert told("2026-06-11") == ["House rules, 3 was valid until 2026-06-11; the work ended on 2026-06-12."]
    assert told("2026-06-12") == []
