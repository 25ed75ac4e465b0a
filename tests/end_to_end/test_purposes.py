"""Studies for each purpose and kind of method, judged from what they claim."""

from __future__ import annotations

import copy

import numpy as np
import pytest
import yaml

from validator.assessment import assess
from validator.errors import StudyError
from validator.evaluation import evaluate
from validator.reading import read_study

ANALYTE = {"id": "x", "name": "analyte x", "unit": "mg/kg", "signal": "area", "signal_unit": "1"}
PEOPLE = [{"name": "A. Nother", "role": "prepared"}]


def around(rng, level, rsd, n):
    return [round(float(v), 6) for v in level * (1 + rsd * rng.standard_normal(n))]


def study(**parts):
    """A study with the particulars that a traceable one has (invented data)."""
    identity = {
        "title": "A study",
        "id": "S-1",
        "version": "1",
        "matrix": "apple",
        "period": {"from": "2026-01-12", "to": "2026-02-20"},
        "people": PEOPLE,
        **parts.pop("study", {}),
    }
    method = {
        "procedure": "P-1",
        "analytes": [{**ANALYTE, **parts.pop("analyte", {})}],
        **parts.pop("method", {}),
    }
    analysis = {"decision_rule": "guarded", **parts.pop("analysis", {})}
    return {
        "format": "validation-study/1",
        "study": identity,
        "method": method,
        "analysis": analysis,
        **parts,
    }


def precision(rng, levels, series=6, replicates=3, rsd=0.015):
    return {
        "runs": [
            {
                "level": level,
                "series": f"S{i}",
                "operator": "AB"[i % 2],
                "concentrations": around(rng, level, rsd, replicates),
            }
            for level in levels
            for i in range(series)
        ]
    }


def recovery(rng, levels, series=6, replicates=1, rsd=0.015, matrix="apple"):
    return {
        "runs": [
            {
                "native": 0,
                "added": level,
                "matrix": matrix,
                "series": f"S{i}",
                "found": around(rng, level, rsd, replicates),
            }
            for level in levels
            for i in range(series)
        ]
    }


def calibration(rng, levels):
    return {
        "runs": [
            {
                "level": x,
                "signals": [round(0.1 * x * (1 + 0.004 * float(e)), 6) for e in rng.standard_normal(3)],
            }
            for x in levels
        ]
    }


def blanks(rng, scatter, series, replicates, correction):
    return {
        "runs": [
            {
                "kind": "matrix",
                "blank_correction": correction,
                "series": f"B{i}",
                "signals": [round(scatter * float(e), 6) for e in rng.standard_normal(replicates)],
            }
            for i in range(series)
        ]
    }


CRITERIA = [
    {"characteristic": "repeatability", "rsd_max": 6},
    {"characteristic": "intermediate_precision", "rsd_max": 8},
    {"characteristic": "recovery", "within": [90, 110]},
]


@pytest.fixture(scope="module")
def judged(tmp_path_factory):
    def of(parts):
        folder = tmp_path_factory.mktemp("study")
        (folder / "study.yaml").write_text(
            yaml.safe_dump(parts, allow_unicode=True, sort_keys=False), encoding="utf-8"
        )
        read = read_study(folder)
        return assess(read, evaluate(read)).assessment

    return of


def basic(**parts):
    rng = np.random.default_rng(1)
    return study(
        analyte={"claimed_range": {"from": 2, "to": 9}},
        criteria=copy.deepcopy(CRITERIA),
        precision=precision(rng, (2, 5, 9)),
        recovery=recovery(rng, (2, 5, 9)),
        **parts,
    )


def test_only_own_criteria(judged):
    """Results without a calibration of their own, three own criteria: fit over the claim."""
    found = judged(basic())

    assert found.verdict == "fit", found.reason
    assert found.analytes["x"].range.validated == (2, 9)


def test_a_verification_is_judged_like_a_validation(judged):
    """The same rules; the index of ISO/IEC 17025 stands in both."""
    found = judged(basic(study={"purpose": "verification"}))

    assert found.verdict == "fit"
    assert {one.document for one in found.clauses} == {"ISO/IEC 17025, 2017"}


def test_a_partial_study_speaks_of_what_it_studied(judged):
    """Neither trueness nor the claim is asked for; a criterion outside the scope informs."""
    parts = basic(study={"purpose": "partial", "scope": ["repeatability"]})
    del parts["recovery"]
    parts["precision"]["runs"] = [one for one in parts["precision"]["runs"] if one["level"] == 5]

    found = judged(parts)

    assert found.verdict == "fit"
    assert {one.characteristic for one in found.findings if one.decides} == {"repeatability"}
    assert {one.informs for one in found.findings if not one.decides} == {"outside the scope"}


def test_a_characterisation_has_no_verdict(judged):
    """Whatever its criteria: a paper compares sensors, it declares nothing fit."""
    found = judged(basic(study={"purpose": "characterisation"}))

    assert found.verdict == "not assessed"
    assert "characterises" in found.reason
    assert {one.outcome for one in found.findings} == {"meets"}


def test_an_assay_needs_precision_about_its_specification(judged):
    """Trueness over 80 to 120 %, precision at 100 %: the claim is covered."""
    rng = np.random.default_rng(2)
    parts = study(
        method={"kind": "assay"},
        analyte={"claimed_range": {"from": 80, "to": 120}},
        criteria=copy.deepcopy(CRITERIA),
        calibration=calibration(rng, (60, 80, 100, 120, 140)),
        precision=precision(rng, (100,), rsd=0.005),
        recovery=recovery(rng, (80, 100, 120), rsd=0.005),
    )

    assert judged(parts).verdict == "fit"
    parts["recovery"]["runs"] = [one for one in parts["recovery"]["runs"] if one["added"] != 80]
    assert judged(parts).verdict == "not demonstrated"


