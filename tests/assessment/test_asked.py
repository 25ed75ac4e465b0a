"""What a document asks for and the study does not give."""

from __future__ import annotations

import pytest

from validator.assessment.asked import not_measured, not_set, waiting_for_kind
from validator.characteristics.order import CHARACTERISTICS
from validator.guidance import Kind, load_profile

PROFILE = """\
format: guidance-profile/1
id: house-rules
title: House rules
edition: "3"
issuing_body: the laboratory
scope: everything
asked_for: {clause: "1", source: seen, by_kind: {any: %s, screening: [selectivity]}}
requirements:
  - {id: scatter, characteristic: repeatability, clause: "2", source: seen,
     text: A limit is set before the work., user_sets: [repeatability_rsd_percent]}
  - {id: range, characteristic: working_range, kinds: [assay], clause: "3", source: seen,
     text: An assay reaches from 80 to 120 percent of its specification.}
"""


@pytest.fixture
def under_house_rules(judged, described):
    """A study, its results, and a profile that asks for *characteristics*."""

    def under_house_rules(characteristics=tuple(CHARACTERISTICS), **blocks):
        listed = f"[{', '.join(characteristics)}]"
        study, results = judged(
            described(guidance=["house-rules"], **blocks), {"house-rules.yaml": PROFILE % listed}
        )
        return study, results, load_profile("house-rules", search_folders=(study.folder,))

    return under_house_rules


def test_an_empty_study_misses_every_characteristic(under_house_rules):
    """Each of them is looked for in the results, and each refusal says what it takes."""
    found = not_measured(*under_house_rules())

    assert [one.characteristic for one in found] == list(CHARACTERISTICS)
    assert all(one.refusal.not_assessed and one.refusal.needs for one in found)


@pytest.mark.parametrize(
    ("blocks", "measured"),
    [
        ({"recovery": {"runs": [{"level": 5, "found": [5, 5.1]}]}}, {"trueness", "recovery"}),
        (
            {"precision": {"runs": [{"level": 5, "concentrations": [5, 5.1, 4.9]}]}},
            {"repeatability"},
        ),
        (
            {
                "precision": {
                    "runs": [
                        {"level": 5, "series": name, "concentrations": [5, 5.1, 4.9]} for name in ("A", "B")
                    ]
                }
            },
            {"repeatability", "intermediate_precision", "uncertainty"},
        ),
        (
            {
                "calibration": {
                    "runs": [
                        {"level": level, "signal": 0.1 * level + 0.001 * level**2} for level in range(1, 7)
                    ]
                }
            },
            {
                *("linearity", "residual_pattern", "working_range", "sensitivity"),
                *("detection_limit", "quantification_limit"),
            },
        ),
    ],
)
def test_what_was_measured_is_missed_no_more(under_house_rules, blocks, measured):
    """Single standards give no test of lack of fit, one series no intermediate precision."""
    missed = {one.characteristic for one in not_measured(*under_house_rules(**blocks))}

    assert set(CHARACTERISTICS) - missed == measured


@pytest.mark.parametrize(
    ("criterion", "missing"),
    [
        ({"characteristic": "repeatability", "rsd_max": 5}, []),
        ({"characteristic": "intermediate_precision", "max": 0.3}, []),
        ({"characteristic": "recovery", "min": 90}, ["repeatability"]),
    ],
)
def test_a_limit_on_a_related_characteristic_is_a_limit(under_house_rules, criterion, missing):
    """Repeatability is limited by a limit on intermediate precision, not by one on recovery."""
    study, results, profile = under_house_rules(criteria=[criterion])

    found = not_set(study, profile, results.assessment.findings)

    assert [one.rule.characteristic for one in found] == missing


def test_a_limit_that_does_not_decide_is_no_limit(judged, described):
    """What is only customary leaves the limit to the user."""
    study, results = judged(
        described(
            guidance=["iupac-single-laboratory-2002", "electroanalysis-sensor-practice"],
            precision={"runs": [{"level": 5, "concentrations": [5, 5.1, 4.9]}]},
        )
    )

    found = not_set(study, load_profile("iupac-single-laboratory-2002"), results.assessment.findings)

    assert "repeatability" in {one.rule.characteristic for one in found}


def test_rules_wait_for_the_kind_until_it_is_stated(under_house_rules):
    """Kinds that the document tells apart, in rules or in what it asks for."""
    study, _, profile = under_house_rules()

    assert waiting_for_kind(study, profile) == (Kind.ASSAY, Kind.SCREENING)
    stated = study.model_copy(update={"method": study.method.model_copy(update={"kind": "assay"})})
    assert waiting_for_kind(stated, profile) == ()
