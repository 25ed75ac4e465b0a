"""Caveats on detection and quantification limits and on blanks: raised by these data, not by a near twin."""

from __future__ import annotations

import pytest
from msgspec.structs import replace

from validator import assess, evaluate
from validator.assessment.caveats.of_limits import OWN_CASES, TOLD_BY_THE_DATA
from validator.guidance import caveat_texts
from validator.statistics.detection import result


def line(levels, slope=0.1, more=""):
    """A straight calibration, three preparations at each level."""
    turn = ((0.001, -0.001, 0.0), (-0.001, 0.0, 0.001), (0.0, 0.001, -0.001))
    runs = [
        f"{{level: {level}, signals: {[round(slope * level + d, 6) for d in turn[index % 3]]}{more}}}"
        for index, level in enumerate(levels)
    ]
    return f"{{runs: [{', '.join(runs)}]}}"


def decides(detection, quantification=None, more=""):
    """The variants that decide."""
    return (
        f"{{decision_rule: guarded, detection_limit: {{variant: {detection}}}, "
        f"quantification_limit: {{variant: {quantification or detection}}}{more}}}"
    )


def blanks(*signals, more="", axis="signals"):
    """Independent blanks."""
    return f"{{preparation: independent, runs: [{{{axis}: {list(signals)}{more}}}]}}"


TEN = (0.0011, 0.0006, 0.0014, 0.0009, 0.0012, 0.0010, 0.0017, 0.0003, 0.0008, 0.0013)
SCATTERING = tuple(round(10 * value, 4) for value in TEN)
LOW = (0.04, 0.1, 0.2, 0.3, 0.4)
HIGH = (1, 2, 4, 6, 8, 10)
OFFSET = tuple(round(2 + 10 * one, 4) for one in TEN)
CENTRED = tuple(round(10 * one - 0.0102, 4) for one in TEN)
SPIKES = "{runs: [{level: 0.3, series: S1, concentrations: [0.29, 0.31, 0.27, 0.33]}]}"
RIVER = {"matrix": "river water"}
FOOD = {"unit": "mg/kg", "legal_limit": "0.5"}
NOISE = "{runs: [{level: 1, signal_height: 0.1, noise: 0.01, noise_kind: peak_to_peak%s}]}"
DESCRIBED = ", note: read over two minutes beside the peak"
SERIES = "{{runs: [{}]}}".format(
    ", ".join(f"{{series: B{index % 3}, signals: [{value}]}}" for index, value in enumerate(TEN))
)
SEVEN = "{{runs: [{{level: 0.3, {}concentrations: [0.29, 0.31, 0.27, 0.33, 0.30, 0.28, 0.32]}}]}}"


def in_batches(level, more=""):
    """Seven results over three batches, about a level."""
    deviations = (-0.01, 0.01, -0.03, 0.03, 0.0, -0.02, 0.02)
    runs = [
        f"{{series: B{i % 3}, {more}concentrations: [{round(level + d, 3)}]}}"
        for i, d in enumerate(deviations)
    ]
    return f"{{runs: [{', '.join(runs)}]}}"


WEIGHTED = ", calibration: {weighting: %s}"
LEGAL = {"legal_limit": "10"}
LOW_LINE = {"calibration": line(LOW), "blanks": blanks(*SCATTERING), "analysis": decides("blank_3s")}
HIGH_LINE = {**LOW_LINE, "calibration": line(HIGH)}

OFF_THE_LINE = (
    "The mean blank reads 0.21 mg/L (difference from zero: t = 47.3, p < 0.001); the limit "
    "(Blank, 3s (Eurachem)) is 0.012 mg/L."
)
BLANKS_OFF_THE_LINE = {
    "calibration": line(LOW),
    "blanks": blanks(*(round(0.02 + one, 4) for one in TEN)),
    "analysis": decides("blank_3s"),
}

