"""The catalogue of caveats: complete, sourced, and filled with a study's numbers."""

import re

import pytest

from validator.characteristics.order import CHARACTERISTICS
from validator.errors import GuidanceError
from validator.guidance import caveat_texts
from validator.guidance.caveats import read_catalogue
from validator.sources import Source

CATALOGUE = caveat_texts()


def test_the_catalogue():
    """These caveats exist, each once."""
    assert sorted(CATALOGUE) == [
        "acceptance_limits_not_set_beforehand",
        "agreement_by_test_only",
        "answers_on_stability_differ",
        "between_series_part_badly_known",
        "bias_neither_corrected_nor_included",
        "bias_over_the_range",
        "blank_not_matrix_matched",
        "blanks_censored_or_rounded",
        "blanks_off_the_line",
        "calibration_curve_bends",
        "calibration_outlier",
        "calibration_series_differ",
        "carry_over_present",
        "comparison_from_few_samples",
        "conditions_to_hold",
        "conformity_without_decision_rule",
        "correlation_offered_as_linearity",
        "data_not_traceable",
        "deciding_limit_weakened",
        "design_below_guidance",
        "detection_limit_extrapolated",
        "devices_not_told_apart",
        "drift_with_run_order",
        "exclusion_without_cause",
        "false_digits",
        "few_robustness_factors",
        "file_read_with_doubt",
        "guidance_no_longer_current",
        "instrument_limit_as_method_limit",
        "intercept_differs_from_zero",
        "interference_test_cannot_decide",
        "interferents_limit_samples",
        "intermediate_precision_from_one_day",
        "level_not_plausible",
        "limit_depends_on_definition",
        "limit_too_high_for_purpose",
        "line_forced_through_zero",
        "linear_parts_chosen_afterwards",
        "low_standards_misread",
        "many_tests",
        "matrices_claimed_beyond_tested",
        "matrix_effect_not_compensated",
        "matrix_effect_not_examined",
        "mean_recovery_hides_spread",
        "misfit_significant_but_small",
        "no_difference_without_power",
        "no_replicate_standards",
        "noise_reading_not_stated",
        "one_dilution_chain",
        "only_repeatability_given",
        "outlying_laboratories",
        "plan_departed",
        "quantification_limit_below_lowest_calibrator",
        "raised_by_excluded_results",
        "range_wider_than_tested",
        "recommended_not_studied",
        "reference_material_unlike_samples",
        "repeat_readings_counted",
        "results_below_quantification_limit_as_numbers",
        "same_material_calibrates_and_checks",
        "sample_and_solution_limits_mixed",
        "scatter_too_small_to_be_independent",
        "second_order_describes_better",
        "signals_depend_on_evaluation",
        "single_results_not_plausible",
        "slope_not_significant",
        "spike_badly_chosen",
        "stability_claim_beyond_test",
        "standard_addition_in_doubt",
        "too_few_devices",
        "too_few_or_badly_spread_levels",
        "too_few_replicates",
        "trueness_from_spikes_only",
        "uncertainty_incomplete",
        "unequal_scatter_ignored",
        "weights_from_few_replicates",
        "weights_weakly_founded",
    ]


def test_what_stops_a_claim():
    """The caveats under which a claim cannot stand as written."""
    assert {caveat.id for caveat in CATALOGUE.values() if caveat.severity == "stop"} == {
        "acceptance_limits_not_set_beforehand",
        "bias_neither_corrected_nor_included",
        "blanks_off_the_line",
        "exclusion_without_cause",
        "intermediate_precision_from_one_day",
        "level_not_plausible",
        "limit_too_high_for_purpose",
        "matrix_effect_not_compensated",
        "range_wider_than_tested",
        "repeat_readings_counted",
        "same_material_calibrates_and_checks",
        "single_results_not_plausible",
        "slope_not_significant",
        "too_few_devices",
        "uncertainty_incomplete",
    }


def test_what_limits_the_use():
    """The caveats under which a method is fit only within a restriction."""
    assert {caveat.id for caveat in CATALOGUE.values() if caveat.severity == "condition"} == {
        "carry_over_present",
        "conditions_to_hold",
        "interferents_limit_samples",
        "recommended_not_studied",
    }


def test_every_caveat_can_be_read_alone():
    """Meaning and remedy are sentences without numbers of the study."""
    for name, caveat in CATALOGUE.items():
        for sentence in (caveat.text, caveat.remedy):
            assert re.fullmatch(r"[A-Z][^{]*[.]", sentence), name
        assert set(caveat.characteristics) <= set(CHARACTERISTICS), name
        assert caveat.severity != "stop" or caveat.characteristics, name


