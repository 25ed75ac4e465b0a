"""One function for every decision: a figure with its interval against a limit."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from validator.assessment import judging
from validator.assessment.judging import Limit, interval_for, judge, judge_p
from validator.assessment.observation import Effect
from validator.evaluation.results import EstimateRecord

AT_MOST_10 = Limit(upper=10.0)
AT_LEAST_10 = Limit(lower=10.0)
BETWEEN = Limit(90.0, 110.0)


def figure(value, ci=None, one_sided=None):
    return EstimateRecord(value=value, ci=ci, one_sided=one_sided)


@pytest.mark.parametrize(
    ("limit", "value", "ci", "outcome"),
    [
        (AT_MOST_10, 8.0, (7.0, 9.0), "meets"),
        (AT_MOST_10, 8.0, (7.0, 10.0), "meets"),  # the limit itself is inside
        (AT_MOST_10, 9.0, (7.0, 10.1), "inconclusive"),
        (AT_MOST_10, 11.0, (9.9, 12.0), "inconclusive"),
        (AT_MOST_10, 11.0, (10.0, 12.0), "inconclusive"),
        (AT_MOST_10, 12.0, (10.1, 14.0), "does not meet"),
        (AT_LEAST_10, 12.0, (10.0, 14.0), "meets"),
        (AT_LEAST_10, 12.0, (9.9, 14.0), "inconclusive"),
        (AT_LEAST_10, 8.0, (7.0, 9.9), "does not meet"),
        (BETWEEN, 100.0, (90.0, 110.0), "meets"),
        (BETWEEN, 100.0, (89.9, 110.0), "inconclusive"),
        (BETWEEN, 100.0, (95.0, 110.1), "inconclusive"),
        (BETWEEN, 80.0, (75.0, 89.9), "does not meet"),
        (BETWEEN, 120.0, (110.1, 130.0), "does not meet"),
        (BETWEEN, 100.0, (80.0, 120.0), "inconclusive"),
        (BETWEEN, 100.0, (None, 105.0), "inconclusive"),
        (AT_MOST_10, 8.0, (None, 9.0), "meets"),
        (AT_MOST_10, 8.0, (7.0, None), "inconclusive"),
    ],
)
def test_the_guarded_rule_asks_for_the_whole_interval(limit, value, ci, outcome):
    """Meets only if the interval is inside, fails only if it is wholly outside (JCGM 106:2012, 8.3)."""
    judgement = judge(figure(value, ci), limit, "guarded")

    assert judgement.outcome == outcome
    assert judgement.interval == ci
    assert (judgement.reason is None) == (outcome != "inconclusive")


@pytest.mark.parametrize(
    ("limit", "value", "outcome"),
    [
        (AT_MOST_10, 10.0, "meets"),
        (AT_MOST_10, 10.0000001, "does not meet"),
        (AT_LEAST_10, 9.9999999, "does not meet"),
        (BETWEEN, 90.0, "meets"),
        (BETWEEN, 89.9999999, "does not meet"),
    ],
)
def test_the_simple_rule_looks_at_the_estimate(limit, value, outcome):
    """The interval is told and decides nothing (ILAC-G8:09/2019, simple acceptance)."""
    judgement = judge(figure(value, (0.0, 1000.0)), limit, "simple")

    assert judgement.outcome == outcome
    assert judgement.interval == (0.0, 1000.0)


def test_a_limit_on_one_side_is_judged_by_the_bound_on_that_side():
    """The bound at the study's confidence decides, not the end of the wider two-sided interval."""
    estimate = figure(8.0, ci=(5.0, 10.5), one_sided=(5.5, 9.8))

    at_most, at_least = judge(estimate, AT_MOST_10, "guarded"), judge(estimate, Limit(lower=5.2), "guarded")
    between = judge(estimate, Limit(5.2, 10.0), "guarded")

    assert (at_most.outcome, at_most.interval) == ("meets", (None, 9.8))
    assert (at_least.outcome, at_least.interval) == ("meets", (5.5, None))
    assert (between.outcome, between.interval) == ("inconclusive", (5.0, 10.5))


def test_not_meeting_is_a_claim_of_its_own():
    """A figure fails a limit on one side by the other bound: the lower one for a limit from above."""
    fails = figure(12.0, ci=(9.9, 15.0), one_sided=(10.2, 14.0))
    undecided = figure(12.0, ci=(9.0, 15.0), one_sided=(9.8, 14.0))

    assert judge(fails, AT_MOST_10, "guarded").outcome == "does not meet"
    assert judge(undecided, AT_MOST_10, "guarded").outcome == "inconclusive"


