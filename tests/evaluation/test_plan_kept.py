"""Whether a study kept to its plan."""

from __future__ import annotations

import json

import pytest

from validator import evaluate
from validator.evaluation.serialise import from_json, to_json
from validator.study.plan_record import plan_record

PLAN = {
    "calibration": {"levels": [5, 10, 20], "series": 2, "replicates": 1},
    "blanks": {"series": 2, "replicates": 3},
    "precision": {"levels": [10], "series": 3, "replicates": 2},
    "recovery": {"levels": [5], "series": 2, "matrices": ["tap water", "well water"], "references": [8]},
}
CALIBRATION = [
    {"series": series, "level": level, "signals": [0.01 * level]}
    for series in ("C1", "C2")
    for level in (5, 10, 20)
]
BLANKS = [{"series": name, "signals": [0.001, 0.002, 0.0015]} for name in ("B1", "B2")]
PRECISION = [{"series": f"P{i}", "level": 10, "concentrations": [9.9 + i / 10, 10.1]} for i in range(3)]
RECOVERY = [
    *(
        {"series": series, "native": 0, "added": 5, "found": [4.9], "matrix": matrix}
        for series in ("R1", "R2")
        for matrix in ("tap water", "well water")
    ),
    *({"series": series, "reference": 8, "found": [8.1], "matrix": "river"} for series in ("R1", "R2")),
]
DONE = {
    "calibration": {"runs": CALIBRATION},
    "blanks": {"runs": BLANKS},
    "precision": {"runs": PRECISION},
    "recovery": {"runs": RECOVERY},
}


@pytest.fixture
def kept(described, study_of):
    """The comparison of a study with its plan."""

    def kept(done, tables=None, **plan):
        return evaluate(study_of(described(plan={**PLAN, **plan}, **done), tables)).plan

    return kept


def differences(found):
    """Subject, what, level, matrix, planned, done of each difference."""
    return [(d.subject, d.what, d.level, d.matrix, d.planned, d.done) for d in found.differences]


def test_a_study_that_did_what_was_planned_kept_its_plan(kept):
    """Every block as planned: no difference, and the hash of the plan as it stands."""
    found = kept(DONE)

    assert (found.kept, found.recorded, found.differences) == (True, False, ())
    assert len(found.sha256) == 64


def test_a_study_without_a_plan_or_without_data_is_not_compared(described, study_of):
    """The results carry no key plan before there is something to compare."""
    planned = evaluate(study_of(described(plan=PLAN)))
    unplanned = evaluate(study_of(described(**DONE)))

    assert planned.plan is None
    assert unplanned.plan is None
    assert '"plan"' not in to_json(unplanned)


@pytest.mark.parametrize(
    ("block", "runs", "expected"),
    [
        ("calibration", CALIBRATION[:-1], [("calibration", "series", 20, None, 2, 1)]),
        (
            "calibration",
            [*CALIBRATION, {"series": "C1", "level": 40, "signals": [0.4]}],
            [("calibration", "preparations", 40, None, 0, 1)],
        ),
        (
            "calibration",
            [run for run in CALIBRATION if run["level"] != 5],
            [("calibration", "preparations", 5, None, 2, 0)],
        ),
        ("blanks", BLANKS[:1], [("blanks", "series", None, None, 2, 1)]),
        (
            "blanks",
            [BLANKS[0], {"series": "B2", "signals": [0.001]}],
            [("blanks", "replicates", None, None, 3, "1 to 3")],
        ),
        (
            "precision",
            [{**run, "concentrations": [9.9, 10.1, 10.0]} for run in PRECISION],
            [("precision", "replicates", 10, None, 2, 3)],
        ),
        (
            "precision",
            [{**run, "preparation": "repeated_reading"} for run in PRECISION],
            [("precision", "replicates", 10, None, 2, 1)],
        ),
        (
            "recovery",
            [run for run in RECOVERY if run["matrix"] != "well water"],
            [("recovery", "preparations", 5, "well water", 2, 0)],
        ),
        (
            "recovery",
            [{**run, "matrix": "tap water"} if run["matrix"] == "well water" else run for run in RECOVERY],
            [
                ("recovery", "replicates", 5, "tap water", 1, 2),
                ("recovery", "preparations", 5, "well water", 2, 0),
            ],
        ),
        ("recovery", RECOVERY[:-2], [("recovery", "preparations", 8, None, 2, 0)]),
    ],
)
def test_every_departure_is_listed(kept, block, runs, expected):
    """Levels, series, preparations, matrices: what was planned beside what was done."""
    found = kept({**DONE, block: {"runs": runs}})

    assert not found.kept
    assert differences(found) == expected


