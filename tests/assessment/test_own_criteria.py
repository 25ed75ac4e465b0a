"""The study's own criteria: which figures they speak of, in which words, and what they find."""

from __future__ import annotations

import re

import pytest

from validator.assessment.finding import limits_of
from validator.assessment.judging import Limit
from validator.assessment.remedy import needed
from validator.errors import StudyError
from validator.study.models.criteria import Criterion

LEVELS = [1.0, 2.0, 4.0, 6.0, 8.0, 10.0]
WOBBLE = [0.001, -0.001, -0.001, 0.001, 0.001, -0.001]
LINE = {
    "runs": [
        {"level": x, "signal": 0.1 * x + wobble + noise}
        for x, wobble in zip(LEVELS, WOBBLE, strict=True)
        for noise in (0.002, -0.002, 0.001)
    ]
}
DAYS = [[1.0, 1.01, 0.99], [1.02, 1.0, 1.01], [0.98, 1.0, 0.99], [1.01, 0.99, 1.0]]


def precision(*levels):
    return {
        "runs": [
            {"level": level, "day": f"{day}", "concentrations": [level * one for one in some]}
            for level in levels
            for day, some in enumerate(DAYS)
        ]
    }


def interference(*changes):
    """One interferent at ratios 1, 10, 100 … that changes the result by so many percent."""
    return {
        "runs": [
            {
                "interferent": "copper(II)",
                "ratio": 10**i,
                "analyte_level": 5,
                "found": [one * (1 + change / 100) for one in (4.99, 5.0, 5.01)],
                "reference": [5.01, 5.0, 4.99],
            }
            for i, change in enumerate(changes)
        ]
    }


@pytest.fixture
def findings(judged, described):
    """The findings on the criteria of a study, and no others."""

    def findings(*criteria, **blocks):
        _, results = judged(described(criteria=list(criteria), **blocks))
        assert all(one.own for one in results.assessment.findings)
        return results.assessment.findings

    return findings


# --- limits ----------------------------------------------------------------------------------------
@pytest.mark.parametrize(
    ("criterion", "limits"),
    [
        ({"characteristic": "repeatability", "rsd_max": 5}, [("rsd_max", Limit(upper=5))]),
        (
            {"characteristic": "repeatability", "rsd_max": 5, "max": 0.2},
            [("rsd_max", Limit(upper=5)), ("max", Limit(upper=0.2))],
        ),
        ({"characteristic": "recovery", "min": 90, "max": 110}, [("min", Limit(90, 110))]),
        ({"characteristic": "recovery", "min": 90}, [("min", Limit(lower=90))]),
        ({"characteristic": "interference", "max": 10}, [("max", Limit(-10, 10))]),
        ({"characteristic": "interference", "max": -10, "reason": "meant"}, [("max", Limit(-10, 10))]),
        ({"characteristic": "interference", "min": -20, "max": 10}, [("min", Limit(-20, 10))]),
        ({"characteristic": "trueness", "max": 3}, [("max", Limit(-3, 3))]),
        ({"characteristic": "lack_of_fit", "p_min": 0.05}, [("p_min", Limit(lower=0.05))]),
        ({"characteristic": "quantification_limit", "max": 2}, [("max", Limit(upper=2))]),
        (
            {"characteristic": "working_range", "min": 1, "max": 10},
            [("min", Limit(upper=1)), ("max", Limit(lower=10))],
        ),
    ],
)
def test_what_a_criterion_limits(criterion, limits):
    """Both ends of one figure are joined; a lone max limits the size of a change; a range must reach out."""
    found = limits_of(Criterion.model_validate(criterion))

    assert [(names[0], limit) for names, limit in found] == limits


# --- where a criterion holds -----------------------------------------------------------------------
def test_a_criterion_without_a_level_holds_at_every_level(findings):
    """One finding for each level that was measured."""
    found = findings({"characteristic": "repeatability", "rsd_max": 5}, precision=precision(2, 8))

    assert [(one.level, one.outcome) for one in found] == [(2, "meets"), (8, "meets")]
    assert {one.criterion for one in found} == {"RSD ≤ 5 %"}
    assert {one.n for one in found} == {12}