CASES = [
    (
        "quantification_limit_below_lowest_calibrator:below",
        "The quantification limit of 0.41 mg/L is below the lowest standard, 1 mg/L.",
        {
            **HIGH_LINE,
        },
        {
            **LOW_LINE,
        },
    ),
    (
        "quantification_limit_below_lowest_calibrator:below",
        "The quantification limit of 0.41 mg/L is below the lowest standard, 1 mg/L.",
        {
            **HIGH_LINE,
        },
        {
            **HIGH_LINE,
            "low_level": SPIKES,
        },
    ),
    (
        "detection_limit_extrapolated:nothing_near",
        "No measurement was made near 0.12 mg/L; the lowest standard is 1 mg/L.",
        {
            **HIGH_LINE,
        },
        {
            **HIGH_LINE,
            "low_level": SPIKES,
        },
    ),
    (
        "detection_limit_extrapolated:range_too_wide",
        "The calibration used for the limit of 0.029 mg/L extends to 10 mg/L, 350 times the limit.",
        {"calibration": line(HIGH), "analysis": decides("residual_3.3")},
        {"calibration": line((0, 0.01, 0.02, 0.05, 0.1)), "analysis": decides("residual_3.3")},
    ),
    (
        "limit_depends_on_definition:spread",
        (
            "The detection limits obtained from these data differ by a factor of 19, from 0.013 mg/L "
            "(SD of intercept, 3.3s (ICH)) to 0.24 mg/L (DIN 32645, blank method)."
        ),
        {
            **HIGH_LINE,
        },
        {"blanks": blanks(*TEN, axis="concentrations"), "analysis": decides("blank_3s")},
    ),
    (
        "limit_depends_on_definition:undeclared",
        (
            "The study declares no approach; Blank, 3s (Eurachem) was taken from the default rule (at "
            "least ten independent blanks)."
        ),
        {"calibration": line(HIGH), "blanks": blanks(*SCATTERING)},
        {
            **HIGH_LINE,
        },
    ),
    (
        "limit_depends_on_definition:undeclared",
        "The study declares no approach; Residual SD, 3.3s (ICH) was taken from ICH Q2(R2).",
        {
            "study": {"guidance": "[ich-q2r2-2023]"},
            "calibration": line(HIGH),
            "criteria": "[{characteristic: detection_limit, max: 1}]",
        },
        {"study": {"guidance": "[ich-q2r2-2023]"}, "calibration": line(HIGH)},
    ),
    (
        "limit_too_high_for_purpose:above_legal_limit",
        "The quantification limit is 410 % of the legal limit.",
        {
            "analyte": {"legal_limit": "0.1"},
            **LOW_LINE,
        },
        {
            "analyte": {"legal_limit": "1"},
            **LOW_LINE,
        },
    ),
    (
        "limit_too_high_for_purpose:above_share",
        (
            "The quantification limit is 41 % of the legal limit; Directive 2009/90/EC, 2009, article "
            "4(1) permits 30 %."
        ),
        {
            "study": {"guidance": "[eu-water-monitoring-2009-90]"},
            "analyte": {"legal_limit": "1"},
            **LOW_LINE,
        },
        {
            "study": {"guidance": "[eu-water-monitoring-2009-90]"},
            "analyte": {"legal_limit": "2"},
            **LOW_LINE,
        },
    ),
    (
        "limit_too_high_for_purpose:detection_share",
        "The detection limit is 24 % of the legal limit; 10 % is usual for a maximum level in food.",
        {
            "analyte": FOOD,
            **LOW_LINE,
        },
        {
            "analyte": {"legal_limit": "0.5"},
            **LOW_LINE,
        },
    ),
    (
        "instrument_limit_as_method_limit:standards_only",
        (
            "The limit (Residual SD, 3.3s (ICH)) is based on standards alone; no blank or low-level "
            "sample of river water was taken through the procedure."
        ),
        {"study": RIVER, "calibration": line(HIGH), "analysis": decides("residual_3.3")},
        {
            "study": RIVER,
            "calibration": line(HIGH, more=", matrix: river water"),
            "analysis": decides("residual_3.3"),
        },
    ),
    (
        "noise_reading_not_stated:window_missing",
        (
            "The limit is based on 1 reading of noise (peak to peak), and the study does not state where "
            "and how the noise was measured."
        ),
        {"noise": NOISE % "", "analysis": decides("signal_to_noise")},
        {"noise": NOISE % DESCRIBED, "analysis": decides("signal_to_noise")},
    ),
    (
        "noise_reading_not_stated:read_once",
        (
            "The limit is based on 1 reading of noise (peak to peak); its variation between recordings is "
            "unknown."
        ),
        {"noise": NOISE % DESCRIBED, "analysis": decides("signal_to_noise")},
        {"noise": NOISE % DESCRIBED, "calibration": line(HIGH), "analysis": decides("residual_3.3")},
    ),
    (
        "sample_and_solution_limits_mixed:diluted",
        (
            "Samples for standard addition were diluted by 10. The limit of 0.41 mg/L refers to the "
            "measured solution and corresponds to 4.1 mg/L in such a sample."
        ),
        {
            **LOW_LINE,
            "standard_addition": "{runs: [{sample: A, dilution_factor: 10, added: [0, 1, 2], signals: [0.1, "
            "0.2, 0.3]}]}",
        },
        {
            **LOW_LINE,
            "standard_addition": "{runs: [{sample: A, added: [0, 1, 2], signals: [0.1, 0.2, 0.3]}]}",
        },
    ),
    (
        "results_below_quantification_limit_as_numbers:unflagged",
        "2 of 2 results in recovery were obtained at levels below the quantification limit of 0.41 mg/L.",
        {
            **LOW_LINE,
            "recovery": "{runs: [{level: 0.3, found: [0.29, 0.5]}]}",
        },
        {
            **LOW_LINE,
            "recovery": "{runs: [{level: 0.42, found: [0.29, 0.5]}]}",
        },
    ),
    (
        "results_below_quantification_limit_as_numbers:zeros",
        "1 of 3 results in comparison are reported as zero.",
        {
            **LOW_LINE,
            "comparison": "{runs: [{sample: A, this_method: 0, reference_method: 1}, "
            "{sample: B, this_method: 2, reference_method: 2}, "
            "{sample: C, this_method: 3, reference_method: 3}]}",
        },
        {
            **LOW_LINE,
            "comparison": "{runs: [{sample: A, this_method: 1, reference_method: 1}, "
            "{sample: B, this_method: 2, reference_method: 2}, "
            "{sample: C, this_method: 3, reference_method: 3}]}",
        },
    ),
    # --- blanks
    (
        "blanks_off_the_line:offset",
        OFF_THE_LINE,
        BLANKS_OFF_THE_LINE,
        {
            **BLANKS_OFF_THE_LINE,
            "analysis": decides("blank_mean_3s"),
        },
    ),
    (
        "blanks_off_the_line:offset",
        OFF_THE_LINE,
        BLANKS_OFF_THE_LINE,
        {
            **BLANKS_OFF_THE_LINE,
            "blanks": blanks(*(round(0.02 + one, 4) for one in TEN), more=", blank_correction: subtracted"),
        },
    ),
    (
        "blanks_off_the_line:offset",
        (
            "The mean blank reads 2.0 mg/L (difference from zero: t = 1570, p < 0.001); the limit (Blank, 3s "
            "(Eurachem)) is 0.012 mg/L."
        ),
        {"blanks": blanks(*OFFSET, axis="concentrations"), "analysis": decides("blank_3s")},
        {"blanks": blanks(*CENTRED, axis="concentrations"), "analysis": decides("blank_3s")},
    ),
    (
        "blanks_censored_or_rounded:identical",
        "7 of 10 blank values are identical.",
        {
            "blanks": blanks(*[0.1] * 7, 0.12, 0.08, 0.11, axis="concentrations"),
            "analysis": decides("blank_3s"),
        },
        {
            "blanks": blanks(0.1, 0.09, 0.13, 0.105, 0.11, 0.1, 0.1, 0.12, 0.08, 0.07, axis="concentrations"),
            "analysis": decides("blank_3s"),
        },
    ),
    (
        "blanks_censored_or_rounded:identical",
        "4 of 4 blank values are identical.",
        {"blanks": blanks(*[0.1] * 4, axis="concentrations")},
        {"blanks": blanks(0.1, 0.13, 0.08, 0.11, axis="concentrations")},
    ),
    (
        "blanks_censored_or_rounded:censored",
        "1 of 4 blank values are reported as less than a limit.",
        {"blanks": '{preparation: independent, runs: [{concentrations: [0.1, 0.2, "<0.05", 0.3]}]}'},
        {"blanks": blanks(0.1, 0.2, 0.04, 0.3, axis="concentrations")},
    ),
    (
        "blanks_censored_or_rounded:clipped",
        "4 of 10 blank values are exactly zero and none is negative.",
        {
            "blanks": blanks(0.0, 0.0, 0.0, 0.0, 0.11, 0.07, 0.02, 0.15, 0.09, 0.03, axis="concentrations"),
            "analysis": decides("blank_3s"),
        },
        {
            "blanks": blanks(
                0.0, -0.04, 0.0, 0.0, 0.11, 0.07, 0.02, -0.15, 0.09, 0.03, axis="concentrations"
            ),
            "analysis": decides("blank_3s"),
        },
    ),
    (
        "blanks_censored_or_rounded:resolution",
        (
            "The 10 blank values are recorded in steps of 0.10 mg/L; rounding contributes much of their "
            "standard deviation."
        ),
        {
            "blanks": blanks(0.1, 0.2, 0.1, 0.2, 0.1, 0.2, 0.1, 0.2, 0.1, 0.2, axis="concentrations"),
            "analysis": decides("blank_3s"),
        },
        {
            "blanks": blanks(0.1, 0.2, 0.1, 0.2, 0.13, 0.2, 0.17, 0.2, 0.1, 0.15, axis="concentrations"),
            "analysis": decides("blank_3s"),
        },
    ),
    (
        "blanks_censored_or_rounded:skewed",
        "The 10 blank values are not normally distributed (Shapiro–Wilk, p < 0.001).",
        {
            "blanks": blanks(
                0.10, 0.12, 0.11, 0.13, 0.09, 0.12, 0.11, 0.95, 0.10, 0.12, axis="concentrations"
            ),
            "analysis": decides("blank_3s"),
        },
        {
            "blanks": blanks(
                0.10, 0.12, 0.11, 0.13, 0.09, 0.12, 0.11, 0.14, 0.10, 0.12, axis="concentrations"
            ),
            "analysis": decides("blank_3s"),
        },
    ),
    (
        "blank_not_matrix_matched:other_matrix",
        "Blanks: reagent blanks; samples: river water.",
        {
            "study": RIVER,
            "blanks": blanks(*TEN, axis="concentrations", more=", kind: reagent"),
            "analysis": decides("blank_3s"),
        },
        {
            "study": RIVER,
            "blanks": blanks(*TEN, axis="concentrations", more=", kind: matrix"),
            "analysis": decides("blank_3s"),
        },
    ),
    (
        "blank_not_matrix_matched:other_matrix",
        "Blanks: distilled water; samples: river water.",
        {
            "study": RIVER,
            "blanks": blanks(*TEN, axis="concentrations", more=", matrix: distilled water"),
            "analysis": decides("blank_3s"),
        },
        {
            "study": RIVER,
            "blanks": blanks(*TEN, axis="concentrations", more=", matrix: canal water"),
            "analysis": decides("blank_3s"),
        },
    ),
    # --- what the deciding variant says of itself
    (
        "deciding_limit_weakened:one_series",
        (
            "The data for the limit (Low-level sample, 3s (Eurachem)) were obtained in one series or in "
            "unrecorded series; day-to-day variation is not included."
        ),
        {
            "blanks": blanks(*TEN, axis="concentrations"),
            "low_level": SPIKES,
            "analysis": decides("low_level_3s"),
        },
        {"blanks": blanks(*TEN, axis="concentrations"), "low_level": SPIKES, "analysis": decides("blank_3s")},
    ),
    (
        "deciding_limit_weakened:design_below_document",
        (
            "The limit (Method detection limit (40 CFR 136)) is based on 7 spiked samples from unrecorded "
            "batches and no method blank; the document requires seven of each in three batches."
        ),
        {"low_level": SEVEN.format(""), "analysis": decides("epa_mdl")},
        {"low_level": SEVEN.format(""), "analysis": decides("low_level_3s")},
    ),
    (
        "deciding_limit_weakened:design_below_document",
        (
            "The limit (Method detection limit (40 CFR 136)) is based on 7 spiked samples in 1 batch and 10 "
            "method blanks in 1 batch; the document requires seven of each in three batches."
        ),
        {
            "low_level": SEVEN.format("series: B1, "),
            "blanks": blanks(*TEN, axis="concentrations", more=", series: B1"),
            "analysis": decides("epa_mdl"),
        },
        {
            "low_level": in_batches(0.3, "level: 0.3, "),
            "blanks": in_batches(0.0),
            "analysis": decides("epa_mdl"),
        },
    ),
    (
        "deciding_limit_weakened:low_end_weight_assumed",
        (
            "The limit (Residual SD, 3.3s (ICH)) assumes that the weight of the lowest standard applies "
            "down to level 0."
        ),
        {"calibration": line(HIGH), "analysis": decides("residual_3.3", more=WEIGHTED % "1/x^2")},
        {"calibration": line(HIGH), "analysis": decides("residual_3.3", more=WEIGHTED % "none")},
    ),
    (
        "deciding_limit_weakened:low_end_weight_assumed",
        (
            "The limit (Residual SD, 3.3s (ICH)) assumes that the weight of the lowest standard applies "
            "down to level 0."
        ),
        {"calibration": line(HIGH), "analysis": decides("residual_3.3", more=WEIGHTED % "1/s^2")},
        {"calibration": line((0, *HIGH)), "analysis": decides("residual_3.3", more=WEIGHTED % "1/s^2")},
    ),
    (
        "deciding_limit_weakened:slope_of_curve_at_zero",
        "The limit (Residual SD, 3.3s (ICH)) is calculated with the slope of the curve at level 0.",
        {
            "calibration": line(HIGH),
            "analysis": decides("residual_3.3", more=", calibration: {model: quadratic}"),
        },
        {"calibration": line(HIGH), "analysis": decides("residual_3.3")},
    ),
    (
        "deciding_limit_weakened:level_far_from_limit",
        (
            "The data for the limit (Low-level sample, 3s (Eurachem)) were obtained at 9 mg/L, far from "
            "0.25 mg/L; the standard deviation at the limit may differ."
        ),
        {
            "low_level": "{runs: [{level: 9, series: S1, concentrations: [9.0, 9.1, 8.9]}, "
            "{level: 9, series: S2, concentrations: [9.1, 9.0]}]}",
            "analysis": decides("low_level_3s"),
        },
        {
            "low_level": "{runs: [{level: 1, series: S1, concentrations: [1.0, 1.1, 0.9]}, "
            "{level: 1, series: S2, concentrations: [1.1, 1.0]}]}",
            "analysis": decides("low_level_3s"),
        },
    ),
    (
        "deciding_limit_weakened:blanks_not_normal",
        (
            "The blanks are not normally distributed, or some gave no value; the limit (Limit of blank and "
            "limit of detection (CLSI EP17)) was determined by rank."
        ),
        {
            "blanks": "{preparation: independent, runs: [{series: S1, concentrations: [0.1, 0.12, 0.11, "
            "0.13, 0.09]}, {series: S2, concentrations: [0.12, 0.11, 0.95, 0.1, 0.12, 0.11]}]}",
            "low_level": SPIKES,
            "analysis": decides("lob_lod", "low_level_3s"),
        },
        {
            "blanks": "{preparation: independent, runs: [{series: S1, concentrations: [0.1, 0.12, 0.11, "
            "0.13, 0.09]}, {series: S2, concentrations: [0.12, 0.11, 0.14, 0.1, 0.12, 0.11]}]}",
            "low_level": SPIKES,
            "analysis": decides("lob_lod", "low_level_3s"),
        },
    ),
    (
        "deciding_limit_weakened:extrapolated",
        "The limit (Precision profile) of 2.2 mg/L lies outside the levels at which precision was tested.",
        {
            "precision": "{runs: [{level: 10, concentrations: [10, 10.3, 9.7, 10.1]}, "
            "{level: 20, concentrations: [20, 20.4, 19.6, 20.1]}]}",
            "analysis": decides("blank_3s", "precision_profile"),
        },
        {
            "precision": "{runs: [{level: 1, concentrations: [1, 1.3, 0.7, 1.1]}, "
            "{level: 20, concentrations: [20, 20.4, 19.6, 20.1]}]}",
            "analysis": decides("blank_3s", "precision_profile"),
        },
    ),
    (
        "deciding_limit_weakened:no_precision_at_limit",
        (
            "The limit (Lower end of the linear range) is the lowest level at which the "
            "calibration is linear; "
            "the precision and trueness of a result there were not considered."
        ),
        {"calibration": line(HIGH), "analysis": decides("blank_3s", "lower_linear_limit")},
        {"calibration": line(HIGH), "analysis": decides("blank_3s", "blank_10s")},
    ),
    (
        "deciding_limit_weakened:higher_level_fails",
        (
            "A level above the limit (Lowest validated level) does not meet the criteria met at the limit "
            "itself."
        ),
        {
            "recovery": "{runs: [{level: 1, found: [1, 1.02]}, {level: 5, found: [6.0, 6.1]}, "
            "{level: 10, found: [10, 10.1]}]}",
            "criteria": "[{characteristic: recovery, min: 90, max: 110}]",
            "analysis": decides("blank_3s", "lowest_validated_level"),
        },
        {
            "recovery": "{runs: [{level: 1, found: [1, 1.02]}, {level: 5, found: [5.0, 5.1]}, "
            "{level: 10, found: [10, 10.1]}]}",
            "criteria": "[{characteristic: recovery, min: 90, max: 110}]",
            "analysis": decides("blank_3s", "lowest_validated_level"),
        },
    ),
    (
        "deciding_limit_weakened:no_blank_in_calibration",
        "The calibration used for the limit (ISO 11843-2) includes no preparation at level 0.",
        {"calibration": line(HIGH), "analysis": decides("iso_11843", "residual_3.3")},
        {"calibration": line((0, *HIGH)), "analysis": decides("iso_11843", "residual_3.3")},
    ),
    (
        "too_few_replicates:without_guidance",
        (
            "With 7 results, the true standard deviation may be up to 2.2 times the estimate (upper end of "
            "the 95 % confidence interval)."
        ),
        {"calibration": line(HIGH), "blanks": blanks(*TEN[:7]), "analysis": decides("blank_3s")},
        {"calibration": line(HIGH), "blanks": blanks(*TEN[:7]), "analysis": decides("residual_3.3")},
    ),
]


