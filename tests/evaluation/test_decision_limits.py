"""Decision limit and detection capability of residue control, by hand from the regulation's text."""

from __future__ import annotations

import math

import pytest
from scipy import stats

from validator.errors import StudyError
from validator.evaluation.results import NotAssessed

AT_50 = {
    "precision": [
        {"level": 50, "series": "A", "concentrations": [48.5, 49.5]},
        {"level": 50, "series": "B", "concentrations": [49.5, 50.5]},
        {"level": 50, "series": "C", "concentrations": [50.5, 51.5]},
    ],
    "recovery": [{"level": 50, "found": [48.5, 49.5, 50.5, 49.5]}],
}
AT_100 = {
    "precision": [
        {"level": 100, "series": "A", "concentrations": [97, 99]},
        {"level": 100, "series": "B", "concentrations": [99, 101]},
        {"level": 100, "series": "C", "concentrations": [101, 103]},
    ],
    "recovery": [{"level": 100, "found": [97, 99, 101, 99]}],
}


def divided(block, by):
    """The same runs with levels and results *by* times smaller."""

    def smaller(value):
        if isinstance(value, list):
            return [one / by for one in value]
        return value / by if isinstance(value, int | float) else value

    return {name: [{k: smaller(v) for k, v in run.items()} for run in runs] for name, runs in block.items()}


@pytest.fixture
def limits(record_of, described):
    """Decision limit and detection capability of an analyte in µg/kg, from blocks of runs."""

    def limits(*blocks, criteria=(), guidance=(), **analyte):
        runs = {"precision": [], "recovery": []}
        for block in blocks:
            for name, some in block.items():
                runs[name].extend(some)
        found = record_of(
            described(
                analytes=[
                    {"id": "x", "name": "residue", "unit": "µg/kg", "signal": "area", "signal_unit": "1"}
                    | analyte
                ],
                criteria=list(criteria),
                guidance=list(guidance),
                **{name: {"runs": some} for name, some in runs.items() if some},
            )
        )
        return found.decision_limit, found.detection_capability

    return limits


def test_permitted_substance(limits):
    """Regulation (EU) 2021/808, Annex I 2.6 (2)(a)(ii), method 2, by hand.

    "CCα = MRL (or ML) + k(one-sided, 95 %) × (combined) standard measurement uncertainty", k = 1.64, seen
    in a reprint of the text consolidated on 20 August 2024. Pairs with variance 2 in each of three series
    whose means are 98, 100 and 102: s_r² = 2, s_b² = (2·4 − 2)/2 = 3, s_wR² = 5. Found on average 99 of 100,
    variance of the mean 8/3/4 = 2/3: part of trueness 1 + 2/3. u² = 5 + 5/3 = 20/3.
    """
    decision, capability = limits(AT_100, status="permitted", legal_limit=100)

    assert decision.standard_uncertainty == pytest.approx(math.sqrt(20 / 3), rel=1e-9)
    assert decision.value.value == pytest.approx(100 + 1.64 * math.sqrt(20 / 3), rel=1e-9)  # 104.23
    assert (decision.base, decision.base_is, decision.factor) == (100, "legal_limit", 1.64)
    assert capability is None


def test_unauthorised_substance(limits):
    """Regulation (EU) 2021/808, Annex I 2.6 (1)(c), method 3, by hand.

    "CCα = LCL + k(one-sided, 99 %) × (combined) standard measurement uncertainty at LCL", k = 2.33, seen in
    a reprint. At 0.5 µg/kg the results of 50 divided by 100: s_wR² = 0.5 + 0.75 = 1.25, bias² 0.25, variance
    of the mean 2/3/4 = 1/6, in all 5/3 of 10⁻⁴.
    """
    decision, _ = limits(divided(AT_50, 100), status="unauthorised", lowest_calibrated_level=0.5)

    assert decision.value.value == pytest.approx(0.5 + 2.33 * math.sqrt(5 / 3) / 100, rel=1e-9)  # 0.5301
    assert (decision.base_is, decision.error) == ("lowest_calibrated_level", 0.01)


