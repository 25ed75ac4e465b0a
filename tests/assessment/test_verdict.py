"""The verdict by the five words, from findings, designs, caveats and the range."""

from __future__ import annotations

import itertools

import pytest

from validator.assessment.verdict import GRAVITY, Grounds, held_back, verdict_of_study, verdict_on
from validator.evaluation.results import AnalyteVerdict, Caveat, DesignFinding, Finding, RangeRecord

RANK = {word: rank for rank, word in enumerate(GRAVITY)}


def finding(outcome, characteristic="repeatability", **more):
    return Finding(
        **{
            "characteristic": characteristic,
            "analyte": "x",
            "configuration": "default",
            "criterion": "RSD ≤ 5 %",
            "source": "plan",
            "observed": None if outcome == "not assessed" else 1.0,
            "upper": 5.0,
            "interval": None,
            "outcome": outcome,
            "decision_rule": "guarded",
            "reason": None if outcome == "meets" else "the reason",
            "needs": None if outcome == "meets" else "what it needs",
            **more,
        }
    )


def design(outcome, **more):
    asked = {"requirement": "levels", "source": "guide", "required": 6, "provided": 5, "outcome": outcome}
    return DesignFinding(**{**asked, **more})


def caveat(severity, characteristic="repeatability", **more):
    words = {"text": "Text.", "because": "Because.", "remedy": "Remedy.", "sources": ()}
    return Caveat(
        **{
            "id": "one",
            "severity": severity,
            "characteristic": characteristic,
            "title": f"A {severity}",
            **words,
            **more,
        }
    )


MET = (finding("meets"), finding("meets", "recovery"))


@pytest.fixture
def grounds(study_from_parts):
    def make(findings=MET, designs=(), caveats=(), gaps=(), **parts):
        study = study_from_parts(parts)
        return Grounds(
            study=study,
            analyte="x",
            findings=findings,
            design=designs,
            caveats=caveats,
            reach=RangeRecord(not_covered=tuple(gaps)),
        )

    return make


@pytest.mark.parametrize(
    ("verdict", "reason", "more"),
    [
        ("fit", "All deciding acceptance criteria (2) are met.", {}),
        ("not assessed", "No acceptance criterion was declared", {"findings": ()}),
        (
            "not assessed",
            "No acceptance criterion was declared",
            {"findings": (finding("meets", decides=False, informs="outside the scope"),)},
        ),
        (
            "not demonstrated",
            "No deciding criterion for precision is met",
            {"findings": (finding("meets", decides=False, informs="outside the claim"),)},
        ),
        (
            "not fit",
            "The acceptance criterion for recovery is not met.",
            {"findings": (*MET, finding("does not meet", "recovery"))},
        ),
        (
            "not demonstrated",
            "the rule was not compared with its text",
            {"findings": (*MET, finding("does not meet", remembered=True, rule="a-rule"))},
        ),
        ("not demonstrated", "is inconclusive: the reason", {"findings": (*MET, finding("inconclusive"))}),
        ("not demonstrated", "was not assessed: the reason", {"findings": (*MET, finding("not assessed"))}),
        ("not demonstrated", "A stop (stop)", {"caveats": (caveat("stop"),)}),
        ("not demonstrated", "levels: 5 provided, 6 required", {"designs": (design("does not meet"),)}),
        ("not demonstrated", "not provided", {"designs": (design("not assessed", provided=None),)}),
        ("not demonstrated", "does not cover the claim: a gap", {"gaps": ("a gap",)}),
        ("not demonstrated", "No deciding criterion for trueness", {"findings": MET[:1]}),
        ("not demonstrated", "No deciding criterion for precision", {"findings": MET[1:]}),
        ("fit under conditions", "1 condition applies", {"caveats": (caveat("condition"),)}),
        (
            "fit under conditions",
            "1 condition applies",
            {"designs": (design("does not meet", remembered=True),)},
        ),
        ("fit under conditions", "1 condition applies", {"designs": (design("meets", informs="set aside"),)}),
        ("fit", "are met", {"designs": (design("does not meet", recommended=True),)}),
        ("fit", "are met", {"caveats": (caveat("caution"), caveat("note"))}),
        ("not assessed", "characterises", {"study": {"purpose": "characterisation"}}),
        ("fit", "are met", {"findings": MET[:1], "study": {"purpose": "partial"}}),
        ("fit", "are met", {"findings": MET[:1], "method": {"not_required": "{trueness: empirical method}"}}),
        (
            "fit",
            "are met",
            {
                "method": {"kind": "impurity_limit"},
                "findings": (finding("meets", "detection_limit"), finding("meets", "selectivity")),
            },
        ),
        ("not demonstrated", "for the detection limit", {"method": {"kind": "impurity_limit"}}),
        ("not assessed", "qualitative methods", {"method": {"kind": "identification"}}),
    ],
)
def test_each_word_has_its_rule(grounds, verdict, reason, more):
    """The order of the contract, one study a rule, with the sentence that names what is missing."""
    found = verdict_on(grounds(**more))

    assert found.verdict == verdict
    assert reason.casefold() in found.reason.casefold()
    assert found.settles or found.verdict in ("fit", "fit under conditions", "not assessed")