@pytest.mark.parametrize(("which", "because", "raising", "twin"), CASES, ids=[case[0] for case in CASES])
def test_raised_by_these_data_and_not_by_a_near_twin(sentences, which, because, raising, twin):
    """The whole sentence with the numbers of the study, once; the twin differs in what counts."""
    assert sentences(raising, which) == [because]
    assert sentences(twin, which) == []


# --- only the variant that decides -----------------------------------------------------------------
CAUTIONS = sorted(value for name, value in vars(result).items() if name.isupper() and isinstance(value, str))


def test_every_caution_of_a_variant_has_its_caveat():
    """A caution that statistics can give is either a case of its own or has a trigger that sees the data."""
    assert sorted([*OWN_CASES, *TOLD_BY_THE_DATA]) == CAUTIONS
    assert set(OWN_CASES) == set(caveat_texts()["deciding_limit_weakened"].cases)
    assert set(TOLD_BY_THE_DATA.values()) <= set(caveat_texts())


@pytest.fixture(scope="module")
def with_caution(study_from_parts):
    """What a study says of the deciding limit when one variant is given a caution."""
    study = study_from_parts(
        {
            **HIGH_LINE,
        }
    )
    results = evaluate(study)

    def with_caution(name, caution):
        record = results.analytes["x"].configurations["default"]
        variant = record.detection.variants[name]
        weakened = replace(variant, cautions=(caution,), inputs={**variant.inputs, "level": 5.0})
        detection = replace(record.detection, variants={**record.detection.variants, name: weakened})
        configurations = {"default": replace(record, detection=detection)}
        analyte = replace(results.analytes["x"], configurations=configurations)
        changed = replace(results, analytes={"x": analyte})
        caveats = assess(study, changed).assessment.caveats
        return [one.because for one in caveats if one.id == "deciding_limit_weakened"]

    return with_caution


@pytest.mark.parametrize("caution", OWN_CASES)
def test_a_caution_counts_for_the_deciding_variant_only(with_caution, caution):
    """The variant that decides says it once for both limits; one that only stands beside says nothing."""
    (sentence,) = with_caution("blank_3s", caution)

    assert "(Blank, 3s (Eurachem))" in sentence
    assert with_caution("residual_3.3", caution) == []
