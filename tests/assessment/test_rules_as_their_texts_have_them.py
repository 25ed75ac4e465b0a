"""A small study for each rule of guidance that was put right: what it said before, and what it says now.

The words of each text, seen in a reprint, stand beside the check; "before" is what the rule said until then.
"""

from __future__ import annotations

import math

import pytest
from msgspec.structs import replace

from validator import evaluate
from validator.assessment import guidance_findings as module
from validator.assessment.guidance_figures import Subject, figure_observations
from validator.assessment.judging import Limit, judge
from validator.evaluation.results import EstimateRecord
from validator.guidance import load_profile
from validator.statistics.horwitz import thompson_rsd


def analyte(name="x", unit="µg/L", **more):
    return [{"id": "x", "name": name, "unit": unit, "signal": "area", "signal_unit": "1", **more}]


@pytest.fixture
def found(study_of, described):
    """Outcomes of the limits of one profile by characteristic and level, under simple acceptance."""

    def found(profile, characteristic, *, kind=None, **study):
        text = described(guidance=[profile], analysis={"decision_rule": "simple"}, **study)
        text["method"] |= {"kind": kind} if kind else {}
        read = study_of(text)
        findings = module.guidance_findings(read, evaluate(read), [load_profile(profile)])
        return {
            one.level: (
                one.outcome,
                one.decides,
                (
                    one.upper
                    if one.lower is None
                    else one.lower
                    if one.upper is None
                    else (one.lower, one.upper)
                ),
            )
            for one in findings
            if one.characteristic == characteristic
        }

    return found


@pytest.fixture
def short(judged, described):
    """What the study falls short of, by requirement; required or only recommended."""

    def short(profile, **study):
        results = judged(described(guidance=[profile], **study))[1]
        return {
            one.requirement: (one.required, one.provided)
            for one in results.assessment.design
            if one.outcome == "does not meet"
        }

    return short


def series(level, rsd):
    """Pairs in three series around *level*; the larger *rsd*, the wider."""
    step = level * rsd / 100
    return [
        {"level": level, "series": name, "concentrations": [level + step * a, level + step * b]}
        for name, a, b in (("A", -1.0, 0.4), ("B", -0.4, 0.8), ("C", -0.6, 1.1))
    ]


SCREENING = {
    "precision": {"runs": series(50, 4)},
    "recovery": {"runs": [{"level": 50, "found": [49, 50, 51, 50]}]},
}


def test_a_screening_can_meet_its_limit(found):
    """2021/808, 1.1.2: "the CCβ shall be lower than the MRL or ML".

    Before: L + 3.28 s against L, never met. Now the screening target and 1.64 u.
    """
    permitted = analyte(unit="µg/kg", status="permitted", legal_limit=100, screening_target=50)
    unauthorised = analyte(
        unit="µg/kg", status="unauthorised", reference_point_for_action=51, screening_target=50
    )

    def outcome(analytes):
        ((outcome, decides, limit),) = found(
            "eu-2021-808", "detection_capability", kind="screening", analytes=analytes, **SCREENING
        ).values()
        return outcome, decides, limit

    assert outcome(permitted) == ("meets", True, 100)
    assert outcome(unauthorised) == ("does not meet", True, 100)


def test_a_decision_limit_keeps_the_reference_point(found):
    """2021/808, 1.2.1: "the CCα shall be lower than or equal to the reference point for action".

    Before: 2.33 s of blanks, held against nothing. Now the lowest calibrated level and 2.33 u.
    """

    def outcome(reference):
        analytes = analyte(
            unit="µg/kg",
            status="unauthorised",
            reference_point_for_action=reference,
            lowest_calibrated_level=50,
        )
        return found("eu-2021-808", "decision_limit", analytes=analytes, **SCREENING)

    assert [one[0] for one in outcome(60).values()] == ["meets"]
    assert [one[0] for one in outcome(51).values()] == ["does not meet"]
    # a permitted substance is not held against a reference point
    permitted = analyte(unit="µg/kg", status="permitted", legal_limit=50)
    assert found("eu-2021-808", "decision_limit", analytes=permitted, **SCREENING) == {}


def test_lower_than_leaves_the_limit_out():
    """A value that equals the limit keeps "at most" and not "lower than"; its interval likewise."""
    at_most, below = Limit(upper=2.0), Limit(upper=2.0, exclusive=True)
    equal = EstimateRecord(value=2.0, ci=(1.5, 2.0))

    assert [judge(equal, limit, "simple").outcome for limit in (at_most, below)] == ["meets", "does not meet"]
    touching = replace(equal, value=1.8)
    assert [judge(touching, limit, "guarded").outcome for limit in (at_most, below)] == [
        "meets",
        "inconclusive",
    ]
    beyond = replace(equal, ci=(2.0, 2.5))
    assert [judge(beyond, limit, "guarded").outcome for limit in (at_most, below)] == [
        "inconclusive",
        "does not meet",
    ]


