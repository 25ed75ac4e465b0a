"""Guidance held against a study: limits, the places they hold, designs, and what takes precedence."""

from __future__ import annotations

import pytest
import yaml

from validator.errors import GuidanceError, StudyError

RULE = {"clause": "4.2", "source": "seen", "text": "As the house wants it."}
DAYS = [[1.0, 1.01, 0.99], [1.02, 1.0, 1.01], [0.98, 1.0, 0.99], [1.01, 0.99, 1.0]]


def rule(characteristic, *acceptance, name="rule", **more):
    found = {"id": name, "characteristic": characteristic, **RULE, **more}
    return {**found, "acceptance": list(acceptance)} if acceptance else found


def profile(*requirements, **more):
    """A profile of the laboratory's own, as a file beside the study."""
    return {
        "format": "guidance-profile/1",
        "id": "house-rules",
        "title": "House rules",
        "edition": "3",
        "issuing_body": "the laboratory",
        "scope": "everything",
        "requirements": list(requirements),
        **more,
    }


def precision(*levels):
    return {
        "runs": [
            {"level": level, "day": f"{day}", "concentrations": [level * one for one in some]}
            for level in levels
            for day, some in enumerate(DAYS)
        ]
    }


@pytest.fixture
def assessed(judged, described):
    """The assessment of a study under the house's rules."""

    def assessed(*requirements, guidance=("house-rules",), analyte=None, identity=None, house=None, **blocks):
        study = described(guidance=guidance, **blocks)
        study["method"]["analytes"][0] |= analyte or {}
        study["study"] |= identity or {}
        tables = {"house-rules.yaml": yaml.safe_dump(profile(*requirements, **(house or {})))}
        _, results = judged(study, tables)
        return results.assessment

    return assessed


SPREAD = {"figure": "repeatability_rsd_percent", "rsd_max": 5}


def test_a_limit_of_the_guidance_is_held_against_every_level(assessed):
    """One finding a level, with the document, its edition and the clause."""
    found = assessed(rule("repeatability", SPREAD), precision=precision(2, 8)).findings

    assert [(one.level, one.outcome) for one in found] == [(2, "meets"), (8, "meets")]
    for one in found:
        assert one.source == "House rules, 3, 4.2"
        assert one.upper == 5
        assert not one.own
        assert one.decides
        assert one.informs is None
        assert (one.document, one.clause, one.rule) == ("House rules, 3", "4.2", "rule")
        assert (one.binding, one.source_status, one.remembered) == ("guidance", "seen", False)


@pytest.mark.parametrize(
    ("place", "analyte", "levels"),
    [
        ("every_level", {}, [2, 5, 8]),
        ("lowest_level", {}, [2]),
        ("other_levels", {}, [5, 8]),
        ("legal_limit", {"legal_limit": 4.5}, [5]),
        ("legal_limit", {"legal_limit": 100}, [8]),
    ],
)
def test_a_limit_holds_where_the_guidance_says(assessed, place, analyte, levels):
    """Every level, the lowest, all others, or the one nearest to the legal limit."""
    found = assessed(
        rule("repeatability", {**SPREAD, "at": place}), analyte=analyte, precision=precision(8, 2, 5)
    ).findings

    assert [one.level for one in found] == levels


def test_a_limit_at_a_legal_limit_that_the_study_does_not_state(assessed):
    """Without a legal limit there is no level to look at, and the key that is missing is named."""
    (one,) = assessed(
        rule("repeatability", {**SPREAD, "at": "legal_limit"}), precision=precision(2, 8)
    ).findings

    assert one.outcome == "not assessed"
    assert one.needs == "the legal limit of the analyte"


def test_own_and_guidance_limits_both_decide(assessed):
    """Nothing replaces anything: a guidance limit that is missed fails, however wide the study's own is."""
    strict = {"figure": "repeatability_rsd_percent", "rsd_max": 0.001}
    own = [{"characteristic": "repeatability", "rsd_max": 5}]

    assessment = assessed(rule("repeatability", strict), criteria=own, precision=precision(5))

    first, second = assessment.findings
    assert (first.own, first.outcome) == (True, "meets")
    assert (second.own, second.outcome) == (False, "does not meet")
    assert (first.decides, second.decides) == (True, True)
    assert second.informs is None
    assert assessment.verdict == "not fit"


