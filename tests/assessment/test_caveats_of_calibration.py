"""Caveats on calibration, shape, range and weights: raised by these data, not by a near twin."""

from __future__ import annotations

import pytest

LEVELS = (1, 2, 4, 6, 8, 10)
SCATTER = ((0.001, -0.001, 0.0), (-0.001, 0.0, 0.001), (0.0, 0.001, -0.001))
"""Deviations of three preparations, in turn at the levels: no level scatters more than another."""


def line(response, levels=LEVELS, scatter=SCATTER, more=None):
    """A calibration: the response at each level with the deviations; *more* gives entries of each run."""
    runs = []
    for index, level in enumerate(levels):
        deviations = scatter[index % len(scatter)]
        signals = [round(response(level) + deviation, 6) for deviation in deviations]
        entries = {"level": level, "signals": signals, **((more or {}).get(level, {}))}
        runs.append("{" + ", ".join(f"{key}: {value}" for key, value in entries.items()) + "}")
    return f"{{runs: [{', '.join(runs)}]}}"


def in_order(levels, drift=0.0):
    """A calibration in the order given, one preparation each; every signal *drift* above the one before."""
    deviations = (0.002, -0.001, -0.002, 0.001)
    signals = [0.1 * level + drift * i + deviations[i % 4] for i, level in enumerate(levels)]
    runs = [
        f"{{order: {order}, level: {level}, signal: {signal:.4f}}}"
        for order, (level, signal) in enumerate(zip(levels, signals, strict=True))
    ]
    return f"{{runs: [{', '.join(runs)}]}}"


def straight(level):
    return 0.1 * level


def bent(level):
    return 0.1 * level - 0.002 * level**2


def slightly_bent(level):
    return 0.1 * level - 0.0003 * level**2


def shifted(level):
    return 0.1 * level + 0.05


def weights(scheme, more=""):
    return f"{{decision_rule: guarded, calibration: {{weighting: {scheme}}}{more}}}"


def through_zero(more=""):
    return f"{{decision_rule: guarded, calibration: {{model: linear_through_origin}}{more}}}"


STRAIGHT = line(straight)
MIXED = (4, 10, 1, 8, 2, 6, 10, 1, 6, 4, 8, 2)
RESULTS = "{runs: [{level: 5, date: 2025-01-14, concentrations: [5, 5.1, 5, 4.9, 5, 5.1]}]}"
BLANKS_AT_SHIFT = (
    "{preparation: independent, runs: [{signals: [0.049, 0.051, 0.05, 0.052, 0.048, 0.05, 0.051]}]}"
)
BLANKS_AT_ZERO = "{preparation: independent, runs: [{signals: [-0.001, 0.001, 0, 0.002, -0.002, 0, 0.001]}]}"
GROWING = tuple(tuple(k * (0.001 + level * 0.004) for k in (-1, 0, 1)) for level in LEVELS)
SIX = tuple(tuple(k * level * 0.004 for k in (-1, -0.5, 0, 0.1, 0.4, 1)) for level in LEVELS)
SMOOTHED = weights("1/s^2 smoothed", ", detection_limit: {variant: residual_3.3}")

NINE = (0.001, -0.001, 0.0, 0.002, -0.002, 0.001, -0.001, 0.0005, -0.0005)
NOISE = line(lambda level: 0.5, scatter=((0.02, -0.03, 0.01), (-0.02, 0.01, 0.02), (0.0, 0.03, -0.04)))
"""Signals that do not depend on the level."""


def with_reading(signal, cause):
    """A straight calibration, and one reading more at 6 mg/L that is excluded."""
    return STRAIGHT.replace("{runs: [", f"{{runs: [{{level: 6, signals: [{signal}], excluded: {cause}}}, ")


