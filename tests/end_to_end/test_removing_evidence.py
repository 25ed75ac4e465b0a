"""Taking evidence away never makes a verdict kinder; what is met and doubts nothing never worsens it."""

from __future__ import annotations

import copy

import numpy as np
import pytest
import yaml

from validator.assessment import assess
from validator.assessment.verdict import GRAVITY
from validator.evaluation import evaluate
from validator.reading import read_study

RANK = {word: rank for rank, word in enumerate(GRAVITY)}
FIT = ("fit", "fit under conditions")


def complete():
    """A study of one analyte that is fit, every block of it asked for (invented data, fixed seed)."""
    rng = np.random.default_rng(20261130)

    def around(level, rsd, n):
        return [round(float(v), 5) for v in level * (1 + rsd * rng.standard_normal(n))]

    levels = (0.5, 2, 4, 6, 8, 10)
    return {
        "format": "validation-study/1",
        "study": {
            "title": "A complete study",
            "id": "S-1",
            "version": "1",
            "matrix": "river water",
            "period": {"from": "2026-01-12", "to": "2026-02-20"},
            "people": [{"name": "A. Nother", "role": "prepared"}],
            "claimed_matrices": ["river water"],
        },
        "method": {
            "procedure": "P-1",
            "standards": [{"name": "check standard", "independent": True}],
            "analytes": [
                {
                    "id": "x",
                    "name": "analyte x",
                    "unit": "mg/L",
                    "signal": "signal",
                    "signal_unit": "1",
                    "claimed_range": {"from": 2, "to": 9},
                }
            ],
        },
        "analysis": {
            "decision_rule": "guarded",
            "detection_limit": {"variant": "blank_3s"},
            "quantification_limit": {"variant": "blank_3s"},
        },
        "criteria": [
            {"characteristic": "lack_of_fit", "p_min": 0.05},
            {"characteristic": "quantification_limit", "max": 2},
            {"characteristic": "repeatability", "rsd_max": 6},
            {"characteristic": "intermediate_precision", "rsd_max": 8},
            {"characteristic": "recovery", "within": [90, 110]},
            {"characteristic": "interference", "max": 10},
            {"characteristic": "stability", "max_change": 10},
        ],
        "calibration": {
            "runs": [
                {
                    "level": x,
                    "signals": [round(0.1 * x + 0.0008 * float(e), 5) for e in rng.standard_normal(3)],
                }
                for x in levels
            ]
        },
        "blanks": {
            "runs": [
                {
                    "kind": "matrix",
                    "blank_correction": "none",
                    "series": f"B{i}",
                    "signals": [round(0.0006 * float(e), 6) for e in rng.standard_normal(3)],
                }
                for i in range(5)
            ]
        },
        "precision": {
            "runs": [
                {
                    "level": level,
                    "series": f"S{i}",
                    "operator": "AB"[i % 2],
                    "concentrations": around(level, 0.015, 3),
                }
                for level in (2, 5, 9)
                for i in range(6)
            ]
        },
        "recovery": {
            "runs": [
                {
                    "native": 0,
                    "added": level,
                    "matrix": "river water",
                    "series": f"S{i}",
                    "found": around(level, 0.015, 1),
                }
                for level in (2, 5, 9)
                for i in range(6)
            ]
        },
        "interference": {
            "runs": [
                {
                    "interferent": name,
                    "ratio": 10,
                    "analyte_level": 5,
                    "found": around(5, 0.012, 5),
                    "reference": around(5, 0.012, 5),
                }
                for name in ("copper(II)", "iron(III)")
            ]
        },
        "stability": {
            "runs": [
                {
                    "condition": "4 °C",
                    "level": 5,
                    "time": day,
                    "time_unit": "d",
                    "found": around(5, 0.012, 4),
                }
                for day in (0, 7, 14, 21)
            ]
        },
    }


@pytest.fixture(scope="module")
def verdict_of(tmp_path_factory):
    def of(parts):
        folder = tmp_path_factory.mktemp("study")
        text = yaml.safe_dump(parts, allow_unicode=True, sort_keys=False)
        (folder / "study.yaml").write_text(text, encoding="utf-8")
        study = read_study(folder)
        return assess(study, evaluate(study)).assessment

    return of