def test_guidance_is_judged_by_its_own_rule(assessed):
    """By estimates unless the document says otherwise; ``decision_rule`` governs the study's own criteria."""
    near = {"figure": "repeatability_rsd_percent", "rsd_max": 1.1}
    own = [{"characteristic": "repeatability", "rsd_max": 1.1}]

    def found(house):
        return assessed(
            rule("repeatability", near), criteria=own, house=house, precision=precision(5)
        ).findings

    mine, theirs = found({})
    assert mine.observed == theirs.observed < 1.1
    assert (mine.decision_rule, mine.outcome, mine.guarded_outcome) == ("guarded", "inconclusive", None)
    assert (theirs.decision_rule, theirs.outcome, theirs.guarded_outcome) == (
        "simple",
        "meets",
        "inconclusive",
    )
    strict = found({"judged_by": "interval"})[1]
    assert (strict.decision_rule, strict.outcome, strict.guarded_outcome) == ("guarded", "inconclusive", None)


def test_what_stands_beside_a_p_value_looks_for_the_same_effect(assessed):
    """A p has no interval: the outcome of both rules rests on the effect that the test looks for."""
    calibration = {"runs": [{"level": x, "signals": [x - 0.001, x + 0.002]} for x in (1.0, 3.0, 5.0, 7.0)]}

    (one,) = assessed(
        rule("lack_of_fit", {"figure": "lack_of_fit_p", "p_min": 0.001}), calibration=calibration
    ).findings

    assert (one.outcome, one.guarded_outcome) == ("meets", "meets")


@pytest.mark.parametrize("binding", ["law", "contract", "guidance"])
def test_a_rule_is_set_aside_with_a_reason_and_never_one_of_law(assessed, binding):
    """Set aside, a limit informs and the verdict has a condition; a rule of law is refused."""
    identity = {
        "purpose": "partial",
        "not_applicable": [
            {
                "document": "house-rules",
                "rule": "rule",
                "reason": "other matrix",
                "accepted_by": "A. Nother",
                "date": "2025-03-01",
            }
        ],
    }

    def judged():
        return assessed(
            rule("repeatability", {"figure": "repeatability_rsd_percent", "rsd_max": 0.001}),
            criteria=[{"characteristic": "repeatability", "rsd_max": 5}],
            house={"binding": binding},
            identity=identity,
            precision=precision(5),
        )

    if binding == "law":
        with pytest.raises(StudyError, match="is law; its rules cannot be set aside"):
            judged()
        return
    assessment = judged()
    guidance = assessment.findings[-1]
    assert guidance.outcome == "does not meet"
    assert (guidance.decides, guidance.informs) == (False, "set aside")
    assert assessment.verdict == "fit under conditions"


def test_a_remembered_limit_fails_nothing_until_it_is_compared_with_its_text(assessed):
    """Missed, it is not demonstrated at most; once somebody compared it, it is not fit."""
    missed = rule("repeatability", {"figure": "repeatability_rsd_percent", "rsd_max": 0.001}, source="memory")

    def verdict(**identity):
        assessment = assessed(missed, identity=identity, precision=precision(5))
        (one,) = assessment.findings
        return one.remembered, assessment.verdict

    confirmed = [{"rule": "rule", "by": "A. Nother", "date": "2025-03-01"}]
    assert verdict() == (True, "not demonstrated")
    assert verdict(confirmed_rules=confirmed) == (False, "not fit")


def test_a_criterion_on_another_configuration_replaces_nothing(judged, described):
    """A criterion for the bare sensor leaves the guidance on the validated one in force."""
    runs = [{**run, "configuration": name} for name in ("film", "bare") for run in precision(5)["runs"]]
    study = described(
        guidance=["house-rules"],
        configurations=["film", "bare"],
        criteria=[{"characteristic": "repeatability", "rsd_max": 5, "configuration": "bare"}],
        precision={"runs": runs},
    )

    _, results = judged(study, {"house-rules.yaml": yaml.safe_dump(profile(rule("repeatability", SPREAD)))})

    own, guidance = results.assessment.findings
    assert (own.configuration, guidance.configuration) == ("bare", "film")
    assert (guidance.decides, guidance.informs) == (True, None)


