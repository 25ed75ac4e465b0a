"""Order of the caveats, what a stop bars, drafts, and what is examined in compared configurations."""

from __future__ import annotations

from functools import cache

import numpy as np
import pytest
from scipy import stats

from validator import assess, evaluate
from validator.guidance import caveat_texts
from validator.reading import read_study
from validator.resources import examples_folder

RANKS = ("stop", "condition", "caution", "note")
FOUND = "{runs: [{level: 5, found: [5.0, 5.1, 4.9, 5.0]}]}"
SLIPPED = "{runs: [{level: 5, found: [50.0, 51.0, 49.0, 50.0]}]}"
CRITERIA = "[{characteristic: recovery, min: 90, max: 110}, {characteristic: repeatability, rsd_max: 5}]"
PRECISE = "{runs: [{level: 5, concentrations: [5.0, 5.1, 4.9, 5.0, 5.1, 4.9]}]}"
STUDY = """
format: validation-study/1
study: {{title: {title}, id: S-1, version: "1", intended_use: a test}}
method:
  analytes: [{{id: x, name: analyte x, unit: mg/L, signal: signal, signal_unit: "1"}}]
  configurations: [{{id: film, name: film sensor}}, {{id: bare, name: bare sensor}}]
  configuration: film
analysis: {{decision_rule: guarded}}
calibration:
  runs:
    - {{configuration: film, level: 1, signals: [0.301, 0.299]}}
    - {{configuration: film, level: 4, signals: [1.199, 1.202]}}
    - {{configuration: film, level: 7, signals: [2.101, 2.099]}}
    - {{configuration: film, level: 10, signals: [2.998, 3.001]}}
    - {{configuration: bare, level: 1, signals: [0.101, 0.099]}}
    - {{configuration: bare, level: 4, signals: [0.399, 0.401]}}
    - {{configuration: bare, level: 7, signals: [0.702, {bare}]}}
    - {{configuration: bare, level: 10, signals: [0.999, 1.001]}}
"""


def assessment_of(judged, text):
    return judged(text)[1].assessment


@cache
def assessment_of_example(name):
    study = read_study(examples_folder() / name).with_shortest_simulation()
    return assess(study, evaluate(study)).assessment


def test_a_typing_error_in_a_compared_configuration_is_told_and_bars_nothing_here(judged):
    """A ten-fold error in one bare standard raises the caveat for that sensor only."""
    clean = assessment_of(judged, STUDY.format(title="A", bare="0.699"))
    slipped = assessment_of(judged, STUDY.format(title="A", bare="0.0699"))

    def outliers(assessment):
        return [one.configuration for one in assessment.caveats if one.id == "calibration_outlier"]

    assert outliers(clean) == []
    assert outliers(slipped) == ["bare"]
    assert slipped.analytes["x"].verdict == clean.analytes["x"].verdict


def test_the_outlier_is_that_of_the_deleted_residual(judged):
    """Against the definition: residual from the line without the reading over its standard error, t, ν − 1.

    R. D. Cook, S. Weisberg, Residuals and Influence in Regression, 1982, 2.2 (from memory); numpy and scipy.
    """
    found = assessment_of(judged, STUDY.format(title="A", bare="0.68"))
    x = np.repeat([1.0, 4.0, 7.0, 10.0], 2)
    y = np.array([0.101, 0.099, 0.399, 0.401, 0.702, 0.68, 0.999, 1.001])
    rest = np.arange(8) != 5
    slope, intercept = np.polyfit(x[rest], y[rest], 1)
    left = y[rest] - intercept - slope * x[rest]
    s = np.sqrt(left @ left / 5)
    spread = 1 + 1 / 7 + (7 - x[rest].mean()) ** 2 / ((x[rest] - x[rest].mean()) ** 2).sum()
    t = (0.68 - intercept - slope * 7) / (s * np.sqrt(spread))
    p = min(1.0, 8 * 2 * stats.t.sf(abs(t), 5))

    told = [one for one in found.caveats if one.id == "calibration_outlier"]

    assert p < 0.01
    assert len(told) == 1
    assert told[0].effect == pytest.approx(100 * abs(slope / np.polyfit(x, y, 1)[0] - 1) / 15.0, rel=1e-9)


