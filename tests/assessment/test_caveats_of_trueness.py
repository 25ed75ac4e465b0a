"""Caveats on trueness, other methods and uncertainty: raised by these data, not by a near twin."""

from __future__ import annotations

import pytest

WITHIN = "[{characteristic: recovery, min: 90, max: 110}]"
RIVER = {"matrix": "river water"}


def simple(criteria=WITHIN):
    """The simple rule, which looks at no interval."""
    return {"analysis": "{decision_rule: simple}", "criteria": criteria}


def recovery(*runs):
    """A block of recovery runs."""
    return f"{{runs: [{', '.join(runs)}]}}"


def spike(added, *found, native=0, more=""):
    """Spikes of one amount."""
    return f"{{native: {native}, added: {added}, found: {list(found)}{more}}}"


def known(level, *found, more=""):
    """A solution known independently."""
    return f"{{level: {level}, found: {list(found)}{more}}}"


def reference(value, *found, more=""):
    """A reference material."""
    return f"{{reference: {value}, found: {list(found)}{more}}}"


def compared(n, difference=0.0, scatter=0.05):
    """Samples from 1 to 10 mg/L by two methods, the scatter turning its sign from one to the next."""
    runs = [
        f"{{sample: K{index}, this_method: {level + difference + scatter * (-1) ** index:.3f}, "
        f"reference_method: {level:.3f}}}"
        for index, level in ((i, 1 + 9 * i / n) for i in range(n))
    ]
    return f"{{runs: [{', '.join(runs)}]}}"


def days(*results):
    """Precision at 5 mg/L, two results in each series."""
    runs = [f"{{level: 5, series: S{i}, concentrations: {pair}}}" for i, pair in enumerate(results)]
    return f"{{runs: [{', '.join(runs)}]}}"


CALIBRATION = (
    "{runs: [{level: 1, signals: [0.101, 0.099]}, {level: 3, signals: [0.302, 0.297]}, "
    "{level: 5, signals: [0.501, 0.496]}, {level: 7, signals: [0.703, 0.698]}, "
    "{level: 9, signals: [0.899, 0.904]}, {level: 11, signals: [1.098, 1.103]}]}"
)
DAYS = days([5.0, 5.1], [4.9, 5.0], [5.2, 5.1], [5.0, 4.8], [5.1, 5.2], [4.9, 5.0])
ROUGH = days([5.0, 5.9], [4.2, 5.0], [5.9, 5.1], [5.0, 4.1], [5.1, 5.9], [4.2, 5.0])
ONE_DAY = "{runs: [{level: 5, date: 2025-01-14, concentrations: [5.0, 5.1, 4.9, 5.0, 5.05, 4.95]}]}"
ROUGH_DAY = "{runs: [{level: 5, date: 2025-01-14, concentrations: [5.0, 5.3, 4.7, 5.0, 5.2, 4.8]}]}"
LOW_FOUND = recovery(known(5, 4.5, 4.52, 4.48, 4.51, 4.49))
STOCK = "{name: stock solution, value: 0.5, relative: true, kind: standard, source: certificate}"
KNOWN_BIAS = "bias: {value: 0, standard_uncertainty: 0.1, relative: true}"
RATIO = (
    "{model: a/b, result_unit: mg/L, quantities: [{name: a, value: 10, uncertainty: 0.2}, "
    "{name: b, value: 10, uncertainty: %s}]}"
)
TINY = f"{{within_laboratory: none, {KNOWN_BIAS}, components: [{STOCK}]}}"
FULL = f"{{within_laboratory: from precision, {KNOWN_BIAS}, components: [{STOCK}]}}"
TOP_DOWN = {"calibration": CALIBRATION, "precision": DAYS, "uncertainty": "{target_percent: 50}"}

SLIPPED = "{runs: [{level: 5, series: S1, concentrations: [5.0, 0.51, 4.9]}]}"


def ranged(slope):
    """Spikes at three levels, found in the ratio *slope*."""
    return recovery(
        *(
            spike(x, *(round(slope * x + d, 4) for d in (0.02, -0.02, 0.01)), more=", matrix: m")
            for x in (2, 5, 9)
        )
    )


def one_sided(levels):
    """One material at each of *levels* contents, all found low; too few results of each for a line."""
    return recovery(
        *(known(1 + i, 0.9 * (1 + i), 1.0 * (1 + i) - 0.001, more=f", matrix: m{i}") for i in range(levels))
    )