def test_a_block_that_was_planned_and_never_measured_is_a_difference(kept):
    """One line for the whole block."""
    found = kept({name: block for name, block in DONE.items() if name != "precision"})

    assert differences(found) == [("precision", "preparations", None, None, 6, 0)]


def test_what_the_plan_does_not_name_is_not_compared(kept):
    """Interference runs and low-level samples are no departure from a plan that is silent on them."""
    found = kept({**DONE, "low_level": {"runs": [{"level": 1, "concentrations": [1.0, 1.1]}]}})

    assert found.kept


def test_an_excluded_run_that_was_repeated_keeps_the_plan(kept):
    """An excluded run alone is a preparation too few; repeated, it is as planned."""
    bubble = {**PRECISION[0], "excluded": "air bubble"}

    alone = kept({**DONE, "precision": {"runs": [bubble, *PRECISION[1:]]}})
    repeated = kept({**DONE, "precision": {"runs": [bubble, *PRECISION]}})

    assert differences(alone) == [("precision", "series", 10, None, 3, 2)]
    assert repeated.kept


def test_a_blank_below_reporting_was_made_all_the_same(kept):
    """Censored blanks count as preparations."""
    runs = [BLANKS[0], {"series": "B2", "signals": ["<0.001", 0.002, "<0.001"]}]

    assert kept({**DONE, "blanks": {"runs": runs}}).kept


def test_other_configurations_than_planned_are_a_difference(described, study_of):
    """A block is planned for the validated configuration unless it names others."""
    runs = [{**run, "configuration": name} for run in BLANKS for name in ("film", "bare")]

    def compared(**blanks):
        plan = {"blanks": {**PLAN["blanks"], **blanks}}
        study = described(configurations=["film", "bare"], plan=plan, blanks={"runs": runs})
        return evaluate(study_of(study)).plan

    assert differences(compared()) == [("blanks", "preparations", None, None, 0, 6)]
    assert compared().differences[0].configuration == "bare"
    assert compared(configurations=["film", "bare"]).kept


def test_criteria_that_changed_since_the_plan_was_made_are_listed(described, study_of):
    """The record keeps what was declared; the hash is that of the record, not of what stands there now."""
    before = described(plan=PLAN, criteria=[{"characteristic": "repeatability", "rsd_max": 5}], **DONE)
    record = plan_record(study_of(before))
    after = {
        **before,
        "criteria": [{"characteristic": "repeatability", "rsd_max": 8}],
        "plan": {**PLAN, "record": "plan.json"},
    }

    found = evaluate(study_of(after, {"plan.json": record.to_json()})).plan

    assert (found.kept, found.recorded, found.sha256) == (False, True, record.sha256)
    assert differences(found) == [("criteria[repeatability].rsd_max", "declaration", None, None, "5", "8")]


def test_the_comparison_is_in_the_results_file_and_read_back(described, study_of):
    """The key stands before the assessment, absent values of a declaration are null."""
    results = evaluate(study_of(described(plan=PLAN, **{**DONE, "blanks": {"runs": BLANKS[:1]}})))

    text = to_json(results)

    assert from_json(text) == results
    assert json.loads(text)["plan"] == {
        "sha256": results.plan.sha256,
        "recorded": False,
        "kept": False,
        "differences": [
            {
                "subject": "blanks",
                "what": "series",
                "analyte": "x",
                "configuration": "default",
                "planned": 2,
                "done": 1,
            }
        ],
    }
