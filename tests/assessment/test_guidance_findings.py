"""Guidance held against a study: limits, the places they hold, designs, and what takes precedence."""

from __future__ import annotations

import pytest
import yaml

from validator.errors import GuidanceError

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

    def assessed(*requirements, guidance=("house-rules",), analyte=None, **blocks):
        study = described(guidance=guidance, **blocks)
        study["method"]["analytes"][0] |= analyte or {}
        tables = {"house-rules.yaml": yaml.safe_dump(profile(*requirements))}
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
        assert one.superseded_by is None


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


def test_the_studys_own_criterion_takes_precedence(assessed):
    """Both are shown; the study's own decides, however much stricter the guidance is."""
    strict = {"figure": "repeatability_rsd_percent", "rsd_max": 0.001}
    own = [{"characteristic": "repeatability", "rsd_max": 5}]

    assessment = assessed(rule("repeatability", strict), criteria=own, precision=precision(5))

    first, second = assessment.findings
    assert (first.own, first.outcome) == (True, "meets")
    assert (second.own, second.outcome) == (False, "does not meet")
    assert second.superseded_by == "superseded by the criterion of the study"
    assert assessment.verdict == "fit"


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
    assert guidance.superseded_by is None


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


def test_a_limit_on_what_was_not_measured_is_open_and_harmless(assessed):
    """The finding says what it would take; the verdict rests on what the study itself asked."""
    assessment = assessed(
        rule("recovery", {"figure": "mean_recovery_percent", "within": [90, 110]}),
        criteria=[{"characteristic": "repeatability", "rsd_max": 5}],
        precision=precision(5),
    )

    open_one = assessment.findings[-1]
    assert (open_one.characteristic, open_one.outcome) == ("recovery", "not assessed")
    assert "spiked samples" in open_one.needs
    assert assessment.verdict == "fit"


def test_minimum_designs_are_counted(assessed):
    """Required against provided, and what is recommended beside it."""
    design = {"minimums": {"levels": 3, "series": 4}, "recommended": {"levels": 4, "series": 8}}

    assessment = assessed(
        rule("intermediate_precision", design=design),
        criteria=[{"characteristic": "repeatability", "rsd_max": 5}],
        precision=precision(2, 8),
    )

    found = {(one.requirement, one.required, one.provided): one.outcome for one in assessment.design}
    assert found == {
        ("intermediate precision: levels (required)", 3, 2): "does not meet",
        ("intermediate precision: series (required)", 4, 4): "meets",
        ("intermediate precision: levels (recommended)", 4, 2): "does not meet",
        ("intermediate precision: series (recommended)", 8, 4): "does not meet",
    }
    assert {one.source for one in assessment.design} == {"House rules, 3, 4.2"}
    assert assessment.verdict == "fit with reservations"


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
    """A custom that is not followed is told; what is required makes a reservation."""
    criteria = [{"characteristic": "repeatability", "rsd_max": 5}]

    def judged_under(status):
        design = {"status": status, "minimums": {"levels": 3}}
        return assessed(rule("repeatability", design=design), criteria=criteria, precision=precision(2))

    custom, demand = judged_under("customary"), judged_under("required")

    assert [one.requirement for one in custom.design] == ["repeatability: levels (customary)"]
    assert [one.outcome for one in custom.design] == ["does not meet"]
    assert (custom.verdict, demand.verdict) == ("fit", "fit with reservations")