@pytest.mark.parametrize("more", [{"status": "customary"}, {"decides": False}])
def test_what_is_customary_does_not_decide(assessed, more):
    """A limit that no document demands is shown as such and fails nothing."""
    strict = {"figure": "repeatability_rsd_percent", "rsd_max": 0.001, **more}

    assessment = assessed(rule("repeatability", strict), precision=precision(5))

    (one,) = assessment.findings
    assert (one.outcome, one.decides) == ("does not meet", False)
    assert ("customary" in one.source) == ("status" in more)
    assert assessment.verdict == "not assessed"


def test_a_limit_by_mass_fraction_follows_the_level(assessed):
    """The limit of each level is that of its mass fraction: 1 mg/kg and 1000 mg/kg fall under two lines."""
    table = {
        "figure": "repeatability_rsd_percent",
        "predicted_rsd": {"model": "horwitz", "factor": 0.5},
    }

    found = assessed(
        rule("repeatability", table), analyte={"unit": "mg/kg"}, precision=precision(1, 1000)
    ).findings

    # Horwitz: 16 % at 1e-6, 5.66 % at 1e-3 (Anal. Chem. 54 (1982) 67A; from memory)
    assert [one.upper for one in found] == pytest.approx([8.0, 2.83], abs=0.005)
    assert [one.level for one in found] == [1, 1000]


def test_a_unit_without_a_mass_fraction_leaves_such_a_limit_open(assessed):
    """A limit that depends on the mass fraction needs a unit that gives one."""
    table = {"figure": "repeatability_rsd_percent", "predicted_rsd": {"model": "horwitz", "factor": 0.5}}

    (one,) = assessed(rule("repeatability", table), analyte={"unit": "FNU"}, precision=precision(5)).findings

    assert one.outcome == "not assessed"
    assert one.reason


def test_a_limit_by_analyte_is_found_by_id_or_name(assessed):
    """The row of the analyte counts; an analyte without a row is not assessed."""
    rows = [{"analytes": ["nitrate", "NO3"], "rsd_max": 5}, {"analytes": ["zinc"], "rsd_max": 1e-9}]
    acceptance = {"figure": "repeatability_rsd_percent", "by_analyte": rows}

    (by_name,) = assessed(
        rule("repeatability", acceptance), analyte={"name": "Nitrate"}, precision=precision(5)
    ).findings
    (other,) = assessed(
        rule("repeatability", acceptance), analyte={"name": "phosphate"}, precision=precision(5)
    ).findings

    assert (by_name.upper, by_name.outcome) == (5, "meets")
    assert other.outcome == "not assessed"


def test_a_limit_on_what_was_not_measured_leaves_the_claim_undemonstrated(assessed):
    """The finding says what it would take, and so does the verdict; without the rule the study is fit."""
    asked = rule("recovery", {"figure": "mean_recovery_percent", "within": [90, 110]})

    def under(*rules):
        return assessed(
            *rules,
            criteria=[{"characteristic": "repeatability", "rsd_max": 5}],
            precision=precision(5),
            identity={"purpose": "partial"},
        )

    assessment = under(asked)

    open_one = assessment.findings[-1]
    assert (open_one.characteristic, open_one.outcome) == ("recovery", "not assessed")
    assert "spiked samples" in open_one.needs
    assert assessment.verdict == "not demonstrated"
    assert assessment.reason == (
        "Recovery (mean recovery 90 to 110 %) was not assessed: no recovery data were provided."
    )
    assert "piked samples" in assessment.settles
    assert under(rule("repeatability", SPREAD)).verdict == "fit"


def test_minimum_designs_are_counted(assessed):
    """Required against provided, and what is recommended beside it."""
    design = {"minimums": {"levels": 3, "series": 4}, "recommended": {"levels": 4, "series": 8}}

    assessment = assessed(
        rule("intermediate_precision", design=design),
        criteria=[{"characteristic": "repeatability", "rsd_max": 5}],
        precision=precision(2, 8),
        identity={"purpose": "partial"},
    )

    found = {(one.requirement, one.required, one.provided): one.outcome for one in assessment.design}
    assert found == {
        ("intermediate precision: levels (required)", 3, 2): "does not meet",
        ("intermediate precision: series (required)", 4, 4): "meets",
        ("intermediate precision: levels (recommended)", 4, 2): "does not meet",
        ("intermediate precision: series (recommended)", 8, 4): "does not meet",
    }
    assert {one.source for one in assessment.design} == {"House rules, 3, 4.2"}
    assert assessment.verdict == "not demonstrated"
    assert assessment.reason == (
        "The design required by House rules, 3, 4.2 is short (intermediate precision: levels (required): "
        "2 provided, 3 required)."
    )