def test_detection_capability_of_a_screening(limits):
    """Regulation (EU) 2021/808, Annex I 2.7 (2)(c), method 3, by hand.

    "CCβ = STC + k(one-sided, 95 %) × (combined) standard measurement uncertainty at or above STC", seen in a
    reprint: 50 + 1.64 · √(5/3). The repealed Decision 2002/657/EC had the limit and 3.28 standard deviations,
    which never lies below the limit.
    """
    _, capability = limits(AT_50, AT_100, status="permitted", legal_limit=100, screening_target=50)

    assert capability.value.value == pytest.approx(50 + 1.64 * math.sqrt(5 / 3), rel=1e-9)  # 52.12
    assert capability.value.value < 100
    assert capability.precision_level == capability.trueness_level == 50


def test_a_level_above_the_target_speaks_for_it(limits):
    """Results at 50 serve a target of 40 ("at or above STC"), not one of 20 (too far) or 60 (below it)."""
    above, far, below = (
        limits(AT_50, status="permitted", legal_limit=100, screening_target=target)[1]
        for target in (40, 20, 60)
    )

    assert above.value.value == pytest.approx(40 + 1.64 * math.sqrt(5 / 3), rel=1e-9)
    assert far.not_assessed == below.not_assessed == "no precision was determined at the screening target"


def test_interval_is_that_of_the_reproducibility(limits):
    """Chi-squared interval of s_wR (scipy) with the part of trueness as it was found."""
    decision, _ = limits(AT_100, status="permitted", legal_limit=100)
    nu, s = decision.value.degrees_of_freedom, math.sqrt(5)

    for share, end in zip((0.975, 0.025), decision.value.ci, strict=True):
        sd = s * math.sqrt(nu / stats.chi2.ppf(share, nu))
        assert end == pytest.approx(100 + 1.64 * math.sqrt(sd**2 + 5 / 3), rel=1e-9)
    # bounds for a limit on one side
    assert decision.value.ci[0] < decision.value.one_sided[0] < decision.value.value
    assert decision.value.value < decision.value.one_sided[1] < decision.value.ci[1]


ONE_SERIES = {
    "precision": [{"level": 100, "series": "A", "concentrations": [97, 99, 101, 103]}],
    "recovery": AT_100["recovery"],
}


@pytest.mark.parametrize(
    ("blocks", "analyte", "reason", "needs"),
    [
        (
            [ONE_SERIES],
            {"status": "permitted", "legal_limit": 100},
            "only repeatability is known at the legal limit; it does not include the variation between "
            "series",
            "results of at least 2, preferably 3 or more, series at the legal limit",
        ),
        (
            [{"precision": AT_100["precision"]}],
            {"status": "permitted", "legal_limit": 100},
            "no recovery data were provided",
            "recoveries, or results of a reference material, at the legal limit",
        ),
        (
            [{"precision": AT_100["precision"], "recovery": AT_50["recovery"]}],
            {"status": "permitted", "legal_limit": 100},
            "no trueness was determined at the legal limit",
            "at least 2 recoveries, or results of a reference material, at the legal limit",
        ),
        (
            [AT_50],
            {"status": "permitted", "legal_limit": 100},
            "no precision was determined at the legal limit",
            "results of at least 2, preferably 3 or more, series at the legal limit",
        ),
        ([AT_50], {"status": "permitted"}, "the legal limit is not stated", "key legal_limit"),
        (
            [AT_50],
            {"status": "unauthorised"},
            "the lowest calibrated level is not stated",
            "key lowest_calibrated_level",
        ),
    ],
)
def test_what_is_missing_is_said(limits, blocks, analyte, reason, needs):
    """Repeatability alone, or no trueness, carries no decision limit."""
    decision, _ = limits(*blocks, **analyte)

    assert decision == NotAssessed(not_assessed=reason, needs=needs)