def slopes(*ratios):
    """A calibration of slope 1, and one in each lot of the matrix with that slope."""
    levels = (0, 2, 4, 6, 8)
    return {
        "calibration": {"runs": [{"level": x, "signals": [x + 0.001, x - 0.001]} for x in levels]},
        "matrix_calibration": {
            "runs": [
                {"level": x, "matrix": f"lot {i}", "signals": [r * x + 0.001, r * x - 0.001]}
                for i, r in enumerate(ratios)
                for x in levels
            ]
        },
    }


@pytest.mark.parametrize(
    ("legal_limit", "limit", "outcome"),
    [(5, 30, "meets"), (50, 25, "meets"), (500, 22, "does not meet"), (5000, 16, "does not meet")],
)
def test_the_matrix_factor_by_level(found, legal_limit, limit, outcome):
    """2021/808, 2.10: "shall not be greater than the values listed in Table 2"; lots spread by 23.6 %.

    Before: 20 % at every level. Now 30, 25, 22 or 16 %, by the limit at which the lots are fortified.
    """
    analytes = analyte(unit="µg/kg", legal_limit=legal_limit)

    shown = found("eu-2021-808", "matrix_effect", analytes=analytes, **slopes(0.7, 0.9, 1.1, 1.25))

    assert shown == {legal_limit: (outcome, True, limit)}


def test_the_matrix_factor_needs_the_level_fortified(judged, described):
    """Without a legal limit or a reference point the row of the table is not known, and this is said."""
    study = described(guidance=["eu-2021-808"], analytes=analyte(unit="µg/kg"), **slopes(0.7, 0.9, 1.1, 1.25))
    (finding,) = [
        one for one in judged(study)[1].assessment.findings if one.characteristic == "matrix_effect"
    ]

    assert (finding.outcome, finding.reason, finding.needs) == (
        "not assessed",
        "the level that the limit depends on is not stated",
        "method.analytes: legal_limit or reference_point_for_action",
    )


def test_five_levels_of_calibration_are_recommended(short):
    """2021/808, 2.8: "at least five preferably equidistant levels […] should be used". Before: required."""
    four = {"runs": [{"level": x, "signals": [x, x + 0.01]} for x in (0, 1, 2, 3)]}

    assert short("eu-2021-808", calibration=four) == {"linearity: levels (recommended)": (5, 4)}


def test_solutions_and_samples_are_stored_by_different_rules(found):
    """2021/808, 2.5.1: "shall not differ by more than 15 %", of solutions; in matrix by s_wR.

    Before: no number. A study does not say what it stored, so the limit is shown and does not decide.
    """
    runs = [
        {"condition": "4 °C", "time": t, "time_unit": "d", "found": [mean - 0.1, mean, mean + 0.1] * 2}
        for t, mean in ((0, 10.0), (30, 8.0))
    ]

    shown = found("eu-2021-808", "stability", stability={"runs": runs})

    assert [(outcome, decides) for outcome, decides, _ in shown.values()] == [("does not meet", False)]


def uncertain(at_25, at_100):
    """Precision at a quarter of a limit and at it, percent of the level."""
    return {"runs": series(25, at_25) + series(100, at_100)}


@pytest.mark.parametrize(
    ("name", "legal_limit", "judged_at"), [("chloroform", 100, 25), ("nitrate", 100, 100), ("x", None, None)]
)
def test_a_single_trihalomethane_is_judged_at_a_quarter(found, name, legal_limit, judged_at):
    """2020/2184, note 7: "apply to individual substances, specified at 25 % of the parametric value".

    Before: at the parametric value, where the method is good enough.
    """
    limit = {"legal_limit": legal_limit} if legal_limit else {}
    shown = found(
        "eu-drinking-water-2020-2184",
        "uncertainty",
        analytes=analyte(name, **limit),
        precision=uncertain(40, 4),
    )

    levels = {level for level, (outcome, *_) in shown.items() if outcome != "not assessed"}
    assert levels == ({judged_at} if judged_at else set())
    if name == "chloroform":
        assert shown[25][0] == "does not meet"


