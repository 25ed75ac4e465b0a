"""The key ``plan``: what is accepted, how overrides merge, and what its record fixes."""

from __future__ import annotations

import json

import pytest

from validator.study.plan_record import PlanRecord, changes, plan_record

PLAN = """\
criteria:
  - {characteristic: repeatability, rsd_max: 10}
plan:
  calibration: {levels: [5, 10, 20], series: 2, replicates: 3}
  blanks: {replicates: 10}
  assumed: {slope: 0.02, signal_sd: 0.001}
"""

TWO = """\
format: validation-study/1
study: {title: Two metals}
method:
  analytes:
    - {id: zn, name: zinc, unit: µg/L, signal: peak current, signal_unit: µA}
    - {id: cd, name: cadmium, unit: µg/L, signal: peak current, signal_unit: µA}
"""


def test_a_plan_needs_no_data(study_of):
    """What is not written has its default; nothing is planned for the other blocks."""
    plan = study_of(PLAN).plan

    assert plan.calibration.levels == (5, 10, 20)
    assert plan.calibration.preparations == 18
    assert (plan.blanks.series, plan.blanks.preparations) == (1, 10)
    assert plan.precision is None
    assert plan.assumed.recovery_percent == 100
    assert (plan.probability, plan.record) == (0.9, None)


def test_an_analyte_overrides_field_by_field(study_of):
    """What the analyte does not say itself is the study's."""
    study = study_of(
        "plan:\n"
        "  precision: {series: 6, replicates: 3, levels: [5]}\n"
        "  per_analyte:\n"
        "    cd: {precision: {levels: [1, 2]}}\n",
        head=TWO,
    )

    zinc, cadmium = (study.plan.for_analyte(one).precision for one in ("zn", "cd"))
    assert (zinc.levels, zinc.series) == ((5,), 6)
    assert (cadmium.levels, cadmium.series, cadmium.replicates) == ((1, 2), 6, 3)


@pytest.mark.parametrize(
    ("written", "problem"),
    [
        (
            "plan: {probability: 0.9}\n",
            (
                "study.yaml:5: plan: contains no experiments; plan at least one of calibration, blanks, "
                "low_level, precision, recovery"
            ),
        ),
        (
            "plan: {blanks: {replicate: 10}}\n",
            "study.yaml:5: plan.blanks.replicate: unknown key; did you mean 'replicates'?",
        ),
        (
            "plan: {precision: {series: 5, replicates: 2}}\n",
            "study.yaml:5: plan.precision.levels: no levels are planned for zn; give levels",
        ),
        (
            "plan: {recovery: {series: 5}}\n",
            "study.yaml:5: plan.recovery.levels: no levels are planned for zn; give levels or references",
        ),
        (
            "plan: {calibration: {levels: [5, 10, 5]}}\n",
            "study.yaml:5: plan.calibration.levels[2]: the level 5 is named twice; replicates says how often "
            "it is measured",
        ),
        (
            "plan: {blanks: {series: 1000, replicates: 1000}}\n",
            "study.yaml:5: plan.blanks: exceeds the maximum of 10000 preparations",
        ),
        (
            "plan: {blanks: {}, simulations: 1e9}\n",
            "study.yaml:5: plan.simulations: must be at most 100000",
        ),
        (
            "plan: {blanks: {}, probability: 90}\n",
            "study.yaml:5: plan.probability: must lie between 0 and 1 (0.95 for 95 %), found 90",
        ),
        (
            "plan: {blanks: {}, assumed: {slope: 0, signal_sd: 1}}\n",
            "study.yaml:5: plan.assumed.slope: must not be zero",
        ),
        (
            "plan: {blanks: {}, assumed: {slope: 1}}\n",
            (
                "study.yaml:5: plan.assumed.signal_sd: give signal_sd (standard deviation at zero), "
                "signal_rsd_percent (proportional standard deviation) or both"
            ),
        ),
        (
            "plan: {blanks: {}, per_analyte: {zm: {blanks: {series: 2}}}}\n",
            "study.yaml:5: plan.per_analyte.zm: unknown analyte 'zm'; method.analytes has: zn",
        ),
        (
            "plan: {blanks: {configurations: [bare]}}\n",
            "study.yaml:5: plan.blanks.configurations[0]: unknown configuration 'bare'; "
            "method.configurations names none",
        ),
        (
            "plan: {blanks: {}, record: plan.json}\n",
            "study.yaml:5: plan.record: no file 'plan.json' in the study folder",
        ),
    ],
)
def test_what_is_wrong_is_told_with_its_place(problems_of, written, problem):
    """One problem, one line: file, line, field, and what to write."""
    assert problems_of(written) == [problem]