NO_CHECK_STANDARD = (
    "The data include no check standard from an independent source, no reference material and no results of "
    "a second method."
)

CASES = [
    (
        "trueness_from_spikes_only:spikes_only",
        (
            "The study contains 3 spike recoveries, but no reference material and no results of a second "
            "method."
        ),
        {"recovery": recovery(spike(5, 5.0, 5.1, 4.9))},
        {"recovery": recovery(spike(5, 5.0, 5.1, 4.9), reference(5, 5.0, 5.1))},
    ),
    (
        "spike_badly_chosen:too_small",
        "The spike of 2 mg/L is 0.40 of the native content.",
        {"recovery": recovery(spike(2, 7.0, 7.1, native=5))},
        {"recovery": recovery(spike(2.5, 7.5, 7.6, native=5))},
    ),
    (
        "spike_badly_chosen:too_large",
        "The spike of 60 mg/L is 12 times the native content.",
        {"recovery": recovery(spike(60, 65.0, 65.1, native=5))},
        {"recovery": recovery(spike(60, 65.0, 65.1, native=5), spike(10, 15.0, 15.1, native=5))},
    ),
    (
        "spike_badly_chosen:too_large",
        "The spike of 60 mg/L is 12 times the native content.",
        {"recovery": recovery(spike(60, 65.0, 65.1, native=5)), "calibration": CALIBRATION},
        {"recovery": recovery(spike(9, 9.5, 9.6, native=0.5)), "calibration": CALIBRATION},
    ),
    (
        "spike_badly_chosen:added_late",
        "Remark on the spike in the study: “spiked after the extraction”.",
        {"recovery": recovery(spike(5, 5.0, 5.1, more=", note: spiked after the extraction"))},
        {"recovery": recovery(spike(5, 5.0, 5.1, more=", note: spiked before the extraction"))},
    ),
    (
        "reference_material_unlike_samples:other_matrix",
        "Reference material: estuarine sediment; samples: river water.",
        {"study": RIVER, "recovery": recovery(reference(5, 5.0, 5.1, more=", matrix: estuarine sediment"))},
        {"study": RIVER, "recovery": recovery(reference(5, 5.0, 5.1, more=", matrix: reference lake water"))},
    ),
    (
        "reference_material_unlike_samples:other_level",
        "The reference value of 50.0 mg/L is outside the levels of the samples, 1 to 10 mg/L.",
        {"analyte": {"target_levels": "[1, 10]"}, "recovery": recovery(reference(50, 50, 51))},
        {
            "analyte": {"target_levels": "[1, 10]"},
            "recovery": recovery(reference(50, 50, 51), reference(5, 5, 5.1)),
        },
    ),
    (
        "same_material_calibrates_and_checks:same",
        "Remark in the study on the check at 5 mg/L: “diluted from the calibration stock”.",
        {"recovery": recovery(known(5, 5.0, 5.1, more=", note: diluted from the calibration stock"))},
        {"recovery": recovery(known(5, 5.0, 5.1, more=", note: not made of what the calibration uses"))},
    ),
    (
        "one_dilution_chain:no_check_standard",
        NO_CHECK_STANDARD,
        {"calibration": CALIBRATION, "recovery": recovery(spike(5, 5.0, 5.1))},
        {"calibration": CALIBRATION, "recovery": recovery(spike(5, 5.0, 5.1), known(5, 5.0, 5.1))},
    ),
    (
        "one_dilution_chain:no_check_standard",
        NO_CHECK_STANDARD,
        {"calibration": CALIBRATION, "recovery": recovery(spike(5, 5.0, 5.1))},
        {
            "calibration": CALIBRATION,
            "recovery": recovery(spike(5, 5.0, 5.1)),
            "method": {"standards": "[{name: solution of another supplier, independent: true}]"},
        },
    ),
    (
        "one_dilution_chain:no_check_standard",
        NO_CHECK_STANDARD,
        {"calibration": CALIBRATION, "recovery": recovery(spike(5, 5.0, 5.1))},
        {
            "calibration": CALIBRATION,
            "recovery": recovery(spike(5, 5.0, 5.1)),
            "method": {"reagents": "[analyte x of a second supplier (spikes)]"},
        },
    ),
    (
        "bias_over_the_range:line",
        (
            "In m, slope 1 and intercept 0 of found against added are rejected together (p < 0.001); 3 of 3 "
            "mean recoveries lie below 100 %, on average by −4.9 %."
        ),
        {"recovery": ranged(0.95)},
        {"recovery": ranged(0.999)},
    ),
    (
        "bias_over_the_range:one_side",
        "6 of 6 mean recoveries lie below 100 %, on average by −5.0 % (sign test, p = 0.031).",
        {"recovery": one_sided(6)},
        {"recovery": one_sided(5)},
    ),
    (
        "level_not_plausible:far_from_level",
        (
            "Results in recovery that differ from the declared level by more than a factor of 3: 3 of 3 at "
            "5 mg/L. The furthest is 51.0 mg/L."
        ),
        {"recovery": recovery(known(5, 50.0, 51.0, 49.0))},
        {"recovery": recovery(known(5, 50.0, 51.0, 49.0, more=", level_confirmed: cells were bound to it"))},
    ),
    (
        "single_results_not_plausible:far_from_level",
        (
            "Results in precision that differ from the declared level by more than a factor of 3: 1 of 3 at "
            "5 mg/L. The furthest is 0.510 mg/L."
        ),
        {"precision": SLIPPED},
        {"precision": SLIPPED.replace("level: 5,", "level: 5, level_is: label,")},
    ),
    (
        "single_results_not_plausible:far_from_level",
        (
            "Results in precision that differ from the declared level by more than a factor of 3: 1 of 3 at "
            "5 mg/L. The furthest is 0.510 mg/L."
        ),
        {"precision": SLIPPED},
        {"precision": SLIPPED, "analysis": "{decision_rule: guarded, defaults: {slip_factor: 12}}"},
    ),
    (
        "bias_neither_corrected_nor_included:left_out",
        "The bias at 5 mg/L is −10 %, with a standard uncertainty of 0.14 %.",
        {"recovery": LOW_FOUND, "criteria": "[{characteristic: recovery, min: 95, max: 105}]"},
        {"recovery": LOW_FOUND, "criteria": "[{characteristic: recovery, min: 80, max: 120}]"},
    ),
    (
        "bias_neither_corrected_nor_included:left_out",
        "The bias at 5 mg/L is −10 %, with a standard uncertainty of 0.14 %.",
        {"recovery": LOW_FOUND, "precision": ONE_DAY},
        {"recovery": LOW_FOUND, "precision": DAYS},
    ),
    (
        "bias_neither_corrected_nor_included:left_out",
        "The bias at 5 mg/L is 1.0 %, with a standard uncertainty of 0.0082 %.",
        {"recovery": recovery(known(5, 5.05, 5.051, 5.049, 5.05))},
        {
            "recovery": recovery(known(5, 5.05, 5.051, 5.049, 5.05)),
            "precision": ROUGH_DAY,
        },
    ),
    (
        "no_difference_without_power:wide_interval",
        (
            "The half-width of the confidence interval of the difference (5 mg/L) is 110 %; the acceptance "
            "limit is 10 %."
        ),
        {"recovery": recovery(known(5, 4.6, 5.5)), "criteria": WITHIN},
        {"recovery": recovery(known(5, 4.9, 5.1, 5.0, 4.95)), "criteria": WITHIN},
    ),
    (
        "no_difference_without_power:wide_interval",
        (
            "The half-width of the confidence interval of the difference (comparison of 6 samples) is 42 %; "
            "the acceptance limit is 5 %."
        ),
        {
            "comparison": compared(6, scatter=1.0),
            "criteria": "[{characteristic: method_comparison, min: -5, max: 5}]",
        },
        {
            "comparison": compared(6, scatter=0.05),
            "criteria": "[{characteristic: method_comparison, min: -5, max: 5}]",
        },
    ),
    (
        "mean_recovery_hides_spread:interval",
        "The mean recovery at 5 mg/L is 102 %; its confidence interval is 79.2 to 125 %.",
        {**simple(), "recovery": recovery(known(5, 4.6, 5.2, 5.5))},
        {"criteria": WITHIN, "recovery": recovery(known(5, 4.6, 5.2, 5.5))},
    ),
    (
        "mean_recovery_hides_spread:single_value",
        "The mean recovery at 5 mg/L is 102 %; single recoveries range from 98.0 to 110.4 %.",
        {"criteria": WITHIN, "recovery": recovery(known(5, 5.0, 5.1, 4.9, 5.0, 5.52))},
        {"criteria": WITHIN, "recovery": recovery(known(5, 5.0, 5.1, 4.9, 5.0, 5.50))},
    ),
    (
        "comparison_from_few_samples:few_samples",
        "The comparison is based on 19 samples.",
        {"comparison": compared(19)},
        {"comparison": compared(20)},
    ),
    (
        "agreement_by_test_only:test_only",
        "The only criterion for the comparison is a test for a difference (p ≥ 0.05).",
        {"comparison": compared(20), "criteria": "[{characteristic: method_comparison, p_min: 0.05}]"},
        {
            "comparison": compared(20),
            "criteria": "[{characteristic: method_comparison, p_min: 0.05, max: 10}]",
        },
    ),
    (
        "uncertainty_incomplete:parts_missing",
        "The budget does not include: bias or recovery.",
        {"precision": DAYS, "uncertainty": f"{{components: [{STOCK}]}}"},
        {
            "precision": DAYS,
            "recovery": recovery(known(5, 5.0, 5.1, 4.9)),
            "uncertainty": f"{{components: [{STOCK}]}}",
        },
    ),
    (
        "uncertainty_incomplete:standards_missing",
        (
            "The budget does not include the content of the standards, which is not covered by precision or "
            "spike recovery."
        ),
        {**TOP_DOWN, "recovery": recovery(spike(5, 5.0, 5.1, 4.9))},
        {**TOP_DOWN, "recovery": recovery(reference(5, 5.0, 5.1, 4.9, more=", reference_uncertainty: 0.1"))},
    ),
    (
        "uncertainty_incomplete:below_scatter",
        "The expanded uncertainty of 1.0 % is smaller than twice the intermediate precision, 26 %.",
        {"precision": ROUGH, "uncertainty": TINY},
        {"precision": ROUGH, "uncertainty": FULL},
    ),
    (
        "uncertainty_incomplete:refuted",
        (
            "The first-order budget of the measurement model gives U = 0.39 mg/L; its coverage interval "
            "differs from that of the simulation by 0.25 mg/L, more than the tolerance of 0.005 mg/L."
        ),
        {"uncertainty": RATIO % 2.0},
        {"uncertainty": RATIO % 0.02},
    ),
    (
        "false_digits:declared_value",
        (
            "The value 24.873 mg/L (recovery, reference) is stated to more decimal places than its standard "
            "uncertainty of 0.20 mg/L supports."
        ),
        {"recovery": recovery(reference(24.873, 24.8, 25.0, more=", reference_uncertainty: 0.2"))},
        {"recovery": recovery(reference(24.87, 24.8, 25.0, more=", reference_uncertainty: 0.2"))},
    ),
]