def test_results_that_do_not_differ_carry_no_limit(limits):
    """Without any variation the intermediate precision is not known either."""
    equal = [{"level": 100, "series": s, "concentrations": [100, 100]} for s in "ABC"]

    decision, _ = limits(
        {"precision": equal, "recovery": AT_100["recovery"]}, status="permitted", legal_limit=100
    )

    assert isinstance(decision, NotAssessed)


def test_nothing_is_computed_where_nobody_asks(limits):
    """A legal limit alone makes no residue; a criterion or guidance that asks is told what is missing."""
    assert limits(AT_100, legal_limit=100) == (None, None)

    asked, _ = limits(AT_100, legal_limit=100, criteria=[{"characteristic": "decision_limit", "max": 110}])
    by_guidance, _ = limits(AT_100, legal_limit=100, guidance=["eu-2021-808"])
    assert asked == by_guidance
    assert asked.not_assessed == "the status of the substance is not stated"


def test_they_never_stand_for_a_detection_limit(record_of, described):
    """Neither fills the detection or the quantification limit, and neither is a variant of them."""
    found = record_of(
        described(
            analytes=[
                {"id": "x", "name": "x", "unit": "µg/kg", "signal": "area", "signal_unit": "1"}
                | {"status": "permitted", "legal_limit": 100, "screening_target": 50}
            ],
            guidance=["eu-2021-808"],
            precision={"runs": AT_50["precision"] + AT_100["precision"]},
            recovery={"runs": AT_50["recovery"] + AT_100["recovery"]},
        )
    )

    limits = {found.decision_limit.value.value, found.detection_capability.value.value}
    shown = found.detection if isinstance(found.detection, NotAssessed) else found.detection.variants
    assert not any(str(limit) in str(shown) for limit in limits)
    assert "decision_limit" not in str(shown)


def test_levels_in_another_unit(limits):
    """The levels of residue control may be written with a unit of their own, as a legal limit may."""
    decision, capability = limits(
        AT_50,
        AT_100,
        status="permitted",
        legal_limit={"value": 0.1, "unit": "mg/kg"},
        screening_target={"value": 0.05, "unit": "mg/kg"},
    )

    assert decision.base == pytest.approx(100)
    assert capability.base == pytest.approx(50)


@pytest.mark.parametrize(
    ("analyte", "message"),
    [
        (
            {"status": "unauthorised", "legal_limit": 100},
            "an unauthorised substance has no legal limit; write reference_point_for_action or nothing",
        ),
        (
            {"status": "permitted", "reference_point_for_action": 1},
            "a permitted substance has no reference point for action; write legal_limit",
        ),
        ({"status": "forbidden"}, "status"),
    ],
)
def test_levels_that_contradict_the_status_are_refused(limits, analyte, message):
    """The message names the key and says what to write."""
    with pytest.raises(StudyError, match=message):
        limits(AT_100, **analyte)


@pytest.mark.parametrize(
    ("status", "key"), [("permitted", "legal_limit"), ("unauthorised", "lowest_calibrated_level")]
)
def test_a_study_limits_them_from_both_sides(judged, described, status, key):
    """``min`` and ``max`` of a criterion are in the unit of the analyte; each side decides."""

    def outcomes(**bounds):
        study = described(
            analytes=[
                {"id": "x", "name": "x", "unit": "µg/kg", "signal": "area", "signal_unit": "1"}
                | {"status": status, key: 100, "screening_target": 50}
            ],
            analysis={"decision_rule": "simple"},
            criteria=[
                {"characteristic": name, **bounds} for name in ("decision_limit", "detection_capability")
            ],
            precision={"runs": AT_50["precision"] + AT_100["precision"]},
            recovery={"runs": AT_50["recovery"] + AT_100["recovery"]},
        )
        return [one.outcome for one in judged(study)[1].assessment.findings]

    assert outcomes(max=200) == outcomes(min=10) == ["meets", "meets"]
    assert outcomes(max=60) == ["does not meet", "meets"]
    assert outcomes(min=60) == ["meets", "does not meet"]
    assert outcomes(max=52) == ["does not meet", "does not meet"]
