"""What must not matter does not: units, the order of runs, a constant under every signal.

Small studies go through the whole engine: read, evaluated, assessed, written.
"""

from __future__ import annotations

import json
import random

import numpy as np
import pytest
from hypothesis import HealthCheck, Phase, given, settings
from hypothesis import strategies as st

from validator.evaluation.serialise import to_json

FEW = settings(
    max_examples=12,
    deadline=None,
    suppress_health_check=[HealthCheck.function_scoped_fixture],
    derandomize=True,
    phases=(Phase.generate,),  # a study is slow to shrink, and its seed says enough
)
SEEDS = st.integers(0, 10**6)
WEIGHTINGS = st.sampled_from(["none", "1/x", "1/x^2", "1/s^2 smoothed", "auto"])
FACTORS = st.sampled_from([1e-9, 1e-3, 2.54, 1e3, 1e6])
TIGHT = 1e-7
"""Relative: the rounding of some hundred operations, with room for sums that cancel."""


def blocks(seed, weighting, *, signal=1.0, level=1.0, offset=0.0):
    """A study of every block, its signals and levels in other units, *offset* under every signal."""
    rng = np.random.default_rng(seed)
    levels = [1.0, 2.0, 4.0, 6.0, 8.0, 10.0]
    slope = rng.uniform(0.05, 2.0)
    scatter = slope * rng.uniform(0.02, 0.08)

    def signals(x, n):
        noise = scatter * (0.3 + 0.1 * x) * rng.standard_normal(n)
        return [float(signal * (y + offset)) for y in 0.1 * slope + slope * x + noise]

    def concentrations(x, n, shift=0.0):
        return [float(level * y) for y in x * (1 + shift) * (1 + 0.03 * rng.standard_normal(n))]

    days = [(f"day {day}", 0.02 * rng.standard_normal()) for day in range(1, 5)]
    return {
        "analysis": {"calibration": {"weighting": weighting}, "detection_limit": {"variant": "blank_3s"}},
        "criteria": [
            {"characteristic": "repeatability", "rsd_max": 5},
            {"characteristic": "recovery", "min": 95, "max": 105},
            {"characteristic": "quantification_limit", "max": 0.5 * level},
        ],
        "calibration": {"runs": [{"level": level * x, "signal": y} for x in levels for y in signals(x, 3)]},
        "blanks": {"runs": [{"signal": y, "series": f"day {i % 3}"} for i, y in enumerate(signals(0.0, 10))]},
        "low_level": {
            "runs": [
                {"level": level * 0.5, "concentrations": concentrations(0.5, 3), "series": f"day {day}"}
                for day in range(3)
            ]
        },
        "precision": {
            "runs": [
                {"level": level * x, "day": day, "concentrations": concentrations(x, 3, shift)}
                for x in (2.0, 8.0)
                for day, shift in days
            ]
            + [{"level": level * 5.0, "day": day, "signals": signals(5.0, 2)} for day, _ in days]
        },
        "recovery": {
            "runs": [
                {"native": level, "added": level * x, "found": concentrations(1 + x, 4), "matrix": "river"}
                for x in (2.0, 5.0)
            ]
        },
        "interference": {
            "runs": [
                {
                    "interferent": "copper(II)",
                    "ratio": ratio,
                    "analyte_level": level * 3.0,
                    "found": concentrations(3.0, 4),
                    "reference": concentrations(3.0, 4),
                }
                for ratio in (1, 10, 100)
            ]
        },
    }


@pytest.fixture(scope="module")
def evaluated(judged, described):
    """The results file of a study, as it is read by others; what was read from is left out."""

    def evaluated(study):
        _, results = judged(described(**study))
        content = json.loads(to_json(results))
        del content["inputs"]
        return content

    return evaluated


def record(content):
    return content["analytes"]["x"]["configurations"]["default"]


def values(estimate):
    """Value and ends of an estimate, or None where it was refused."""
    if estimate is None or "not_assessed" in estimate:
        return None
    return [estimate["value"], *(end for end in estimate.get("ci", []) if end is not None)]


def on_the_level_axis(found):
    """Everything in the unit of the level."""
    variants = found["detection"]["variants"]
    limits = {
        f"{name} {limit}": values(variant[limit])
        for name, variant in variants.items()
        for limit in ("critical_level", "detection_limit", "quantification_limit")
        if limit in variant
    }
    assert len(limits) > 10
    sds = {
        f"{kind} at {i}": values(entry[kind])
        for i, entry in enumerate(found["precision"])
        for kind in ("mean", "repeatability_sd", "intermediate_sd")
    }
    spread = {"s_x0": [value] if (value := found["calibration"].get("method_standard_deviation")) else None}
    return limits | sds | spread


def without_unit(found):
    """Everything that is relative, and every test."""
    line = found["calibration"]
    tests = {name: line[name] for name in ("lack_of_fit", "quadratic_test", "normality", "runs_test")}
    tests |= line["homoscedasticity"]
    figures = {
        f"{name} {key}": [value]
        for name, test in tests.items()
        for key, value in test.items()
        if isinstance(value, float)
    }
    figures |= {
        f"{kind} at {i}": values(entry[kind])
        for i, entry in enumerate(found["precision"])
        for kind in ("repeatability_rsd", "intermediate_rsd")
    }
    figures |= {f"recovery {i}": values(one["mean_recovery"]) for i, one in enumerate(found["recovery"])}
    figures |= {f"interference {i}": one["ci"] for i, one in enumerate(found["interference"])}
    relative = line.get("method_standard_deviation_percent")
    return figures | {"r²": [line["r_squared"]], "V_x0": None if relative is None else [relative]}