@pytest.mark.parametrize("name", ["irrigation_water_cadmium_zinc", "phosphate_in_seawater_unfit"])
def test_caveats_stand_by_rank_then_by_effect_then_as_in_the_catalogue(name):
    """Page one shows the first of them."""
    places = list(caveat_texts())
    order = [
        (RANKS.index(one.severity), -(one.effect or 0.0), places.index(one.id))
        for one in assessment_of_example(name).caveats
    ]

    assert order == sorted(order)


def test_conditions_of_the_main_example():
    """Copper, temperature and carry-over limit the use by their computed effect; zinc is biased low."""
    caveats = assessment_of_example("irrigation_water_cadmium_zinc").caveats
    conditions = {(one.id, one.analyte) for one in caveats if one.severity == "condition"}

    assert conditions == {
        ("interferents_limit_samples", "cd"),
        ("interferents_limit_samples", "zn"),
        ("conditions_to_hold", "cd"),
        ("carry_over_present", "cd"),
        ("carry_over_present", "zn"),
    }
    assert all(one.effect > 1 for one in caveats if one.severity == "condition")
    assert [one.analyte for one in caveats if one.id == "bias_over_the_range"] == ["zn"]
    assert [one.analyte for one in caveats if one.id == "answers_on_stability_differ"] == ["zn"]


def test_results_far_from_their_level_neither_meet_nor_fail(judged):
    """A slip of the decimal point holds back what rests on it; the rest is judged as it is."""
    text = f"""
format: validation-study/1
study: {{title: A, id: S-1, version: "1"}}
method: {{analytes: [{{id: x, name: analyte x, unit: mg/L, signal: signal, signal_unit: "1"}}]}}
analysis: {{decision_rule: guarded}}
criteria: {CRITERIA}
precision: {PRECISE}
recovery: """
    good = assessment_of(judged, text + FOUND)
    slipped = assessment_of(judged, text + SLIPPED)
    confirmed = assessment_of(
        judged, text + SLIPPED.replace("level: 5,", "level: 5, level_confirmed: spilt,")
    )

    def outcomes(assessment):
        return {one.characteristic: (one.outcome, one.held_by) for one in assessment.findings}

    assert outcomes(good)["recovery"] == ("meets", None)
    assert outcomes(slipped) == {
        "recovery": ("inconclusive", "level_not_plausible"),
        "repeatability": ("meets", None),
    }
    assert slipped.verdict == "not demonstrated"
    assert outcomes(confirmed)["recovery"] == ("does not meet", None)
    assert confirmed.verdict == "not fit"


def test_a_slope_that_is_none_bars_what_is_read_from_it(judged):
    """Noise passes a test of lack of fit; it shows nothing."""
    text = """
format: validation-study/1
study: {title: A, id: S-1, version: "1"}
method: {analytes: [{id: x, name: analyte x, unit: mg/L, signal: signal, signal_unit: "1"}]}
analysis: {decision_rule: guarded}
criteria: [{characteristic: lack_of_fit, p_min: 0.05}]
calibration:
  runs:
    - {level: 1, signals: [0.52, 0.47, 0.51]}
    - {level: 4, signals: [0.48, 0.51, 0.52]}
    - {level: 7, signals: [0.50, 0.53, 0.46]}
    - {level: 10, signals: [0.49, 0.50, 0.51]}
"""
    found = assessment_of(judged, text)

    assert next(one.id for one in found.caveats if one.severity == "stop") == "slope_not_significant"
    assert {one.outcome for one in found.findings if one.decides} <= {"inconclusive", "not assessed"}
    assert found.verdict == "not demonstrated"


def test_placeholders_make_a_draft_without_a_verdict(judged):
    """What was not filled in is named, and nothing is called fit or unfit."""
    study, results = judged(STUDY.format(title="<title of the study>", bare="0.699"))
    assessment = results.assessment

    assert [one.field for one in study.left_open] == ["study.title"]
    assert assessment.draft
    assert assessment.verdict == "not assessed"
    assert assessment.reason == "Fields of the study are still placeholders (1): study.title."
    assert not assessment_of(judged, STUDY.format(title="A", bare="0.699")).draft