@pytest.mark.parametrize("first", ["meets", "inconclusive", "not assessed", "does not meet"])
def test_taking_evidence_away_never_improves(grounds, first):
    """Whatever else is open: an unassessed outcome, a condition, a stop or a gap is no better."""
    more = (
        {},
        {"caveats": (caveat("condition"),)},
        {"caveats": (caveat("stop"),)},
        {"gaps": ("a gap",)},
        {"designs": (design("does not meet"),)},
    )
    for one, other in itertools.product(more, more):
        here = {**one, **other}
        with_it = verdict_on(grounds(findings=(*MET, finding(first)), **here)).verdict
        if first == "meets":
            without = verdict_on(grounds(findings=(*MET, finding("not assessed")), **here)).verdict
            assert RANK[without] >= RANK[with_it]
        bare = verdict_on(grounds(findings=(*MET, finding(first)))).verdict
        assert RANK[with_it] >= RANK[bare] or bare == "not fit"


def test_a_failure_on_implausible_data_is_none(grounds):
    """A stop on data that cannot be what they are said to be bars the failure as well."""
    failed = (*MET, finding("does not meet", "recovery"))
    stop = caveat("stop", "recovery", id="level_not_plausible")

    assert (
        verdict_on(grounds(findings=held_back(failed, [stop]), caveats=(stop,))).verdict == "not demonstrated"
    )


def test_the_study_has_the_gravest_verdict_of_its_analytes():
    """Named by the analyte that it comes from."""
    verdicts = {
        "a": AnalyteVerdict(verdict="fit", reason="All met."),
        "b": AnalyteVerdict(verdict="not demonstrated", reason="One open.", settles="Do it."),
    }

    found = verdict_of_study(verdicts, {"a": "first", "b": "second"})

    assert found == ("not demonstrated", "Second: One open.", "Do it.")


@pytest.mark.parametrize(
    ("severity", "more", "outcome"),
    [
        ("stop", {}, "inconclusive"),
        ("stop", {"analyte": "x"}, "inconclusive"),
        ("stop", {"analyte": "another"}, "meets"),
        ("stop", {"characteristic": "recovery"}, "meets"),
        ("stop", {"configuration": "another"}, "meets"),
        ("condition", {}, "meets"),
        ("caution", {}, "meets"),
    ],
)
def test_a_stop_holds_back_what_it_speaks_of(severity, more, outcome):
    """The finding says which caveat holds it back, as a field."""
    (held,) = held_back([finding("meets")], [caveat(severity, **more)])

    assert held.outcome == outcome
    assert held.held_by == ("one" if outcome == "inconclusive" else None)


def test_what_fails_is_not_held_back():
    """A stop caveat never makes a failure better."""
    (held,) = held_back([finding("does not meet")], [caveat("stop")])

    assert held.outcome == "does not meet"
