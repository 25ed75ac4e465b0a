"""Simulated studies follow the stated model and are the studies that files would make."""

from __future__ import annotations

import numpy as np
import pytest

from validator import evaluate
from validator.planning.simulating import Simulator, Truth

ASSUMED = {
    "slope": 2.0,
    "intercept": 0.5,
    "signal_sd": 0.3,
    "signal_rsd_percent": 4,
    "between_series_rsd_percent": 5,
    "recovery_percent": 90,
}


def simulator_of(study, **truth):
    choices = study.plan.for_analyte("x")
    return Simulator.of(study, "x", choices, Truth(assumed=choices.assumed, **truth))


def test_signals_have_the_stated_mean_and_variances(planned):
    """Many series of one level: mean a + b·x, within-series variance s0² + (θbx)², between b²x²τ²."""
    plan = {"calibration": {"levels": [10], "series": 600, "replicates": 8}, "assumed": ASSUMED}
    study = simulator_of(planned(plan)).study(np.random.default_rng(1))

    signals = np.array([run.signals for run in study.calibration.runs])

    within = 0.3**2 + (0.04 * 20) ** 2
    assert signals.shape == (600, 8)
    # standard errors of a mean and of variances, four times
    assert signals.mean() == pytest.approx(20.5, abs=4 * np.sqrt((1 + within / 8) / 600))
    assert signals.var(axis=1, ddof=1).mean() == pytest.approx(within, rel=4 * np.sqrt(2 / (600 * 7)))
    between = 1.0 + within / 8
    assert signals.mean(axis=1).var(ddof=1) == pytest.approx(between, rel=4 * np.sqrt(2 / 599))


def test_blanks_have_the_scatter_at_zero_alone(planned):
    """Neither the proportional part nor the series touch a signal of nothing."""
    plan = {"blanks": {"series": 50, "replicates": 40}, "assumed": ASSUMED}
    study = simulator_of(planned(plan)).study(np.random.default_rng(2))

    signals = np.array([run.signals for run in study.blanks.runs])

    assert signals.mean() == pytest.approx(0.5, abs=4 * 0.3 / np.sqrt(2000))
    assert signals.std() == pytest.approx(0.3, rel=4 / np.sqrt(4000))


def test_samples_recover_what_is_assumed_and_calibrators_do_not(planned):
    """Without a planned calibration results are read from the true line: 90 % of what was added."""
    plan = {
        "recovery": {"levels": [10], "series": 400, "replicates": 2, "references": [20]},
        "precision": {"levels": [10], "series": 400, "replicates": 2},
        "assumed": ASSUMED,
    }
    study = simulator_of(planned(plan)).study(np.random.default_rng(3))

    spiked = np.array([run.found for run in study.recovery.runs if run.kind == "spike"])
    certified = np.array([run.found for run in study.recovery.runs if run.kind == "reference_material"])
    precise = np.array([run.concentrations for run in study.precision.runs])

    for found, level in ((spiked, 10), (certified, 20), (precise, 10)):
        means = found.mean(axis=1)
        assert means.mean() == pytest.approx(0.9 * level, abs=4 * means.std() / np.sqrt(400))


def test_curvature_lowers_the_highest_level_by_the_stated_share(planned):
    """Ten percent at the top, half of it in the middle, next to nothing at the bottom."""
    plan = {
        "calibration": {"levels": [1, 50, 100], "replicates": 2},
        "assumed": {"slope": 1, "signal_sd": 1e-9},
    }
    study = simulator_of(planned(plan), curvature=0.1).study(np.random.default_rng(4))

    heights = [run.signals[0] for run in study.calibration.runs]

    assert heights == pytest.approx([1 * 0.999, 50 * 0.95, 100 * 0.9], abs=1e-6)


def test_a_simulated_study_evaluates_as_one_read_from_files(planned, study_of):
    """Written to YAML and read again, the same study gives the same figures for every block."""
    plan = {
        "calibration": {"levels": [1, 5, 10, 20, 40], "series": 2, "replicates": 2},
        "blanks": {"series": 2, "replicates": 5},
        "low_level": {"levels": [2], "replicates": 4},
        "precision": {"levels": [10], "series": 3, "replicates": 2},
        "recovery": {"levels": [10], "series": 3, "matrices": ["tap", "well"], "references": [15]},
        "assumed": ASSUMED,
    }
    made = simulator_of(planned(plan)).study(np.random.default_rng(5))
    written = {
        block: {"runs": [run.model_dump(mode="json", exclude_unset=True, exclude_none=True) for run in runs]}
        for block in plan
        if block != "assumed" and (runs := made.runs(block))
    }

    head = made.model_dump(mode="json", exclude_unset=True, exclude_none=True, exclude=set(written))
    head["study"].pop("guidance", None)
    read = study_of({**head, **written})

    assert evaluate(read).analytes == evaluate(made).analytes


def test_a_simulation_leaves_out_what_belongs_to_other_analytes(described, study_of):
    """Criteria of another analyte or configuration, the other analyte itself, and data already there."""
    study = study_of(
        described(
            analytes=[
                {"id": name, "name": name, "unit": "mg/L", "signal": "signal", "signal_unit": "1"}
                for name in ("x", "y")
            ],
            criteria=[
                {"characteristic": "repeatability", "rsd_max": 5},
                {"characteristic": "repeatability", "rsd_max": 5, "analyte": "y"},
                {"characteristic": "repeatability", "rsd_max": 5, "configuration": "default"},
            ],
            plan={"blanks": {"replicates": 4}, "assumed": {"slope": 1, "signal_sd": 1}},
            blanks={"runs": [{"analyte": "x", "signals": [9.0, 9.0]}]},
            interference={
                "runs": [
                    {
                        "analyte": "x",
                        "interferent": "iron",
                        "ratio": 1,
                        "ratio_kind": "mass",
                        "analyte_level": 1,
                        "reference": [1, 1.1],
                        "found": [1, 1.2],
                    }
                ]
            },
        )
    )

    made = simulator_of(study).study(np.random.default_rng(6))

    assert made.analyte_ids == ("x",)
    assert [one.analyte for one in made.criteria] == [None, None]
    assert len(made.blanks.runs[0].signals) == 4
    assert made.interference is None
    assert made.plan is None