def test_the_uncertainty_is_evaluated_where_the_law_wants_it(record_of, described):
    """Note 8, "at 50 % of the parametric value"; note 9, "at the level of 3 mg/l": levels nobody measured."""

    def levels(**of):
        study = described(
            guidance=["eu-drinking-water-2020-2184"],
            analytes=analyte(**of),
            precision={"runs": series(2, 4) + series(10, 4)},
        )
        return {one.level: one.at for one in record_of(study).uncertainty.levels}

    assert levels(name="trichloroethene", legal_limit=10)[5] == ("level of the guidance",)
    assert levels(name="TOC", unit="mg/L")[3] == ("level of the guidance",)
    assert levels(name="TOC", unit="µg/L")[3000] == ("level of the guidance",)
    assert "level of the guidance" not in {at for ats in levels(name="nitrate").values() for at in ats}


def test_a_level_in_a_unit_that_cannot_be_converted(found):
    """Note 10: "at the level of 1,0 NTU"; a turbidity in another unit is told so."""
    shown = found(
        "eu-drinking-water-2020-2184",
        "uncertainty",
        analytes=analyte("turbidity", unit="mg/L"),
        precision={"runs": series(2, 4)},
    )

    assert [outcome for outcome, *_ in shown.values()] == ["not assessed"]


def test_conductivity_has_no_limit_and_a_pesticide_an_indication_only(found):
    """2020/2184, table 1 lists no conductivity; note 6: "are given as an indication". Before: 20 % and 30 %.

    Haloacetic acids are found by the name of the table, "HAAs". Before: only by their full name.
    """
    wide = {"runs": series(100, 30)}

    def shown(name):
        return found(
            "eu-drinking-water-2020-2184",
            "uncertainty",
            analytes=analyte(name, legal_limit=100),
            precision=wide,
        )

    assert [shown(name)[100][0] for name in ("conductivity", "pesticide")] == ["not assessed"] * 2
    assert [shown(name)[100][0] for name in ("nitrate", "HAAs")] == ["does not meet"] * 2


@pytest.mark.parametrize(("profile", "share"), [("eu-333-2007", 0.66), ("aoac-single-laboratory-2012", 0.5)])
def test_the_share_of_horwitz_is_that_of_the_document(study_of, described, profile, share):
    """333/2007, C.3.1: "using the assumption r = 0,66 R". Before: one half for every document."""
    study = study_of(
        described(guidance=[profile], analytes=analyte(unit="mg/kg"), precision={"runs": series(1, 20)})
    )
    record = evaluate(study).analytes["x"].configurations["default"]
    (precision,) = record.precision
    expected = precision.repeatability_rsd.value / (share * thompson_rsd(1e-6))

    (shown,) = figure_observations(
        "horrat_repeatability", Subject(study.analyte("x"), record, load_profile(profile).horrat_share)
    )
    assert shown.estimate.value == pytest.approx(expected, rel=1e-9)
    assert precision.horrat_repeatability == pytest.approx(expected, rel=1e-9)
    assert precision.horrat_share == share


@pytest.mark.parametrize(
    ("maximum", "limit", "outcome"), [(0.05, 40, "meets"), (0.2, 20, "meets"), (0.03, 40, "does not meet")]
)
def test_the_quantification_limit_by_element_and_level(
    judged, described, monkeypatch, maximum, limit, outcome
):
    """333/2007, table 5, cadmium: "≤ two fifths of the ML" below 0.1 mg/kg, "≤ one fifth of the ML" from it.

    Before: no profile. A quantification limit of 0.015 mg/kg against maximum levels of 0.05, 0.2 and 0.03.
    """
    from validator.assessment.observation import Observation

    study, results = judged(
        described(
            guidance=["eu-333-2007"],
            analytes=analyte("cadmium", unit="mg/kg", legal_limit=maximum),
            analysis={"decision_rule": "simple"},
        )
    )
    fed = Observation(estimate=EstimateRecord(value=100 * 0.015 / maximum), unit="%")
    monkeypatch.setattr(module, "figure_observations", lambda *_: (fed,))

    shown = [
        (
            (one.upper if one.lower is None else one.lower if one.upper is None else (one.lower, one.upper)),
            one.outcome,
        )
        for one in module.guidance_findings(study, results, [load_profile("eu-333-2007")])
        if one.characteristic == "quantification_limit"
    ]

    assert shown == [(limit, outcome)]
    assert math.isclose(fed.estimate.value, 1.5 / maximum)


def test_samples_near_a_limit_are_recommended(short):
    """ICH Q2(R2), 3.2.3.5 (from memory): the confirmation may be left out with a reason. Before: required."""
    lines = {"runs": [{"level": x, "signals": [x, x + 0.01, x - 0.01]} for x in (1, 2, 3, 4, 5)]}
    blanks = {"runs": [{"concentrations": [0.01, -0.01, 0.02, 0.0]}]}

    missing = short("ich-q2r2-2023", calibration=lines, blanks=blanks)

    assert missing == {"quantification limit: low level samples (recommended)": (6, 0)}
