"""A trial leaves out what decides nothing, and says the same as the whole report."""

from __future__ import annotations

import pytest

from validator import evaluate
from validator.guidance import load_profile, profile_names
from validator.planning import trials as module
from validator.planning.simulating import Simulator, Truth
from validator.planning.trials import Trials

PLAN = {
    "calibration": {"levels": [1, 2, 4, 8, 16], "replicates": 3},
    "blanks": {"series": 3, "replicates": 4},
    "low_level": {"levels": [0.5], "series": 3, "replicates": 4},
    "precision": {"levels": [1, 8], "series": 4, "replicates": 3},
    "recovery": {"levels": [1, 8], "series": 4, "references": [5]},
    "assumed": {"slope": 1.0, "signal_sd": 0.1, "signal_rsd_percent": 2},
}
ANALYTE = {
    "id": "x",
    "name": "analyte x",
    "unit": "mg/L",
    "signal": "signal",
    "signal_unit": "1",
    "legal_limit": 8,
}


APPROACH = {"quantification_limit": {"variant": "blank_3s"}}


@pytest.fixture(scope="module")
def study(planned):
    """Every block that a plan speaks of, and a legal limit; the approach to the limits is chosen."""
    return planned_by(planned, analysis=APPROACH)


@pytest.fixture(scope="module")
def undeclared(planned):
    """The same study, in which nobody chose the approach to the limits."""
    return planned_by(planned)


def planned_by(planned, **more):
    criteria = [
        {"characteristic": "detection_limit", "max": 1},
        {"characteristic": "quantification_limit", "max": 2},
        {"characteristic": "repeatability", "rsd_max": 15},
        {"characteristic": "recovery", "min": 80, "max": 120},
    ]
    return planned(PLAN, analytes=[ANALYTE], criteria=criteria, **more)


def trial(study, profiles):
    choices = study.plan.for_analyte("x")
    simulator = Simulator.of(study, "x", choices, Truth(assumed=choices.assumed))
    return Trials(simulator=simulator, profiles=profiles, purpose="judgement", seed=(3, 0)).run(1)[0]


@pytest.mark.parametrize("profile", [None, *profile_names()])
def test_limits_that_decide_nothing_change_nothing(study, profile, monkeypatch):
    """Under every profile: the same figures, findings and stop caveats with all variants of the limits."""
    profiles = () if profile is None else (load_profile(profile),)

    short = trial(study, profiles)
    monkeypatch.setattr(module, "evaluate", lambda study, **_: evaluate(study))

    assert trial(study, profiles) == short


def test_where_nobody_chose_an_approach_every_one_is_judged(undeclared, study):
    """Undeclared, a limit meets only if every approach does: a trial judges all, as the report does."""
    judged = {one.characteristic: one for one in trial(undeclared, ()).findings}
    chosen = {one.characteristic: one for one in trial(study, ()).findings}

    assert judged["quantification_limit"].observed == chosen["quantification_limit"].observed
    assert chosen["quantification_limit"].outcome == "meets"
    assert judged["quantification_limit"].outcome == "inconclusive"
    assert "no approach was declared" in judged["quantification_limit"].reason


def test_only_the_deciding_limits_are_computed(study, monkeypatch):
    """The check above can fail: a trial leaves variants out, and a profile that names one gets it."""
    asked = []

    def watched(study, *, only_deciding_limits):
        asked.append(only_deciding_limits)
        results = evaluate(study, only_deciding_limits=only_deciding_limits)
        asked.append(len(results.analytes["x"].configurations["default"].detection.variants))
        return results

    monkeypatch.setattr(module, "evaluate", watched)

    trial(study, ())
    trial(study, (load_profile("epa-40-cfr-136-appendix-b"),))

    assert asked[:2] == [True, 1]
    assert not asked[2]
    assert asked[3] > 10