def test_of_several_accepted_designs_the_nearest_is_shown(assessed):
    """Who satisfies one of two accepted designs is not asked for the other."""
    design = {
        "alternatives": [
            {"name": "few levels, many results", "minimums": {"levels": 1, "replicates_per_level": 12}},
            {"name": "many levels", "minimums": {"levels": 3, "replicates_per_level": 3}},
        ]
    }

    found = assessed(rule("repeatability", design=design), precision=precision(5)).design

    assert [(one.required, one.outcome) for one in found] == [(1, "meets"), (12, "meets")]


def test_a_design_of_what_was_not_measured_is_not_assessed(assessed):
    """Nothing measured is nothing counted, and no shortfall either."""
    (one,) = assessed(rule("recovery", design={"minimums": {"levels": 3}})).design

    assert (one.provided, one.outcome) == (None, "not assessed")


def test_rules_for_another_kind_of_method_are_left_out(assessed):
    """A rule for assays alone is no rule for a method that does not say what it is for."""
    assert assessed(rule("repeatability", SPREAD, kinds=["assay"]), precision=precision(5)).findings == ()


def test_a_profile_that_cannot_be_read(judged, described):
    """A malformed profile is a problem of the guidance, named with its file and key."""
    spoiled = profile(rule("repeatability", SPREAD))
    del spoiled["requirements"][0]["clause"]

    with pytest.raises(GuidanceError, match=r"house-rules\.yaml"):
        judged(described(guidance=["house-rules"]), {"house-rules.yaml": yaml.safe_dump(spoiled)})


def test_a_limit_that_cannot_be_had_is_said_with_what_it_takes(assessed):
    """The reason and the remedy of the missing limit; where there is no figure either, that comes first."""
    table = {"figure": "mean_recovery_percent", "by_analyte": [{"analytes": ["zinc"], "within": [90, 110]}]}
    recovery = {"runs": [{"level": 5, "found": [5.0, 5.1]}]}
    named = {"id": "x", "name": "X"}

    (no_limit,) = assessed(rule("recovery", table), analyte=named, recovery=recovery).findings
    (no_figure,) = assessed(rule("recovery", table), analyte=named).findings

    assert no_limit.reason == "the table of limits does not list 'x'"
    assert no_limit.needs.startswith("a criterion of the study, or the name of the analyte")
    assert no_figure.reason == "no recovery data were provided"
    assert no_figure.needs.startswith("spiked samples")


def test_equal_variances_are_asked_of_lines_without_weights_only(assessed):
    """A weighted calibration has answered unequal variances already."""
    equal = rule("residual_pattern", {"figure": "variance_ratio_p", "p_min": 0.02})
    calibration = {
        "runs": [
            {"level": level, "signals": [level * (1 + spread * z) for z in (-1, 0.2, 0.8)]}
            for level, spread in ((1, 0.0002), (3, 0.01), (5, 0.01), (9, 0.02))
        ]
    }

    def outcome(weighting):
        choices = {"calibration": {"model": "linear", "weighting": weighting}}
        (found,) = assessed(equal, analysis=choices, calibration=calibration).findings
        return found

    assert outcome("none").outcome == "does not meet"
    assert outcome("1/x^2").outcome == "not assessed"
    assert "weighted" in outcome("1/x^2").reason


def test_customary_minima_decide_nothing(assessed):
    """A custom that is not followed is told; without a required design the claim is not demonstrated."""
    criteria = [{"characteristic": "repeatability", "rsd_max": 5}]

    def judged_under(status):
        design = {"status": status, "minimums": {"levels": 3}}
        return assessed(
            rule("repeatability", design=design),
            criteria=criteria,
            precision=precision(2),
            identity={"purpose": "partial"},
        )

    custom, demand = judged_under("customary"), judged_under("required")

    assert [one.requirement for one in custom.design] == ["repeatability: levels (customary)"]
    assert [one.outcome for one in custom.design] == ["does not meet"]
    assert (custom.verdict, demand.verdict) == ("fit", "not demonstrated")