def assert_scaled(figures, originals, factor):
    """Every figure is *factor* times its original; what was refused is refused again."""
    assert figures.keys() == originals.keys()
    for name, original in originals.items():
        if original is None:
            assert figures[name] is None, name
        else:
            wanted = [factor * value for value in original]
            # an end that is zero but for rounding is compared with the size of its figure
            size = max(abs(value) for value in wanted)
            assert figures[name] == pytest.approx(wanted, rel=TIGHT, abs=TIGHT * size), name


def outcomes(content):
    """Characteristic and outcome of every finding, and the verdict."""
    assessment = content["assessment"]
    assert len(assessment["findings"]) > 4
    return [(one["characteristic"], one["outcome"]) for one in assessment["findings"]] + [
        assessment["verdict"]
    ]


@given(seed=SEEDS, weighting=WEIGHTINGS, factor=FACTORS)
@FEW
def test_the_unit_of_the_signal_does_not_matter(evaluated, seed, weighting, factor):
    """Signals in another unit change slope and intercept; levels, limits, RSDs, tests and outcomes stay."""
    plain, scaled = (evaluated(blocks(seed, weighting, signal=f)) for f in (1.0, factor))

    a, b = record(plain), record(scaled)
    assert_scaled(on_the_level_axis(b), on_the_level_axis(a), 1.0)
    assert_scaled(without_unit(b), without_unit(a), 1.0)
    for coefficient in ("slope", "intercept"):
        one = {"_": values(a["calibration"][coefficient])}
        other = {"_": values(b["calibration"][coefficient])}
        assert_scaled(other, one, factor)
    assert outcomes(scaled) == outcomes(plain)


@given(seed=SEEDS, weighting=WEIGHTINGS, factor=FACTORS)
@FEW
def test_the_unit_of_the_level_scales_what_is_in_it(evaluated, seed, weighting, factor):
    """Levels in another unit scale slope, limits and standard deviations; relative figures stay."""
    plain, scaled = (evaluated(blocks(seed, weighting, level=f)) for f in (1.0, factor))

    a, b = record(plain), record(scaled)
    assert_scaled(on_the_level_axis(b), on_the_level_axis(a), factor)
    assert_scaled(without_unit(b), without_unit(a), 1.0)
    slopes = [{"_": values(one["calibration"]["slope"])} for one in (a, b)]
    assert_scaled(slopes[1], slopes[0], 1 / factor)
    intercepts = [{"_": values(one["calibration"]["intercept"])} for one in (a, b)]
    assert_scaled(intercepts[1], intercepts[0], 1.0)
    assert outcomes(scaled) == outcomes(plain)


@given(seed=SEEDS, weighting=WEIGHTINGS, offset=st.sampled_from([-3.0, 0.5, 20.0]))
@FEW
def test_a_constant_under_every_signal_shifts_the_intercept_only(evaluated, seed, weighting, offset):
    """A constant added to standards, blanks and samples alike moves the intercept by itself, nothing else."""
    plain, shifted = (evaluated(blocks(seed, weighting, offset=c)) for c in (0.0, offset))

    a, b = record(plain), record(shifted)
    for one in (a, b):
        del one["detection"]["variants"]["error_propagation"]  # takes the intercept for itself
    assert_scaled(on_the_level_axis(b), on_the_level_axis(a), 1.0)
    assert_scaled(without_unit(b), without_unit(a), 1.0)
    assert b["calibration"]["slope"]["value"] == pytest.approx(a["calibration"]["slope"]["value"], rel=TIGHT)
    moved = b["calibration"]["intercept"]["value"] - a["calibration"]["intercept"]["value"]
    assert moved == pytest.approx(offset, rel=TIGHT)


def alike(one, other, path=""):
    """The same content, numbers to rounding and points in any order."""
    assert type(one) is type(other), path
    if isinstance(one, dict):
        assert one.keys() == other.keys(), path
        for key in one:
            alike(one[key], other[key], f"{path}.{key}")
    elif isinstance(one, list):
        assert len(one) == len(other), path
        if path.endswith((".points", ".values", ".removed")):
            one, other = (sorted(items, key=json.dumps) for items in (one, other))
        for i, (left, right) in enumerate(zip(one, other, strict=True)):
            alike(left, right, f"{path}[{i}]")
    elif isinstance(one, float):
        assert one == pytest.approx(other, rel=TIGHT, abs=1e-9), path
    else:
        assert one == other, path


@given(seed=SEEDS, weighting=WEIGHTINGS, order=st.integers(0, 10**6))
@FEW
def test_the_order_of_runs_does_not_matter(evaluated, seed, weighting, order):
    """Runs in any order in the file give the same results and the same assessment."""
    study = blocks(seed, weighting)
    shuffled = blocks(seed, weighting)
    for block in shuffled.values():
        if isinstance(block, dict) and "runs" in block:
            random.Random(order).shuffle(block["runs"])

    alike(evaluated(study), evaluated(shuffled))


@given(seed=SEEDS)
@FEW
def test_a_table_beside_the_study_is_the_same_as_runs_in_it(judged, described, seed):
    """One row for each reading in a file, or runs in the study: the results are equal."""
    study = blocks(seed, "none")
    runs = study["calibration"]["runs"]
    table = "level;signal\n" + "".join(f"{run['level']!r};{run['signal']!r}\n" for run in runs)

    _, inside = judged(described(**study))
    _, beside = judged(described(**{**study, "calibration": {"file": "cal.csv"}}), {"cal.csv": table})

    assert beside.analytes == inside.analytes
    assert beside.assessment == inside.assessment