def test_a_criterion_at_a_level_holds_there_alone(findings):
    """``at`` names the level, to the rounding of one number written twice."""
    criterion = {"characteristic": "repeatability", "rsd_max": 5, "at": 0.3}

    (one,) = findings(criterion, precision=precision(0.1 + 0.2, 8))

    assert one.level == pytest.approx(0.3)
    assert one.outcome == "meets"


def test_a_level_that_was_not_measured_is_said(findings):
    """A criterion at a level without runs is not assessed, and the levels there are are named."""
    (one,) = findings({"characteristic": "repeatability", "rsd_max": 5, "at": 5}, precision=precision(2, 8))

    assert one.outcome == "not assessed"
    assert one.reason == "no repeatability data at level 5; data are available at 2, 8"
    assert one.needs == "repeatability data at level 5"
    assert one.level == 5


def test_an_interference_criterion_holds_up_to_its_ratio(findings):
    """Ratios beyond ``at`` are information: they draw the border of the scope and fail nothing."""
    found = findings(
        {"characteristic": "interference", "max": 5, "at": 10}, interference=interference(1, 2, 40)
    )

    assert [(one.level, one.outcome) for one in found] == [(1, "meets"), (10, "meets")]
    assert found[0].criterion == "within ±5 % up to a ratio of 10"


def test_an_interference_criterion_below_every_tested_ratio_stays_open(findings):
    """A criterion that no run answers never vanishes: it is not assessed."""
    (one,) = findings(
        {"characteristic": "interference", "max": 5, "at": 0.5}, interference=interference(1, 2)
    )

    assert one.outcome == "not assessed"
    assert one.reason == "no interference data at level 0.5; data are available at 1, 10"


def test_a_criterion_for_one_analyte_and_configuration(judged, described):
    """A criterion holds for the analyte and configuration it names, else for all analytes as validated."""
    analytes = [
        {"id": name, "name": name, "unit": "mg/L", "signal": "s", "signal_unit": "1"} for name in ("cd", "zn")
    ]
    runs = [
        {**run, "analyte": analyte, "configuration": configuration}
        for analyte in ("cd", "zn")
        for configuration in ("film", "bare")
        for run in precision(5)["runs"]
    ]
    criteria = [
        {"characteristic": "repeatability", "rsd_max": 5},
        {"characteristic": "repeatability", "rsd_max": 6, "analyte": "zn", "configuration": "bare"},
    ]

    _, results = judged(
        described(
            analytes=analytes,
            configurations=["film", "bare"],
            criteria=criteria,
            precision={"runs": runs},
        )
    )

    assert [(one.upper, one.analyte, one.configuration) for one in results.assessment.findings] == [
        (5, "cd", "film"),
        (5, "zn", "film"),
        (6, "zn", "bare"),
    ]


# --- what is found ---------------------------------------------------------------------------------
def test_every_characteristic_of_the_first_blocks_is_answered(findings):
    """Criteria on calibration, limits, precision, trueness and selectivity find their figures."""
    criteria = [
        {"characteristic": "linearity", "min": 0.99},
        {"characteristic": "linearity", "p_min": 0.01},
        {"characteristic": "lack_of_fit", "p_min": 0.01},
        {"characteristic": "residual_pattern", "p_min": 0.001},
        {"characteristic": "working_range", "min": 4, "max": 6},
        {"characteristic": "sensitivity", "min": 0.05},
        {"characteristic": "detection_limit", "max": 2},
        {"characteristic": "quantification_limit", "max": 5},
        {"characteristic": "repeatability", "rsd_max": 5},
        {"characteristic": "repeatability", "max": 0.5},
        {"characteristic": "intermediate_precision", "rsd_max": 8},
        {"characteristic": "recovery", "min": 90, "max": 110},
        {"characteristic": "trueness", "max": 10},
        {"characteristic": "trueness", "p_min": 0.01},
        {"characteristic": "interference", "max": 5},
    ]
    found = findings(
        *criteria,
        calibration=LINE,
        blanks={"runs": [{"signals": [0.01 * (-1) ** i * (1 + 0.1 * i) for i in range(10)]}]},
        precision=precision(5),
        recovery={"runs": [{"level": 5, "found": [5.0, 5.1, 4.9, 5.0, 5.05]}]},
        interference=interference(0.5),
    )

    assert len(found) == len(criteria) + 1  # the working range has two ends
    # what a stop caveat holds back has its figure too
    undecided = [
        (one.characteristic, one.reason) for one in found if one.outcome != "meets" and one.held_by is None
    ]
    assert undecided == []
    assert all(one.observed is not None for one in found)
    units = {one.characteristic: one.unit for one in found}
    assert (units["detection_limit"], units["recovery"]) == ("mg/L", "%")
    assert "mg" in units["sensitivity"]