@pytest.fixture(scope="module")
def base():
    return complete()


@pytest.fixture(scope="module")
def verdict(verdict_of, base):
    return verdict_of(base)


def test_the_complete_study_is_fit(verdict):
    """Otherwise the tests below could not fail."""
    assert verdict.verdict == "fit", (verdict.reason, [c.title for c in verdict.caveats])


BLOCKS = ("calibration", "blanks", "precision", "recovery", "interference", "stability")


@pytest.mark.parametrize("block", BLOCKS)
def test_a_block_that_a_criterion_names_cannot_be_removed_unseen(verdict_of, base, block):
    """The criterion is then not assessed."""
    parts = copy.deepcopy(base)
    del parts[block]

    assert verdict_of(parts).verdict not in FIT


@pytest.mark.parametrize("block", ["precision", "recovery"])
@pytest.mark.parametrize("level", [2, 9])
def test_a_level_at_an_end_of_the_claim_cannot_be_removed_unseen(verdict_of, base, block, level):
    """The claim then reaches beyond the evidence."""
    parts = copy.deepcopy(base)
    runs = parts[block]["runs"]
    parts[block]["runs"] = [one for one in runs if level not in (one.get("level"), one.get("added"))]

    assert verdict_of(parts).verdict not in FIT


@pytest.mark.parametrize("index", range(7))
def test_no_criterion_of_the_plan_is_met_by_leaving_out_its_data(verdict_of, base, index):
    """A criterion at a level without data is told, and never met."""
    parts = copy.deepcopy(base)
    one = parts["criteria"][index]
    if one["characteristic"] in ("repeatability", "intermediate_precision", "recovery", "stability"):
        one["at"] = 7
        assert verdict_of(parts).verdict not in FIT
    else:
        parts["criteria"].append({"characteristic": "carry_over", "max": 20})
        assert verdict_of(parts).verdict not in FIT


@pytest.mark.parametrize(
    ("block", "field", "at"),
    [("precision", "concentrations", 3), ("recovery", "found", 4), ("stability", "found", 3)],
)
@pytest.mark.parametrize("factor", [1.0, 3.0, 1000.0])
def test_a_result_replaced_by_a_bound_that_contains_it_never_helps(
    verdict_of, base, verdict, block, field, at, factor
):
    """Whatever the bound: the verdict is no kinder."""
    parts = copy.deepcopy(base)
    values = parts[block]["runs"][at][field]
    values[0] = f"<{values[0] * factor:.6g}"

    assert RANK[verdict_of(parts).verdict] >= RANK[verdict.verdict]


@pytest.mark.parametrize("block", ["precision", "recovery", "stability"])
def test_what_fails_does_not_pass_by_a_bound(verdict_of, base, block):
    """Results of a tenth of what they should be fail; as bounds they do not meet either."""
    parts = copy.deepcopy(base)
    field = "concentrations" if block == "precision" else "found"
    for one in parts[block]["runs"][-6:]:
        one[field] = [f"<{value}" for value in one[field]]

    assert verdict_of(parts).verdict not in FIT


def test_an_added_level_that_meets_never_worsens(verdict_of, base, verdict):
    """More evidence of the same quality."""
    parts = copy.deepcopy(base)
    rng = np.random.default_rng(7)
    parts["precision"]["runs"] += [
        {
            "level": 7,
            "series": f"S{i}",
            "operator": "AB"[i % 2],
            "concentrations": [round(float(v), 5) for v in 7 * (1 + 0.015 * rng.standard_normal(3))],
        }
        for i in range(6)
    ]

    assert RANK[verdict_of(parts).verdict] <= RANK[verdict.verdict]


def test_an_exclusion_that_helps_is_told(verdict_of, base):
    """A wild result is excluded with a cause: the verdict with all results stands beside."""
    parts = copy.deepcopy(base)
    parts["recovery"]["runs"][0] |= {"found": [20.0], "excluded": "the flask was filled twice"}

    found = verdict_of(parts)

    assert found.verdict in FIT
    assert found.without_exclusions is not None
    assert RANK[found.without_exclusions] > RANK[found.verdict]
