"""What findings, designs and caveats amount to."""

from __future__ import annotations

import itertools

import pytest

from validator.assessment.verdict import held_back, verdict
from validator.evaluation.results import Caveat, DesignFinding, Finding


def finding(outcome, **more):
    return Finding(
        **{
            "characteristic": "repeatability",
            "analyte": "x",
            "configuration": "film",
            "criterion": "RSD ≤ 5 %",
            "source": "plan",
            "observed": 1.0,
            "upper": 5.0,
            "interval": None,
            "outcome": outcome,
            "decision_rule": "guarded",
            "own": True,
            **more,
        }
    )


def design(outcome, **more):
    return DesignFinding(
        **{
            "requirement": "levels",
            "source": "guide",
            "required": 6,
            "provided": 5,
            "outcome": outcome,
            **more,
        }
    )


def caveat(severity, **more):
    return Caveat(
        **{
            "id": "example",
            "severity": severity,
            "characteristic": "repeatability",
            "text": "t",
            "because": "b",
            "remedy": "r",
            "sources": (),
            "title": "An example",
            **more,
        }
    )


@pytest.mark.parametrize(
    ("outcomes", "word"),
    [
        (["meets", "meets"], "fit"),
        (["meets", "inconclusive"], "fit with reservations"),
        (["meets", "not assessed"], "fit with reservations"),
        (["inconclusive"], "not assessed"),
        (["inconclusive", "not assessed"], "not assessed"),
        (["meets", "does not meet"], "not fit"),
        (["inconclusive", "does not meet", "not assessed"], "not fit"),
        (["not assessed"], "not assessed"),
        ([], "not assessed"),
    ],
)
def test_the_worst_outcome_speaks(outcomes, word):
    """One that fails makes the method unfit, one that is open a reservation; none shown, no verdict."""
    assert verdict([finding(outcome) for outcome in outcomes], [], []) == word


@pytest.mark.parametrize("more", [{"decides": False}, {"superseded_by": "a criterion of the study"}])
def test_what_does_not_decide_does_not_speak(more):
    """Customary limits, and those the study replaced by its own, are shown and decide nothing."""
    assert verdict([finding("meets"), finding("does not meet", **more)], [], []) == "fit"
    assert verdict([finding("meets", **more)], [], []) == "not assessed"


def test_a_guidance_limit_without_a_figure_leaves_the_verdict_alone():
    """What the study itself asked must be answered; a guidance limit on what was not measured need not."""
    assert verdict([finding("meets"), finding("not assessed", own=False)], [], []) == "fit"
    assert verdict([finding("meets"), finding("not assessed", own=True)], [], []) == "fit with reservations"
    assert verdict([finding("meets"), finding("does not meet", own=False)], [], []) == "not fit"


@pytest.mark.parametrize(
    ("outcome", "recommended", "word"),
    [
        ("does not meet", False, "fit with reservations"),
        ("does not meet", True, "fit"),
        ("not assessed", False, "fit"),
        ("meets", False, "fit"),
    ],
)
def test_a_design_that_falls_short_is_a_reservation(outcome, recommended, word):
    """Required counts must be reached; recommended ones are told."""
    assert verdict([finding("meets")], [design(outcome, recommended=recommended)], []) == word


@pytest.mark.parametrize(
    ("severity", "word"), [("stop", "fit with reservations"), ("caution", "fit"), ("note", "fit")]
)
def test_an_open_stop_caveat_is_a_reservation(severity, word):
    """Cautions and notes are read, a stop caveat takes the plain verdict away."""
    assert verdict([finding("meets")], [], [caveat(severity)]) == word


def test_the_verdict_never_improves_when_something_worse_is_added():
    """Fit, then with reservations, then not fit: adding a finding never moves up the list."""
    order = ["fit", "fit with reservations", "not fit"]
    outcomes = ["meets", "inconclusive", "not assessed", "does not meet"]
    for some in itertools.product(outcomes, repeat=3):
        findings = [finding("meets"), *(finding(outcome) for outcome in some)]
        for added in outcomes:
            before, after = verdict(findings, [], []), verdict([*findings, finding(added)], [], [])
            assert order.index(after) >= order.index(before)


@pytest.mark.parametrize(
    ("more", "outcome"),
    [
        ({}, "inconclusive"),
        ({"analyte": "x", "configuration": "film"}, "inconclusive"),
        ({"analyte": "y"}, "meets"),
        ({"configuration": "bare"}, "meets"),
        ({"characteristic": "recovery"}, "meets"),
        ({"severity": "caution"}, "meets"),
    ],
)
def test_nothing_meets_while_a_stop_caveat_is_open_on_it(more, outcome):
    """The claim cannot stand as written: of this characteristic, this analyte and this configuration."""
    open_caveat = caveat(**{"severity": "stop", **more})

    (held,) = held_back([finding("meets")], [open_caveat])

    assert held.outcome == outcome
    if outcome == "inconclusive":
        assert "An example" in held.reason


@pytest.mark.parametrize("outcome", ["does not meet", "inconclusive", "not assessed"])
def test_a_stop_caveat_softens_no_failure(outcome):
    """Only what meets is held back; everything else stays as it was judged."""
    before = finding(outcome, reason="as it was")

    assert held_back([before], [caveat("stop")]) == (before,)