@pytest.mark.parametrize(("end", "outcome"), [(1, "meets"), (0.5, "does not meet")])
def test_the_working_range_must_reach_out(findings, end, outcome):
    """A range that begins above the level asked for does not reach it."""
    (one,) = findings({"characteristic": "working_range", "min": end}, calibration=LINE)

    assert (one.outcome, one.observed, one.lower, one.upper) == (outcome, 1, None, end)
    assert one.criterion == f"extends down to {end:g} mg/L"


def test_a_straddling_interval_is_inconclusive_and_says_what_would_decide(findings):
    """A guarded decision that is open gives the number of further results, if the figure stays."""
    (one,) = findings(
        {"characteristic": "recovery", "min": 99, "max": 101},
        recovery={"runs": [{"level": 5, "found": [5.0, 5.1, 4.9]}]},
    )

    assert one.outcome == "inconclusive"
    assert one.reason == "the confidence interval includes the limit"
    needs = one.needs.replace("\N{NARROW NO-BREAK SPACE}", " ")
    assert f"about {one.further} further independent results or series" in needs
    assert "would resolve the point, if the estimate does not change (probability about 50 %)" in needs
    assert needs.endswith("with a probability of 90 %")
    assert one.interval[0] < 99 < 101 < one.interval[1]


@pytest.mark.parametrize(
    ("more", "safer", "said"),
    [
        (
            None,
            None,
            ("more results alone would not resolve the point: the estimate lies too close to the limit"),
        ),
        (1, None, "about 1 further series would resolve the point, if the estimate does not change"),
        (
            1,
            1,
            (
                "about 1 further series would resolve the point with a probability of 90 %, if the "
                "estimate does not change"
            ),
        ),
        (
            2,
            5,
            (
                "about 2 further series would resolve the point, if the estimate does not change "
                "(probability about 50 %); 5 with a probability of 90 %"
            ),
        ),
    ],
)
def test_what_would_decide_is_said_once(more, safer, said):
    """Two numbers that are the same are one."""
    told = needed(more, "intermediate_precision", safer)

    assert told.replace("\N{NARROW NO-BREAK SPACE}", " ") == said


def test_the_simple_rule_decides_on_the_estimate(findings):
    """The same data under the simple rule, which the finding names."""
    (one,) = findings(
        {"characteristic": "recovery", "min": 99, "max": 101},
        analysis={"decision_rule": "simple"},
        recovery={"runs": [{"level": 5, "found": [5.0, 5.1, 4.9]}]},
    )

    assert (one.outcome, one.decision_rule) == ("meets", "simple")


def test_a_criterion_on_what_was_not_measured(findings):
    """No runs, no figure: not assessed, with the reason of the block and what it would take."""
    (one,) = findings({"characteristic": "recovery", "min": 90, "max": 110})

    assert one.outcome == "not assessed"
    assert one.reason == "no recovery data were provided"
    assert "spiked samples" in one.needs
    assert (one.observed, one.interval) == (None, None)


def test_a_level_that_cannot_carry_the_figure_keeps_its_criterion_open(findings):
    """A planned level with one reading is not passed over in silence."""
    runs = [*precision(5)["runs"], {"level": 10, "day": "0", "concentrations": [10.0]}]

    five, ten = findings({"characteristic": "repeatability", "rsd_max": 5}, precision={"runs": runs})

    assert (five.level, five.outcome) == (5, "meets")
    assert (ten.level, ten.outcome, ten.reason) == (10, "not assessed", "fewer than 2 readings")