def by_series(second):
    """Two series over the levels; the response of the second is given."""
    runs = [
        f"{{series: {name}, level: {level}, signal: {response(level) + SCATTER[i % 3][k]:.6f}}}"
        for k, (name, response) in enumerate((("one", straight), ("two", second)))
        for i, level in enumerate(LEVELS)
    ]
    return f"{{runs: [{', '.join(runs)}]}}"


CASES = [
    (
        "intercept_differs_from_zero:significant",
        "The intercept corresponds to 0.50 mg/L (t = 129, p < 0.001).",
        {"calibration": line(shifted)},
        {"calibration": STRAIGHT},
    ),
    (
        "intercept_differs_from_zero:unlike_blanks",
        "The intercept corresponds to 0.50 mg/L (t = 129, p < 0.001) and the mean blank to 0.0014 mg/L.",
        {"calibration": line(shifted), "blanks": BLANKS_AT_ZERO},
        {"calibration": line(shifted), "blanks": BLANKS_AT_SHIFT},
    ),
    (
        "line_forced_through_zero:free_intercept",
        "The intercept of an unconstrained fit differs significantly from zero (t = 129, p < 0.001).",
        {"analysis": through_zero(), "calibration": line(shifted)},
        {"calibration": line(shifted)},
    ),
    (
        "line_forced_through_zero:blank_mean",
        "The mean blank signal of 0.050 differs from zero; it corresponds to 0.50 mg/L.",
        {"analysis": through_zero(), "calibration": STRAIGHT, "blanks": BLANKS_AT_SHIFT},
        {"analysis": through_zero(), "calibration": STRAIGHT, "blanks": BLANKS_AT_ZERO},
    ),
    (
        "unequal_scatter_ignored:test",
        (
            "The variances differ significantly between levels (F test of the variances at the highest and "
            "lowest level, p < 0.001), and no weights were used."
        ),
        {"calibration": line(straight, scatter=SIX)},
        {"calibration": line(straight, scatter=SIX), "analysis": weights("1/x^2")},
    ),
    (
        "unequal_scatter_ignored:given",
        "The standard deviations stated for the levels differ by a factor of 10, and no weights were used.",
        {"calibration": line(straight, more={x: {"signal_sd": 0.001 * x} for x in LEVELS})},
        {"calibration": line(straight, more={x: {"signal_sd": 0.01 + 0.001 * x} for x in LEVELS})},
    ),
    (
        "low_standards_misread:lowest",
        "The lowest standard, 1 mg/L, is back-calculated 28 % too high.",
        {"calibration": line(lambda level: 0.1 * level + (0.05 if level == 1 else 0))},
        {"calibration": line(lambda level: 0.1 * level + (0.015 if level == 1 else 0))},
    ),
    (
        "low_standards_misread:other",
        "The standard at 2 mg/L is back-calculated 16 % too low.",
        {"calibration": line(lambda level: 0.1 * level - (0.05 if level == 2 else 0))},
        {"calibration": line(lambda level: 0.1 * level - (0.02 if level == 2 else 0))},
    ),
    (
        "too_few_or_badly_spread_levels:few",
        "The calibration has 5 levels; IUPAC single-laboratory guidelines, 2002, A3 requires 6.",
        {
            "study": {"guidance": "[ich-q2r2-2023, iupac-single-laboratory-2002]"},
            "calibration": line(straight, LEVELS[1:]),
        },
        {"study": {"guidance": "[ich-q2r2-2023, iupac-single-laboratory-2002]"}, "calibration": STRAIGHT},
    ),
    (
        "too_few_or_badly_spread_levels:leverage",
        "The level 100 mg/L has a leverage of 1.0; at a leverage of 1, it would determine the line alone.",
        {"calibration": line(straight, (1, 2, 3, 4, 100))},
        {"calibration": line(straight, (1, 2, 3, 4, 100)), "analysis": weights("1/x")},
    ),
    (
        "no_replicate_standards:single",
        "Each of the 6 levels was prepared once.",
        {"calibration": line(straight, scatter=((0.001,), (-0.001,), (0.0,)))},
        {"calibration": line(straight, scatter=((0.001,), (-0.001,), (0.0, 0.001)))},
    ),
    (
        "drift_with_run_order:drift",
        "The residuals are correlated with the run order (Durbin–Watson, p < 0.001).",
        {"calibration": in_order(MIXED, drift=0.005)},
        {"calibration": in_order(MIXED)},
    ),
    (
        "drift_with_run_order:one_way",
        "The calibration standards were measured in rising order only.",
        {"calibration": in_order((1, 2, 4, 6, 8, 10))},
        {"calibration": in_order((1, 2, 4, 8, 6, 10))},
    ),
    (
        "correlation_offered_as_linearity:curved_all_the_same",
        "The coefficient of determination is 0.9959, but Mandel's test is significant (p < 0.001).",
        {"calibration": line(bent)},
        {"calibration": STRAIGHT},
    ),
    (
        "correlation_offered_as_linearity:only_criterion",
        "The only criterion for linearity is a correlation coefficient of at least 0.999.",
        {"calibration": STRAIGHT, "criteria": "[{characteristic: linearity, min: 0.999}]"},
        {
            "calibration": STRAIGHT,
            "criteria": "[{characteristic: linearity, min: 0.999}, {characteristic: linearity, p_min: 0.05}]",
        },
    ),
    (
        "calibration_curve_bends:mandel",
        "Mandel's test of the straight line is significant (F = 5740, p < 0.001).",
        {"calibration": line(bent)},
        {"calibration": line(bent), "analysis": "{decision_rule: guarded, calibration: {model: quadratic}}"},
    ),
    (
        "calibration_curve_bends:lack_of_fit",
        "The lack of fit is significant (F = 899, p < 0.001).",
        {"calibration": line(lambda level: 0.1 * level + (0.03 if level in (2, 8) else 0))},
        {"calibration": line(lambda level: 0.1 * level + (0.004 if level in (2, 8) else 0))},
    ),
    (
        "misfit_significant_but_small:small",
        (
            "The lack of fit is significant (p < 0.001), but the back-calculation error of every level is "
            "at most 1.4 %; up to 5.0 % is immaterial for the intended use."
        ),
        {"calibration": line(lambda level: 0.1 * level + (0.004 if level in (2, 8) else 0))},
        {"calibration": line(lambda level: 0.1 * level + (0.03 if level in (2, 8) else 0))},
    ),
    (
        "second_order_describes_better:offered",
        (
            "A second-order function reduces the residual standard deviation from 0.017 to "
            "0.00089; at 1 mg/L, the result read from the straight line differs by −24 %."
        ),
        {"calibration": line(bent)},
        {"calibration": STRAIGHT},
    ),
    (
        "second_order_describes_better:slightly",
        (
            "A second-order function reduces the residual standard deviation from 0.0027 "
            "to 0.00089; at 1 mg/L, where the effect is largest, the result read from the straight "
            "line differs by −2.9 %."
        ),
        {"calibration": line(slightly_bent)},
        {"calibration": STRAIGHT},
    ),
    (
        "linear_parts_chosen_afterwards:searched",
        "Levels removed to obtain a linear range: 1 of 7.",
        {"calibration": line(lambda level: 0.1 * min(level, 8.5), (1, 2, 3, 4, 6, 8, 10))},
        {"calibration": line(straight, (1, 2, 3, 4, 6, 8, 10))},
    ),
    (
        "range_wider_than_tested:lower_end",
        "The range is claimed from 1 mg/L but was tested from 5 mg/L.",
        {"analyte": {"target_levels": "[1, 5]"}, "precision": RESULTS},
        {"analyte": {"target_levels": "[4, 5]"}, "precision": RESULTS},
    ),
    (
        "range_wider_than_tested:upper_end",
        "The range is claimed up to 10 mg/L but was tested up to 5 mg/L.",
        {
            "calibration": STRAIGHT,
            "criteria": "[{characteristic: working_range, max: 10}]",
            "precision": RESULTS,
        },
        {
            "calibration": STRAIGHT,
            "criteria": "[{characteristic: working_range, max: 6}]",
            "precision": RESULTS,
        },
    ),
    (
        "slope_not_significant:includes_zero",
        "The confidence interval of the slope includes zero: −0.00406 to 0.00362 1/(mg/L).",
        {"calibration": NOISE},
        {"calibration": STRAIGHT},
    ),
    (
        "calibration_outlier:far_off",
        (
            "The reading of 0.06 at 6 mg/L does not agree with the function of all others (externally "
            "studentised residual, p < 0.001, adjusted for the number of readings)."
        ),
        {"calibration": line(straight, more={6: {"signals": [0.6, 0.601, 0.06]}})},
        {"calibration": line(straight, more={6: {"signals": [0.6, 0.601, 0.6]}})},
    ),
    (
        "calibration_series_differ:slopes",
        "The slopes of 2 series differ (p < 0.001); their relative standard deviation is 6.8 %.",
        {"calibration": by_series(lambda level: 0.11 * level)},
        {"calibration": by_series(straight)},
    ),
    (
        "calibration_series_differ:intercepts",
        "The intercepts of 2 series differ (p < 0.001); their standard deviation is 0.035.",
        {"calibration": by_series(shifted)},
        {"calibration": by_series(straight)},
    ),
    (
        "raised_by_excluded_results:only_with",
        (
            "With the results excluded from calibration, the following would also apply: Outlying reading in "
            "the calibration; Unweighted fit despite heterogeneous variances; Back-calculation error of a "
            "standard too large."
        ),
        {"calibration": with_reading(0.06, "wrong flask")},
        {"calibration": with_reading(0.6, "wrong flask")},
    ),
    (
        "weights_from_few_replicates:declared",
        "Each level is weighted by its own variance; the smallest number of replicates of a level is 9.",
        {"calibration": line(straight, scatter=(NINE,)), "analysis": weights("1/s^2")},
        {"calibration": line(straight, scatter=((*NINE, 0.0),)), "analysis": weights("1/s^2")},
    ),
    (
        "weights_from_few_replicates:declared",
        "Each level is weighted by its own variance; the smallest number of replicates of a level is 3.",
        {"calibration": STRAIGHT, "analysis": weights("1/s^2")},
        {"calibration": STRAIGHT, "analysis": weights("1/s^2 smoothed")},
    ),
    (
        "weights_weakly_founded:no_replicates",
        (
            "The rule selected no weights by one test (Breusch–Pagan, Koenker) on 6 levels without "
            "replicates, which has little power to detect a variance that increases with the level."
        ),
        {"calibration": line(straight, scatter=((0.001,), (-0.001,), (0.0,))), "analysis": weights("auto")},
        {"calibration": line(straight, scatter=((0.001,), (-0.001,), (0.0,))), "analysis": weights("none")},
    ),
    (
        "weights_weakly_founded:zeros_alike",
        (
            "The 6 preparations at level 0 gave identical signals, so the rule could not consider variance "
            "models that increase with the level; it selected no weights."
        ),
        {"calibration": line(straight, (0, *LEVELS), (((0.0,) * 6), *SIX)), "analysis": weights("auto")},
        {
            "calibration": line(straight, (0, *LEVELS), ((0.0, 0.0, 0.0, 0.0, 0.0, 0.001), *SIX)),
            "analysis": weights("auto"),
        },
    ),
]


@pytest.mark.parametrize(("which", "because", "raising", "twin"), CASES, ids=[case[0] for case in CASES])
def test_raised_by_these_data_and_not_by_a_near_twin(sentences, which, because, raising, twin):
    """The whole sentence with the numbers of the study, once; the twin differs in what counts."""
    assert sentences(raising, which) == [because]
    assert sentences(twin, which) == []