def test_every_case_is_filled_without_a_gap():
    """With exactly the values it names, a case becomes a sentence in which each of them stands."""
    for caveat, case in ((one, case) for one in CATALOGUE.values() for case in one.cases):
        where = f"{caveat.id}: {case}"
        values = {name: f"<{name}>" for name in caveat.values_of(case)}

        filled = caveat.fill(case, values)

        assert re.fullmatch(r"['A-Z<][^{]*[.]", filled.because), where
        assert all(value in filled.because for value in values.values()), where
        assert filled.id == caveat.id
        for name in ("severity", "title", "text", "remedy"):
            assert getattr(filled, name) == (getattr(caveat.cases[case], name) or getattr(caveat, name))
        for sentence in (filled.text, filled.remedy):
            assert re.fullmatch(r"[A-Z].*[.]", sentence), where


def test_a_filled_caveat_reads_well():
    """The whole caveat with the numbers of a study."""
    filled = CATALOGUE["repeat_readings_counted"].fill(
        "repeated",
        {"readings": 30, "preparations": "2 independent preparations", "block": "precision at 5 mg/L"},
    )

    assert filled.severity == "stop"
    assert filled.because == (
        "The 30 values in precision at 5 mg/L were obtained from only 2 independent preparations."
    )
    assert filled.sources[0] == Source("Eurachem fitness-for-purpose guide 2014, 6.6.2.1", "memory")


def test_a_case_may_weigh_less_than_its_caveat():
    """One device stops a claim on a kind of device; four are a caution."""
    caveat = CATALOGUE["too_few_devices"]

    assert caveat.fill("one_or_two", {"devices": 1}).severity == "stop"
    assert caveat.fill("three_or_four", {"devices": 4}).severity == "caution"


@pytest.mark.parametrize("values", [{}, {"devices": 1, "sensors": 2}])
def test_missing_or_surplus_values_are_an_error_of_the_caller(values):
    """A sentence is never printed with a gap, and no value is dropped in silence."""
    with pytest.raises(KeyError, match="too_few_devices, case one_or_two: needs"):
        CATALOGUE["too_few_devices"].fill("one_or_two", values)


def test_a_value_with_braces_is_printed_as_it_is():
    """Names written by the user are never read as placeholders."""
    filled = CATALOGUE["same_material_calibrates_and_checks"].fill(
        "same", {"level": "5 mg/L", "note": "lot {level} {0}"}
    )

    assert filled.because == "Remark in the study on the check at 5 mg/L: “lot {level} {0}”."


ENTRY = """format: guidance-caveats/1
caveats:
  - id: an_example
    severity: caution
    characteristics: [recovery]
    title: An example
    text: This is an example.
    cases:
      plain: {when: always, because: "It is so because of {reason}."}
    values: {reason: why}
    remedy: Do otherwise.
    sources:
      - {text: common practice, status: practice}
"""


@pytest.mark.parametrize(
    ("old", "new", "message"),
    [
        (
            "values: {reason: why}",
            "values: {}",
            "x.yaml:3: caveats[0]: the value 'reason' must stand both in a sentence and under 'values'",
        ),
        (
            "{reason}.",
            "{Reason!r}.",
            "x.yaml:3: caveats[0]: the value 'Reason!r' must stand both in a sentence and under 'values'",
        ),
        (
            ", status: practice",
            "",
            (
                "x.yaml:13: caveats[0].sources[0].status: is missing; write how far the source was "
                "consulted: seen, reprint, quotation, memory or practice"
            ),
        ),
        (
            "status: practice",
            "status: memry",
            "x.yaml:13: caveats[0].sources[0].status: unknown value 'memry'; did you mean 'memory'?",
        ),
        (
            "severity: caution",
            "severity: cautoin",
            "x.yaml:4: caveats[0].severity: unknown value 'cautoin'; did you mean 'caution'?",
        ),
        (
            "[recovery]",
            "[recoverie]",
            "x.yaml:5: caveats[0].characteristics[0]: unknown value 'recoverie'; did you mean 'recovery'?",
        ),
    ],
)
def test_a_malformed_entry_is_refused(tmp_path, old, new, message):
    """File, line, field and a way out, as a whole sentence."""
    assert old in ENTRY
    (tmp_path / "x.yaml").write_text(ENTRY.replace(old, new), encoding="utf-8")

    with pytest.raises(GuidanceError) as caught:
        read_catalogue(tmp_path)

    assert str(caught.value) == message


def test_an_id_is_used_once(tmp_path):
    """Two files cannot claim the same caveat."""
    for name in ("a.yaml", "b.yaml"):
        (tmp_path / name).write_text(ENTRY, encoding="utf-8")

    with pytest.raises(GuidanceError) as caught:
        read_catalogue(tmp_path)

    assert str(caught.value) == (
        "b.yaml: caveats: the id 'an_example' is used twice; give each caveat its own"
    )