@pytest.mark.parametrize(("which", "because", "raising", "twin"), CASES, ids=[case[0] for case in CASES])
def test_raised_by_these_data_and_not_by_a_near_twin(sentences, which, because, raising, twin):
    """The whole sentence with the numbers of the study, once; the twin differs in what counts."""
    assert sentences(raising, which) == [because]
    assert sentences(twin, which) == []


ROUND = "{result: 5.1, assigned: 5, reproducibility_sd: 0.4, laboratories: 14}"
ROUNDS = f"[{', '.join([ROUND] * 6)}]"


@pytest.mark.parametrize(
    "twin",
    [
        {"recovery": recovery(spike(5, 5.0, 5.1, 4.9)), "calibration": ""},
        {"uncertainty": f"{{bias: {{rounds: {ROUNDS}}}}}"},
        {"recovery": recovery(spike(5, 5.0, 5.1, 4.9)), "uncertainty": f"{{components: [{STOCK}]}}"},
    ],
    ids=["no standards", "rounds of other laboratories", "a stated component"],
)
def test_where_the_content_of_standards_hides_nothing(sentences, twin):
    """A method without standards, a bias against others, or a stated component: nothing is missing."""
    assert sentences({**TOP_DOWN, **twin}, "uncertainty_incomplete:standards_missing") == []
    assert sentences({**TOP_DOWN, **twin}, "uncertainty_incomplete:parts_missing") == []
