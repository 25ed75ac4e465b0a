"""What ``plan`` foretells for the main example is what ``report`` gives on data of the same assumptions.

The data are drawn here by other code, written to study files as a laboratory would, and read and evaluated
as any study; nothing of the planning room takes part in that.
"""

from __future__ import annotations

import math

import numpy as np
import pytest

from validator import evaluate, read_study
from validator.planning.outcomes import widths
from validator.planning.simulating import Simulator, Truth
from validator.planning.trials import Trials, figures
from validator.resources import examples_folder
from validator.statistics.sample import median

FORETOLD, DONE = 90, 45
STANDARD_ERRORS = 4


@pytest.fixture(scope="module")
def example():
    return read_study(examples_folder() / "irrigation_water_cadmium_zinc")


def head_of(example, analyte):
    """The part of the example that decides how data are evaluated."""
    described = example.analyte(analyte).model_dump(mode="json", exclude_unset=True, by_alias=True)
    analysis = example.analysis.model_dump(mode="json", exclude_unset=True)
    return {
        "format": "validation-study/1",
        "study": {"title": "drawn"},
        "method": {"analytes": [described]},
        "analysis": analysis,
    }


def drawn(example, analyte, rng, study_of):
    """A study with data of the plan's assumptions; its results are read from its own calibration."""
    plan = example.plan.for_analyte(analyte)
    true = plan.assumed

    def signal(content, factor):
        height = true.slope * content
        noise = math.sqrt(true.signal_sd**2 + (true.signal_rsd_percent / 100 * height) ** 2)
        return true.intercept + height * factor + noise * rng.standard_normal()

    def series(block):
        for number in range(block.series):
            yield f"S{number}", 1 + true.between_series_rsd_percent / 100 * rng.standard_normal()

    calibration = [
        {
            "series": name,
            "level": level,
            "signals": [signal(level, f) for _ in range(plan.calibration.replicates)],
        }
        for name, f in series(plan.calibration)
        for level in plan.calibration.levels
    ]
    blanks = [
        {"series": name, "signals": [signal(0.0, f) for _ in range(plan.blanks.replicates)]}
        for name, f in series(plan.blanks)
    ]
    head = head_of(example, analyte)
    line = evaluate(study_of({**head, "calibration": {"runs": calibration}}))
    fitted = line.analytes[analyte].configurations["default"].calibration

    def found(content, factor):
        return (
            signal(true.recovery_percent / 100 * content, factor) - fitted.intercept.value
        ) / fitted.slope.value

    precision = [
        {
            "series": name,
            "level": level,
            "concentrations": [found(level, f) for _ in range(plan.precision.replicates)],
        }
        for name, f in series(plan.precision)
        for level in plan.precision.levels
    ]
    recovery = []
    for name, f in series(plan.recovery):
        for level in plan.recovery.levels:
            recovery += [
                {"series": name, "matrix": matrix, "native": 0, "added": level, "found": [found(level, f)]}
                for matrix in plan.recovery.matrices
            ]
        recovery += [
            {"series": name, "reference": value, "found": [found(value, f)]}
            for value in plan.recovery.references
        ]
    return study_of(
        {
            **head,
            "calibration": {"runs": calibration},
            "blanks": {"runs": blanks},
            "precision": {"runs": precision},
            "recovery": {"runs": recovery},
        }
    )


def standard_error(estimate):
    """Of a median, from its interval between order statistics."""
    return (estimate.interval.upper - estimate.interval.lower) / (2 * 1.96)


@pytest.mark.parametrize("analyte", ["cd", pytest.param("zn", marks=pytest.mark.slow)])
def test_foretold_widths_are_those_of_the_report(example, analyte, study_of):
    """Every interval of every figure: the medians of the half-widths agree within the error of both."""
    choices = example.plan.for_analyte(analyte)
    simulator = Simulator.of(example, analyte, choices, Truth(assumed=choices.assumed))
    trials = Trials(simulator=simulator, profiles=(), purpose="judgement", seed=(7, 0))
    rng = np.random.default_rng(20251125)

    foretold = {one.key: one for one in widths(trials.run(FORETOLD))}
    done = [
        figures(evaluate(drawn(example, analyte, rng, study_of)).analytes[analyte].configurations["default"])
        for _ in range(DONE)
    ]

    assert set(foretold) == set(done[0])
    # slope, intercept, two limits, two figures at three levels, seven recoveries
    assert len(foretold) == 2 + 2 + 6 + 7
    ratios = []
    for key, one in foretold.items():
        halves = median([figures_of_one[key].half_width for figures_of_one in done])
        error = math.hypot(standard_error(halves), standard_error(one.half_width))
        assert halves.value == pytest.approx(one.half_width.value, abs=STANDARD_ERRORS * error), key
        # the check must be able to fail: no error may be as large as the width itself
        assert STANDARD_ERRORS * error < 0.6 * one.half_width.value, key
        ratios.append(math.log(halves.value / one.half_width.value))
    # all figures together are sharper than each alone
    assert abs(sum(ratios) / len(ratios)) < 0.1