def test_a_limit_test_is_decided_by_detection_and_selectivity(judged):
    """Precision, trueness and a range are not asked for."""
    rng = np.random.default_rng(3)
    parts = study(
        method={"kind": "impurity_limit"},
        analyte={"legal_limit": 5},
        analysis={
            "detection_limit": {"variant": "blank_3s"},
            "quantification_limit": {"variant": "blank_3s"},
        },
        criteria=[
            {"characteristic": "detection_limit", "max": 1},
            {"characteristic": "interference", "max": 10},
        ],
        calibration=calibration(rng, (0.5, 1, 2, 5, 8, 10)),
        blanks=blanks(rng, 0.002, series=4, replicates=4, correction="subtracted"),
        interference={
            "runs": [
                {
                    "interferent": "sugar",
                    "ratio": 100,
                    "analyte_level": 5,
                    "found": around(rng, 5, 0.01, 6),
                    "reference": around(rng, 5, 0.01, 6),
                }
            ]
        },
    )

    assert judged(parts).verdict == "fit", judged(parts).reason
    without = {name: part for name, part in parts.items() if name != "interference"}
    assert judged(without).verdict == "not demonstrated"


def test_a_trial_between_laboratories_needs_no_trueness_where_it_defines_what_it_measures(judged):
    """Reproducibility decides; without the stated reason trueness is missed."""
    rng = np.random.default_rng(4)
    parts = study(
        study={"scope": ["repeatability", "reproducibility"]},
        method={"not_required": {"trueness": "the procedure defines what is measured"}},
        criteria=[
            {"characteristic": "repeatability", "rsd_max": 6},
            {"characteristic": "reproducibility", "rsd_max": 12},
        ],
        precision={
            "runs": [
                {
                    "level": level,
                    "laboratory": f"L{i:02}",
                    "concentrations": around(rng, level * (1 + 0.02 * rng.standard_normal()), 0.015, 3),
                }
                for level in (5, 10, 15)
                for i in range(10)
            ]
        },
    )

    assert judged(parts).verdict == "fit", judged(parts).reason
    del parts["method"]["not_required"]
    assert judged(parts).verdict == "not demonstrated"


def test_a_study_that_follows_its_guidance_with_five_replicates(judged):
    """SANTE/11312 as remembered: five levels, spiked levels with five replicates, blanks, matrix.

    Its limits are judged by the estimate, as the document does. That its rules were not compared with the
    text is told; no gap follows from it.
    """
    rng = np.random.default_rng(5)
    parts = study(
        study={"guidance": ["sante-11312-2021"]},
        analyte={"legal_limit": 1.0, "claimed_range": {"from": 0.1, "to": 1.0}},
        criteria=[{"characteristic": "lack_of_fit", "p_min": 0.01}],
        calibration=calibration(rng, (0.05, 0.1, 0.2, 0.5, 1.0, 1.5)),
        blanks=blanks(rng, 0.0001, series=5, replicates=2, correction="none"),
        precision=precision(rng, (0.1, 0.5, 1.0), series=5, replicates=5, rsd=0.05),
        recovery=recovery(rng, (0.1, 0.5, 1.0), series=5, replicates=5, rsd=0.05),
        matrix_calibration={
            "runs": [
                {"matrix": "apple", **one} for one in calibration(rng, (0.1, 0.3, 0.6, 1.0, 1.4))["runs"]
            ]
        },
    )

    found = judged(parts)

    assert found.verdict in ("fit", "fit under conditions"), (found.reason, found.settles)
    assert all(one.remembered for one in found.findings if one.document)
    assert {one.decision_rule for one in found.findings if one.document} == {"simple"}


@pytest.mark.parametrize(
    ("guidance", "entry", "message"),
    [
        (
            "sante-11312-2021",
            {"document": "sante-11312-2021", "rule": "recoverie"},
            "did you mean 'recovery'?",
        ),
        (
            "sante-11312-2021",
            {"document": "iso-5725", "rule": "recovery"},
            "unknown guidance profile of the study",
        ),
        (
            "eu-drinking-water-2020-2184",
            {"document": "eu-drinking-water-2020-2184", "rule": "uncertainty"},
            "is law; its rules cannot be set aside",
        ),
    ],
)
def test_a_rule_that_cannot_be_set_aside_is_refused(judged, guidance, entry, message):
    """An unknown rule, one of another document, and a rule of law: never ignored in silence."""
    reason = {"reason": "not needed", "accepted_by": "I. Brandt", "date": "2026-02-01"}

    with pytest.raises(StudyError, match=message):
        judged(basic(study={"guidance": [guidance], "not_applicable": [{**entry, **reason}]}))


def test_a_rule_set_aside_with_a_reason_is_a_condition(judged):
    """It informs, and the verdict is no better than fit under conditions."""
    aside = {
        "document": "sante-11312-2021",
        "rule": "quantification-limit",
        "reason": "results far above the limit",
        "accepted_by": "I. Brandt",
        "date": "2026-02-01",
    }
    found = judged(basic(study={"guidance": ["sante-11312-2021"], "not_applicable": [aside]}))

    assert found.verdict != "fit"
    assert {one.informs for one in found.findings if one.rule == "quantification-limit"} == {"set aside"}