def test_layout_comments_and_order_do_not_change_the_hash(study_of):
    """The same plan written otherwise, with its defaults written out, has the same record."""
    first = plan_record(study_of(PLAN))
    second = plan_record(
        study_of(
            "# the same\n"
            "plan:\n"
            "  probability: 0.90\n"
            "  simulations: 7\n"
            "  assumed: {signal_sd: 1e-3, slope: 0.02, intercept: 0}\n"
            "  blanks: {replicates: 10, series: 1}\n"
            "  calibration: {replicates: 3, series: 2, levels: [5.0, 10, 20]}\n"
            "criteria: [{rsd_max: 10.0, characteristic: repeatability}]\n"
        )
    )

    assert first.sha256 == second.sha256
    assert changes(first, second) == []


@pytest.mark.parametrize(
    ("old", "new", "change"),
    [
        ("rsd_max: 10", "rsd_max: 12", ("criteria[repeatability].rsd_max", "10", "12")),
        ("series: 2", "series: 3", ("plan.calibration.series", "2", "3")),
        ("[5, 10, 20]", "[5, 10, 25]", ("plan.calibration.levels", "[5, 10, 20]", "[5, 10, 25]")),
        ("slope: 0.02", "slope: 0.03", ("plan.assumed.slope", "0.02", "0.03")),
        ("plan:", "analysis: {alpha: 0.01}\nplan:", ("analysis.alpha", None, "0.01")),
    ],
)
def test_every_change_of_what_is_fixed_changes_the_hash(study_of, old, new, change):
    """Criteria, design, assumptions, choices: each change is named by its path."""
    before = plan_record(study_of(PLAN))
    after = plan_record(study_of(PLAN.replace(old, new, 1)))

    assert before.sha256 != after.sha256
    assert [(one.path, one.before, one.after) for one in changes(before, after)] == [change]


def test_a_criterion_put_in_between_is_one_change(study_of):
    """Entries are compared by what they are about: the ones behind it are the same as before."""
    first = "criteria:\n"
    before = plan_record(study_of(PLAN))
    after = plan_record(
        study_of(PLAN.replace(first, f"{first}  - {{characteristic: recovery, min: 80, max: 120}}\n", 1))
    )

    (change,) = changes(before, after)
    assert (change.path, change.before, change.after) == ("criteria[recovery]", None, "min 80, max 120")


def test_a_block_put_in_as_a_whole_is_told_in_full():
    """Only of an entry in a list does the path say what it is about."""
    before = PlanRecord({"plan": {"blanks": {"series": 1}}})
    after = PlanRecord({"plan": {"blanks": {"series": 1}, "recovery": {"at": 5.0, "series": 2}}})

    assert [(one.path, one.after) for one in changes(before, after)] == [("plan.recovery", "at 5, series 2")]


def test_the_record_is_read_back(study_of):
    """A study that names its record knows what was planned, and the file is one of its inputs."""
    record = plan_record(study_of(PLAN))

    study = study_of(PLAN + "  record: plan.json\n", {"plan.json": record.to_json()})

    assert study.recorded_plan.sha256 == record.sha256 == plan_record(study).sha256
    assert [(one.path, one.role) for one in study.inputs] == [("study.yaml", "study"), ("plan.json", "plan")]


def test_a_record_that_was_changed_is_refused(study_of, problems_of):
    """Neither another content under the old hash, nor what is no record at all."""
    text = plan_record(study_of(PLAN)).to_json()
    content = json.loads(text)
    nested = '{"format": "validation-plan/1", "content": ' + '{"a":' * 5000 + "1" + "}" * 5001
    for written, said in (
        (text.replace('"rsd_max": 10.0', '"rsd_max": 12.0'), "was changed after it was written"),
        (json.dumps({**content, "format": "other/1"}), "its format is not validation-plan/1"),
        (json.dumps({**content, "content": []}), "has no content"),
        ("[1, 2", "no JSON"),
        (nested, "no JSON"),
        ('{"format": "validation-plan/1", "content": {"a": NaN}}', "no JSON"),
        ('{"format": "validation-plan/1", "content": {"a": 1e999}}', "no JSON"),
        ('{"format": "validation-plan/1", "content": {"a": "\\ud800"}}', "no JSON"),
    ):
        problem, *more = problems_of(PLAN + "  record: plan.json\n", {"plan.json": written})

        assert problem.startswith("study.yaml:11: plan.record: ")
        assert said in problem
        assert more == []