def test_a_certified_material_speaks_for_trueness_before_a_spike(findings):
    """Bias is judged against the certified value where there is one."""
    runs = [
        {"reference": 5, "reference_uncertainty": 0.05, "found": [5.0, 5.02, 4.98]},
        {"native": 0, "added": 5, "found": [4.0, 4.1, 3.9]},
    ]

    (one,) = findings({"characteristic": "trueness", "max": 5}, recovery={"runs": runs})

    assert one.observed == pytest.approx(0)
    assert one.outcome == "meets"


def test_the_source_of_a_criterion_is_its_own(findings):
    """A criterion may name where it comes from."""
    (one,) = findings(
        {"characteristic": "repeatability", "rsd_max": 5, "source": "plan P-7, section 4"},
        precision=precision(5),
    )

    assert one.source == "plan P-7, section 4"


EVERYTHING = [
    {"characteristic": "recovery", "min": 80, "max": 120},
    {"characteristic": "interference", "at": 10, "max": 5},
    {"characteristic": "repeatability", "rsd_max": 5},
    {"characteristic": "repeatability", "max": 0.5},
    {"characteristic": "device_to_device", "max": 0.02},
    {"characteristic": "device_to_device", "rsd_max": 10},
    {"characteristic": "quantification_limit", "max": 1},
    {"characteristic": "uncertainty", "max": 1},
    {"characteristic": "sensitivity", "min": 0.05},
    {"characteristic": "linearity", "min": 0.99},
    {"characteristic": "lack_of_fit", "p_min": 0.05},
    {"characteristic": "working_range", "min": 1, "max": 10},
]


def test_a_requirement_has_its_unit_before_anything_is_measured(findings):
    """The same words without data, as a protocol prints them, as with data."""
    named = [{**run, "device": f"E{i % 3}"} for i, run in enumerate(precision(5)["runs"])]
    before = findings(*EVERYTHING)
    after = findings(
        *EVERYTHING,
        calibration=LINE,
        blanks={"runs": [{"signals": [0.001 * (i % 4) for i in range(12)]}]},
        precision={"runs": named},
        recovery={"runs": [{"level": 5, "found": [5.0, 5.1, 4.9]}]},
        uncertainty={"bias": "from recovery"},
    )

    words = [one.criterion for one in before]
    assert words[:7] == [
        "80 to 120 %",
        "within ±5 % up to a ratio of 10",
        "RSD ≤ 5 %",
        "≤ 0.5 mg/L",
        "≤ 0.02",
        "RSD ≤ 10 %",
        "≤ 1 mg/L",
    ]
    assert {one.outcome for one in before} == {"not assessed"}
    measured = {one.criterion for one in after if one.outcome != "not assessed"}
    assert measured - set(words) == {"≤ 0.02 mg/L"}  # devices were read in contents: not known before
    assert len(measured) >= 10


@pytest.mark.parametrize(
    ("written", "outcome"),
    [
        ({"within": [98, 102]}, "meets"),
        ({"within": [100.2, 110], "reason": "reported without correction"}, "does not meet"),
        ({"within": [102, 110], "reason": "reported without correction"}, "does not meet"),
        ({"within": [90, 98], "reason": "reported without correction"}, "does not meet"),
    ],
)
def test_within_is_min_and_max(judged, described, written, outcome):
    """One word for both sides, as profiles of guidance write it; the same as min and max."""

    def findings(**limits):
        study = described(
            analysis={"decision_rule": "simple"},
            criteria=[{"characteristic": "recovery", **limits}],
            recovery={"runs": [{"level": 50, "found": [50.1, 49.8, 50.2, 50.1]}]},
        )
        return judged(study)[1].assessment.findings

    apart = dict(written)
    lower, upper = apart.pop("within")
    assert findings(**written) == findings(min=lower, max=upper, **apart)
    assert [one.outcome for one in findings(**written)] == [outcome]


@pytest.mark.parametrize(
    ("written", "message"),
    [
        ({"within": [98, 102], "min": 98}, "within: within is min and max at once; write either"),
        ({"within": [102, 98]}, "within: the second number must not be smaller than the first"),
    ],
)
def test_within_is_refused_where_it_contradicts(study_of, described, written, message):
    """The message names the key."""
    with pytest.raises(StudyError, match=re.escape(message)):
        study_of(described(criteria=[{"characteristic": "recovery", **written}]))