def test_a_figure_without_an_interval_is_never_met_by_luck():
    """The guarded rule does not decide on an estimate alone; it says why there is no interval."""
    single = EstimateRecord(value=1.0, reason="only one result; its variation is unknown")

    judgement = judge(single, AT_MOST_10, "guarded")

    assert (judgement.outcome, judgement.reason) == (
        "inconclusive",
        "only one result; its variation is unknown",
    )
    assert judge(single, AT_MOST_10, "simple").outcome == "meets"
    assert judge(figure(1.0), AT_MOST_10, "guarded").reason == "no interval can be given for the result"


@pytest.mark.parametrize("rule", ["simple", "guarded"])
def test_a_missing_figure_is_not_assessed(rule):
    """No figure is neither a pass nor a fail."""
    judgement = judge(EstimateRecord(value=None, reason="too few"), AT_MOST_10, rule)

    assert (judgement.outcome, judgement.interval, judgement.reason) == ("not assessed", None, "too few")


SMALL, LARGE = (Effect("the bias", -half, half, (-5.0, 5.0)) for half in (4.0, 6.0))
UNKNOWN = Effect("the bias", None, None, (-5.0, 5.0))


@pytest.mark.parametrize(
    ("p", "effects", "outcome"),
    [
        (0.05, [SMALL], "meets"),
        (1.0, [SMALL], "meets"),
        (0.049999, [SMALL], "does not meet"),
        (0.049999, [], "does not meet"),
        (0.05, [], "inconclusive"),
        (1.0, [], "inconclusive"),
        (1.0, [LARGE], "inconclusive"),
        (1.0, [SMALL, LARGE], "inconclusive"),
        (1.0, [UNKNOWN], "inconclusive"),
    ],
)
def test_a_probability_meets_only_with_a_tolerable_effect(p, effects, outcome):
    """A p below its limit is missed; one that reaches it shows nothing where the effect may be large."""
    judgement = judge_p(p, 0.05, effects)

    assert judgement.outcome == outcome
    assert judgement.interval is None
    assert (judgement.reason is None) == (outcome != "inconclusive")


@pytest.mark.parametrize(
    ("limit", "value", "interval", "ideal", "margin"),
    [
        (AT_MOST_10, 5.0, (None, 8.0), 0.0, 0.2),
        (AT_MOST_10, 12.0, (None, 15.0), 0.0, -0.5),
        (BETWEEN, 100.0, (95.0, 108.0), 100.0, 0.2),
        (Limit(lower=0.05), 0.05, None, 1.0, 0.0),
        (Limit(lower=0.05), 1.0, None, 1.0, 1.0),
        (AT_LEAST_10, 15.0, None, None, 0.5),
        (Limit(), 1.0, None, 0.0, None),
    ],
)
def test_the_margin_is_the_share_of_the_way_to_the_ideal(limit, value, interval, ideal, margin):
    """1 for the ideal method, 0 at the limit, negative beyond, by the bound that decides."""
    found = judging.margin(limit, value, interval, ideal=ideal)

    assert found == (margin if margin is None else pytest.approx(margin))
    assert (AT_MOST_10.is_one_sided, BETWEEN.is_one_sided) == (True, False)


def test_an_unknown_rule_is_a_mistake_of_ours():
    """The study's reader admits two rules; a third never passes in silence."""
    with pytest.raises(ValueError, match="generous"):
        judge(figure(1.0, (0.5, 1.5)), AT_MOST_10, "generous")


numbers = st.floats(-1e6, 1e6)


@given(value=numbers, half=st.floats(0, 1e6), lower=numbers, width=st.floats(0, 1e6))
def test_the_two_rules_never_contradict_each_other(value, half, lower, width):
    """What the guarded rule decides, the simple rule decides the same way."""
    limit = Limit(lower, lower + width)
    estimate = figure(value, (value - half, value + half))

    guarded, simple = judge(estimate, limit, "guarded").outcome, judge(estimate, limit, "simple").outcome

    assert guarded in (simple, "inconclusive")


@given(value=numbers, half=st.floats(0, 1e6), more=st.floats(0, 1e6), limit=numbers)
def test_a_wider_interval_never_decides_more(value, half, more, limit):
    """Doubt can take a decision away and never give one."""
    narrow = judge(figure(value, (value - half, value + half)), Limit(upper=limit), "guarded").outcome
    wide = judge(
        figure(value, (value - half - more, value + half + more)), Limit(upper=limit), "guarded"
    ).outcome

    assert wide in (narrow, "inconclusive")


def test_the_interval_of_a_decision():
    """Two-sided limits, and figures without one-sided bounds, use the two-sided interval."""
    both = figure(1.0, (0.0, 2.0), (0.2, 1.8))

    assert interval_for(both, BETWEEN) == (0.0, 2.0)
    assert interval_for(both, AT_MOST_10) == (None, 1.8)
    assert interval_for(figure(1.0, (0.0, 2.0)), AT_MOST_10) == (0.0, 2.0)
