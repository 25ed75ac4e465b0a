"""Whatever reads can be evaluated, assessed, written and read back: no error and no warning.

The studies are as odd as a reader lets through: repeats, exclusions, zeros, equal values, extreme numbers,
blocks that do not fit each other.
"""

from __future__ import annotations

import json
from typing import get_args

from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from validator.evaluation.results import Verdict
from validator.evaluation.serialise import from_json, to_json

ODD = st.sampled_from([0.0, 1.0, 1.0, 5.0, -1.0, 0.3, 1e-12, 1e12, 1e-40, 1e40])
USUAL = st.integers(80, 120).map(lambda percent: 5 * percent / 100)
NUMBER = st.one_of(USUAL, USUAL, USUAL, ODD)
POSITIVE = NUMBER.map(lambda number: abs(number) or 1.0)
NUMBERS = st.lists(NUMBER, min_size=1, max_size=4)
CENSORED = st.lists(st.sampled_from(["<0.5", 0.1, 0.2, "<1"]), min_size=1, max_size=4)


def sometimes(strategy):
    """The value now and then, else nothing; nothing is left out of the run."""
    return st.one_of(st.none(), st.none(), st.none(), strategy)


def runs(most, **fields):
    """A block of runs with these fields and, now and then, what every run may have."""
    common = {
        "series": sometimes(st.sampled_from("ab")),
        "device": sometimes(st.sampled_from("de")),
        "operator": sometimes(st.sampled_from("fg")),
        "date": sometimes(st.sampled_from(["2026-03-02", "2026-03-03"])),
        "preparation": sometimes(st.sampled_from(["independent", "repeated_reading"])),
        "preparation_id": sometimes(st.sampled_from("12")),
        "matrix": sometimes(st.sampled_from(["tap water", "sea water"])),
        "configuration": sometimes(st.sampled_from(["film", "bare"])),
        "excluded": sometimes(st.just("spilled")),
    }
    one = st.fixed_dictionaries({**common, **fields}).map(flat)
    return st.fixed_dictionaries({"runs": st.lists(one, min_size=1, max_size=most)})


def flat(run):
    """Alternatives (fields that come together) joined to the run, absent fields left out."""
    run.update(run.pop("either", {}))
    return {name: value for name, value in run.items() if value is not None}


def either(*alternatives):
    return st.one_of([st.fixed_dictionaries(fields) for fields in alternatives])


READINGS = either({"signals": NUMBERS}, {"concentrations": NUMBERS})
BLOCKS = {
    "calibration": runs(
        14,
        level=st.one_of(st.sampled_from([0, 1, 2, 4, 8]), st.sampled_from([0, 1, 2, 4, 8]), POSITIVE),
        signals=NUMBERS,
        level_uncertainty=sometimes(POSITIVE),
    ),
    "blanks": runs(
        8, either=either({"signals": NUMBERS}, {"concentrations": NUMBERS}, {"concentrations": CENSORED})
    ),
    "low_level": runs(8, level=st.sampled_from([0.5, 1]), either=READINGS),
    "precision": runs(
        10, level=st.sampled_from([1, 5, 9]), laboratory=sometimes(st.sampled_from("AB")), either=READINGS
    ),
    "recovery": runs(
        6,
        found=NUMBERS,
        either=either(
            {"native": NUMBER, "added": POSITIVE},
            {"reference": POSITIVE},
            {"level": st.sampled_from([5, 9])},
        ),
    ),
    "interference": runs(
        6,
        interferent=st.sampled_from(["copper", "iron"]),
        analyte_level=POSITIVE,
        reference=NUMBERS,
        found=NUMBERS,
        either=either(
            {"ratio": st.sampled_from([1, 10])},
            {"interferent_level": POSITIVE, "interferent_unit": st.just("mg/L")},
        ),
    ),
    "noise": runs(
        2,
        level=POSITIVE,
        signal_height=POSITIVE,
        noise=POSITIVE,
        noise_kind=st.sampled_from(["peak_to_peak", "rms"]),
    ),
}
CHOICES = st.fixed_dictionaries(
    {
        "calibration": st.fixed_dictionaries(
            {
                "model": st.sampled_from(["linear", "linear_through_origin", "quadratic"]),
                "weighting": st.sampled_from(["none", "1/x", "1/x^2", "1/s^2", "1/s^2 smoothed", "auto"]),
            }
        ),
        "decision_rule": st.sampled_from(["guarded", "simple"]),
    },
    optional={
        "detection_limit": st.sampled_from(
            ["blank_3s", "residual_3.3", "epa_mdl", "lob_lod", "currie", "iso_11843", "hubaux_vos"]
        ).map(lambda variant: {"variant": variant}),
        "confidence": st.sampled_from([0.6, 0.99]),
    },
)
CRITERIA = st.lists(
    st.sampled_from(
        [
            {"characteristic": "repeatability", "rsd_max": 5},
            {"characteristic": "repeatability", "rsd_max": 5, "at": 5},
            {"characteristic": "reproducibility", "rsd_max": 5},
            {"characteristic": "recovery", "min": 90, "max": 110},
            {"characteristic": "trueness", "max": 5},
            {"characteristic": "interference", "max": 5, "at": 10},
            {"characteristic": "quantification_limit", "max": 1},
            {"characteristic": "working_range", "min": 1, "max": 10},
        ]
    ),
    max_size=4,
)
GUIDANCE = st.lists(
    st.sampled_from(["iupac-single-laboratory-2002", "ich-q2r2-2023", "sante-11312-2021", "eu-2021-808"]),
    max_size=2,
    unique=True,
)


@given(
    blocks=st.fixed_dictionaries({}, optional=BLOCKS),
    choices=CHOICES,
    criteria=CRITERIA,
    guidance=GUIDANCE,
    unit=st.sampled_from(["mg/L", "µg/kg", "FNU"]),
)
@settings(
    max_examples=30,
    deadline=None,
    derandomize=True,
    suppress_health_check=[
        HealthCheck.function_scoped_fixture,
        HealthCheck.too_slow,
        HealthCheck.data_too_large,
    ],
)
def test_any_study_that_reads_has_results(judged, described, blocks, choices, criteria, guidance, unit):
    """Results for every analyte and configuration, a verdict, and a file that is read back as it was."""
    study = described(
        guidance=guidance,
        unit=unit,
        configurations=["film", "bare"],
        analysis=choices,
        criteria=criteria,
        **blocks,
    )
    study["method"]["configurations"][0]["active_area"] = {"value": 0.5, "unit": "cm²"}

    _, results = judged(study)

    text = to_json(results)
    assert from_json(text) == results
    assert set(json.loads(text)["analytes"]["x"]["configurations"]) == {"film", "bare"}
    assert results.assessment.verdict in get_args(Verdict)
    assert len([one for one in results.assessment.findings if one.own]) >= len(criteria)
