"""Predictions against closed forms: Student t, chi-squared, noncentral F and noncentral t of scipy.stats."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy import stats

from validator.errors import StudyError
from validator.planning import predict
from validator.planning.outcomes import widths
from validator.planning.predicting import required_plan
from validator.planning.simulating import Simulator, Truth
from validator.planning.trials import Trials, pool_of

LEVELS = [2.0, 4.0, 6.0, 8.0, 10.0]
ASSUMED = {"slope": 1.0, "signal_sd": 0.3}


def trials_of(study, purpose="judgement", **truth):
    choices = study.plan.for_analyte("x")
    simulator = Simulator.of(study, "x", choices, Truth(assumed=choices.assumed, **truth))
    return Trials(simulator=simulator, profiles=(), purpose=purpose, seed=(11, 0))


def error_of(share, n):
    """Four binomial standard errors."""
    return 4 * math.sqrt(max(share * (1 - share), 0.01) / n)


def test_the_width_of_a_slope_is_that_of_the_t_interval(planned):
    """Half-width t(0.975, ν)·s/√S_xx: its median and its 5 % and 95 % quantiles follow χ² of s²."""
    study = planned({"calibration": {"levels": LEVELS, "replicates": 3}, "assumed": ASSUMED})
    n = 250

    slope = next(one for one in widths(trials_of(study).run(n)) if one.key.figure == "slope")

    x = np.repeat(LEVELS, 3)
    scale = stats.t.ppf(0.975, 13) * 0.3 / np.sqrt(((x - x.mean()) ** 2).sum())
    low, middle, high = scale * np.sqrt(stats.chi2.ppf([0.05, 0.5, 0.95], 13) / 13)
    assert (slope.n, slope.closed) == (n, n)
    assert slope.half_width.value == pytest.approx(middle, rel=0.05)
    assert slope.low == pytest.approx(low, rel=0.08)
    assert slope.high == pytest.approx(high, rel=0.08)
    assert middle in slope.half_width.interval


def test_the_probability_to_meet_a_precision_criterion_is_that_of_chi_squared(planned):
    """P(upper bound of s_r within 10 %) = P(χ²_ν ≤ χ²_0.05,ν·(10 %/σ)²), at two levels of one design."""
    study = planned(
        {"precision": {"levels": [5, 6], "series": 5, "replicates": 3}, "assumed": ASSUMED},
        criteria=[{"characteristic": "repeatability", "rsd_max": 10}],
    )

    (prediction,) = predict(study.model_copy(update={"plan": with_simulations(study.plan, 300)}))

    found = {chance.key.level: chance.probability for chance in prediction.chances}
    for level in (5.0, 6.0):
        sigma = 100 * 0.3 / level
        expected = stats.chi2.cdf(stats.chi2.ppf(0.05, 10) * (10 / sigma) ** 2, 10)
        # the mean that turns s into an RSD has a doubt of its own, small beside the binomial one
        assert found[level].value == pytest.approx(expected, abs=error_of(expected, 300) + 0.01)
    both = prediction.all_met.value
    assert (
        max(0, sum(one.value for one in found.values()) - 1)
        <= both
        <= min(one.value for one in found.values())
    )


def with_simulations(plan, count):
    return plan.model_copy(update={"simulations": count})


def test_the_power_of_lack_of_fit_is_that_of_the_noncentral_f(planned):
    """λ = Σ n_i (η_i − line through them)²/σ², with ν = k − 2 and n − k."""
    study = planned({"calibration": {"levels": LEVELS, "replicates": 4}, "assumed": ASSUMED})
    count, curvature = 400, 0.2
    bent = trials_of(study, "lack_of_fit", curvature=curvature).run(count)

    power = np.mean([trial.p_of_calibration["lack_of_fit"] < 0.05 for trial in bent])

    x = np.array(LEVELS)
    heights = x * (1 - curvature * x / x.max())
    residuals = heights - np.polyval(np.polyfit(x, heights, 1), x)
    noncentrality = 4 * (residuals**2).sum() / 0.3**2
    critical = stats.f.ppf(0.95, 3, 15)
    expected = 1 - stats.ncf.cdf(critical, 3, 15, noncentrality)
    assert 0.2 < expected < 0.9
    assert power == pytest.approx(expected, abs=error_of(expected, count))


def test_the_power_of_the_bias_test_is_that_of_the_noncentral_t(planned):
    """Recoveries read from the true line: δ = (bias/100)/(σ_R/√m), ν = m − 1, two-sided."""
    study = planned(
        {
            "recovery": {"levels": [5], "series": 6},
            "assumed": {**ASSUMED, "between_series_rsd_percent": 4},
            "detect": {"bias_percent": 8},
        }
    )
    count = 150

    (prediction,) = predict(study.model_copy(update={"plan": with_simulations(study.plan, count)}))
    (bias,) = prediction.powers

    sd = math.hypot(0.3 / 5, 0.04 * 0.92)
    delta, critical = 0.08 * math.sqrt(6) / sd, stats.t.ppf(0.975, 5)
    expected = stats.nct.sf(critical, 5, delta) + stats.nct.cdf(-critical, 5, delta)
    assert (bias.test, bias.level, bias.alpha) == ("bias", 5.0, 0.05)
    assert bias.power.value == pytest.approx(expected, abs=error_of(expected, count))
    assert bias.false_alarms.value == pytest.approx(0.05, abs=error_of(0.05, count))


def test_the_same_plan_gives_the_same_prediction_whatever_the_workers(planned):
    """Trials have streams of their own: in this process, in others, in any chunks."""
    study = planned({"calibration": {"levels": LEVELS, "replicates": 2}, "assumed": ASSUMED})
    trials = trials_of(study)

    alone = trials.run(45)
    with pool_of(2) as pool:
        spread = trials.run(45, pool)

    assert spread == alone
    assert trials.run(10) == alone[:10]


def test_a_stop_caveat_that_the_plan_leads_to_is_foretold(planned):
    """A quantification limit above the legal limit is never met, and the prediction says why."""
    (prediction,) = predict(_of_limits(planned, legal_limit=0.5))

    (chance,) = prediction.chances
    assert (chance.meets, chance.held_back, chance.open) == (0, 25, 25)
    assert [(stop.title, stop.share.value) for stop in prediction.stops] == [
        ("Quantification limit above the legal limit", 1.0)
    ]
    assert [(one.cause, one.chance.key) for one in prediction.smallest.out_of_reach] == [
        ("caveat", chance.key)
    ]


def test_a_limit_below_the_lowest_standard_is_no_stop(planned):
    """It is told beside the limit and holds nothing back."""
    (prediction,) = predict(_of_limits(planned))

    (chance,) = prediction.chances
    assert (chance.meets, chance.held_back, chance.open) == (25, 0, 0)
    assert prediction.stops == ()


def _of_limits(planned, **analyte):
    """A calibration far above a quantification limit near 3 mg/L, 25 simulations."""
    described = {"id": "x", "name": "analyte x", "unit": "mg/L", "signal": "signal", "signal_unit": "1"}
    study = planned(
        {
            "calibration": {"levels": [20, 30, 40, 50, 60], "replicates": 2},
            "blanks": {"replicates": 10},
            "assumed": ASSUMED,
        },
        analytes=[{**described, **analyte}],
        analysis={"quantification_limit": {"variant": "blank_3s"}},
        criteria=[{"characteristic": "quantification_limit", "max": 15}],
    )
    return study.model_copy(update={"plan": with_simulations(study.plan, 25)})


def test_a_criterion_without_planned_runs_is_named(planned):
    """What no simulated study can answer is told apart from what it can."""
    study = planned(
        {"precision": {"levels": [5], "series": 3, "replicates": 2}, "assumed": ASSUMED},
        criteria=[
            {"characteristic": "repeatability", "rsd_max": 30},
            {"characteristic": "recovery", "min": 80, "max": 120},
        ],
    )

    (prediction,) = predict(study.model_copy(update={"plan": with_simulations(study.plan, 20)}))

    assert [one.key.characteristic for one in prediction.chances] == ["repeatability"]
    assert [one.key.characteristic for one in prediction.unanswered] == ["recovery"]


def test_a_plan_must_say_what_it_assumes(described, study_of):
    """Without a plan, or without assumptions for an analyte, there is nothing to predict."""
    unplanned = study_of(described())
    silent = study_of(described(plan={"blanks": {"replicates": 4}}))

    with pytest.raises(StudyError, match=r"^study.yaml: plan: missing; declare the planned runs"):
        required_plan(unplanned)
    with pytest.raises(
        StudyError, match=r"^study.yaml:\d+: plan.assumed: missing for x; give slope, signal_sd and the other"
    ):
        required_plan(silent)
