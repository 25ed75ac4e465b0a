"""Caveats on matrix, interferents, robustness, stability, carry-over and the study as a whole."""

from __future__ import annotations

import pytest

RIVER = {"matrix": "river water"}
M10 = {"guidance": "[ich-m10-2022]"}
IUPAC = {"guidance": "[iupac-single-laboratory-2002]"}
ICH = {"guidance": "[ich-q2r2-2023]"}
LEVELS = (1, 3, 5, 7, 9, 11)
TURN = (0.002, -0.001, -0.002, 0.001)
BLANK_SIGNALS = "{runs: [{signals: [0.2, 0.21, 0.19, 0.205, 0.195]}]}"


def runs(*entries):
    """A block of runs."""
    return f"{{runs: [{', '.join(entries)}]}}"


def additions(intercept, slope, more="", bend=0.0):
    """A line of additions up to 10 mg/L, two portions each; *bend* lifts its middle."""
    added = [0, 2.5, 5, 7.5, 10] * 2
    signals = [
        round(intercept + slope * x + bend * x * (10 - x) + TURN[i % 4], 5) for i, x in enumerate(added)
    ]
    return runs(f"{{sample: A, added: {added}, signals: {signals}{more}}}")


def line(slope=0.1, more=""):
    """A straight calibration, two preparations at each level."""
    entries = []
    for i, level in enumerate(LEVELS):
        signals = [round(slope * level + TURN[i % 4], 4), round(slope * level - TURN[i % 4], 4)]
        entries.append(f"{{level: {level}, signals: {signals}{more}}}")
    return runs(*entries)


def scattered_line():
    """A straight calibration whose residuals pass for normal ones, which those of ``line`` do not."""
    scatter = (0.008, -0.01, 0.002, -0.002, -0.002, -0.001, -0.008, -0.001, -0.003, 0.013, 0.001, -0.001)
    pairs = zip(LEVELS, scatter[::2], scatter[1::2], strict=False)
    return runs(
        *(f"{{level: {x}, signals: [{0.1 * x + one:.3f}, {0.1 * x + other:.3f}]}}" for x, one, other in pairs)
    )


def interferent(name, ratio, *found):
    """Results with an interferent beside four without it."""
    beside = f"analyte_level: 5, reference: [5, 5.1, 4.9, 5], found: {list(found)}"
    return f"{{interferent: {name}, ratio: {ratio}, {beside}}}"


def plan(factors, effect=0.0):
    """Four settings of up to three factors, in duplicate; the first factor changes the result by *effect*."""
    names = ("temperature", "flow", "wavelength")[:factors]
    described = ", ".join(f"{{name: {name}, unit: u, low: 9, high: 11}}" for name in names)
    entries = []
    for i, signs in enumerate(("+++", "+--", "-+-", "--+")):
        mean = 5 + effect * (signs[0] == "+")
        settings = list(signs[:factors])
        entries.append(f"{{settings: {settings}, result: [{mean + 0.01 * i:.3f}, {mean - 0.01 * i:.3f}]}}")
    return f"{{design: plackett_burman, factors: [{described}], runs: [{', '.join(entries)}]}}"


def stored(*means, hours=(0, 6, 12, 24)):
    """One solution after hours on the bench, three results each time."""
    entries = []
    for time, mean in zip(hours, means, strict=False):
        found = [mean, round(mean + 0.02, 3), round(mean - 0.02, 3)]
        entries.append(f"{{condition: bench, time: {time}, time_unit: h, level: 5, found: {found}}}")
    return runs(*entries)


def used(loss, uses=6):
    """Three devices, each used again and again, losing a share of the signal with each use."""
    return runs(
        *(
            f"{{device: E{d}, use: {use + 1}, signal: {1 - loss * use + TURN[(use + d) % 4]:.4f}}}"
            for d in range(3)
            for use in range(uses)
        )
    )


def carried(*signals):
    """A blank, then a high sample with a blank after it, as often as there are signals."""
    sequence = ["{kind: blank, signal: 0.001}"]
    for signal in signals:
        sequence += ["{kind: high, level: 11, signal: 1.1}", f"{{kind: blank, signal: {signal}}}"]
    return runs(f"{{sequence: [{', '.join(sequence)}]}}")


BLANKS = (
    "{preparation: independent, "
    "runs: [{signals: [0.011, 0.006, 0.014, 0.009, 0.012, 0.01, 0.017, 0.003, 0.008, 0.013]}]}"
)
LIMIT = {
    "calibration": line(),
    "blanks": BLANKS,
    "analysis": "{decision_rule: guarded, quantification_limit: {variant: blank_3s}}",
}
PRECISE = runs(
    *(
        f"{{level: 5, series: S{i}, concentrations: {pair}}}"
        for i, pair in enumerate(([5, 5.1], [4.9, 5], [5.1, 5], [5, 4.9]))
    )
)


def lots(n):
    """A calibration in each of several lots, two levels in triplicate."""
    return runs(
        *(
            f"{{level: {level}, matrix: lot {lot}, signals: {[y + 0.001 * lot, y, y + 0.002]}}}"
            for lot in range(n)
            for level, y in ((1, 0.1), (5, 0.5))
        )
    )


WIDE_AT_THE_END = runs(
    *(
        f"{{condition: bench, time: {time}, time_unit: h, level: 5, found: {found}}}"
        for time, found in (
            (0, [5.0, 5.02, 4.98, 5.0]),
            (6, [5.0, 4.99, 5.01, 5.0]),
            (12, [5.0, 5.01, 4.98, 5.0]),
            (18, [5.0, 5.02, 4.99, 5.0]),
            (24, [5.4, 4.6]),
        )
    )
)
"""No trend over five times; the two results at the last of them differ by 16 %."""


def spiked(*levels):
    """Spikes at *levels*, found in full."""
    return runs(
        *(f"{{native: 0, added: {one}, matrix: river water, found: [{one}, {one}, {one}]}}" for one in levels)
    )


EXAMINED = {
    "calibration": line(),
    "blanks": BLANKS,
    "precision": PRECISE,
    "recovery": spiked(3, 5, 7),
    "interference": runs(interferent("iron", 1, 5, 5.1, 5)),
    "uncertainty": "{bias: {origin: recovery}}",
}
"""What the document names, except robustness."""
CASES = [
    (
        "matrix_effect_not_examined:no_comparison",
        "The data on river water include no calibration in matrix, no standard addition and no spikes.",
        {"study": RIVER, "calibration": line()},
        {"study": RIVER, "calibration": line(more=", matrix: river water")},
    ),
    (
        "matrix_effect_not_examined:few_spikes",
        (
            "The data on river water include spikes at 2 levels, but no calibration in matrix and no "
            "standard addition."
        ),
        {"study": RIVER, "calibration": line(), "recovery": spiked(3, 7)},
        {"study": RIVER, "calibration": line(), "recovery": spiked(3, 5, 7)},
    ),
    (
        "standard_addition_in_doubt:blank_included",
        (
            "The signals of A include the blank; the mean blank corresponds to 2.0 mg/L, "
            "which is 33 % of the content found."
        ),
        {"standard_addition": additions(0.6, 0.1), "blanks": BLANK_SIGNALS},
        {
            "standard_addition": additions(0.6, 0.1, ", blank_signals: [0.2, 0.21, 0.19]"),
            "blanks": BLANK_SIGNALS,
        },
    ),
    (
        "standard_addition_in_doubt:blank_unknown",
        "Whether the signals of A include a blank is not stated.",
        {"standard_addition": additions(0.6, 0.1)},
        {"standard_addition": additions(0.6, 0.1, ", blank_correction: none")},
    ),
    (
        "standard_addition_in_doubt:curved",
        "The line of additions to A is not straight (p < 0.001).",
        {"standard_addition": additions(0.6, 0.1, bend=0.002)},
        {"standard_addition": additions(0.6, 0.1)},
    ),
    (
        "standard_addition_in_doubt:extrapolated",
        "The content of A is 2.0 times the largest addition.",
        {"standard_addition": additions(2.0, 0.1)},
        {"standard_addition": additions(0.9, 0.1)},
    ),
    (
        "standard_addition_in_doubt:successive",
        "The additions to A went into one solution, so that their errors accumulate.",
        {"standard_addition": additions(0.6, 0.1, ", successive: true")},
        {"standard_addition": additions(0.6, 0.1)},
    ),
    (
        "matrix_effect_not_compensated:large",
        "The slope in river water differs by −25 % from that in clean solution.",
        {"study": RIVER, "calibration": line(), "matrix_calibration": line(0.075)},
        {
            "study": RIVER,
            "calibration": line(more=", matrix: river water"),
            "matrix_calibration": line(0.075),
        },
    ),
    (
        "matrix_effect_not_compensated:significant",
        "The slope in river water differs by −8.0 % from that in clean solution (p < 0.001).",
        {"study": RIVER, "calibration": line(), "matrix_calibration": line(0.092)},
        {"study": RIVER, "calibration": line(), "matrix_calibration": line(0.097)},
    ),
    (
        "matrices_claimed_beyond_tested:few_lots",
        "Matrices or lots tested: 2; required by ICH M10, step 4, 24 May 2022, 3.2.3: 6.",
        {"study": M10, "calibration": line(), "matrix_calibration": lots(2)},
        {"study": M10, "calibration": line(), "matrix_calibration": lots(6)},
    ),
    (
        "interference_test_cannot_decide:few_replicates",
        "Smallest number of results with the interferent, 2: iron.",
        {"interference": runs(interferent("iron", 10, 5, 5.1))},
        {"interference": runs(interferent("iron", 10, 5, 5.1, 5))},
    ),
    (
        "interference_test_cannot_decide:scatter",
        (
            "The half-width of the confidence interval of the change caused by iron is 24 %; the tolerance "
            "is 5 %."
        ),
        {"interference": runs(interferent("iron", 10, 4.5, 5.5, 5))},
        {"interference": runs(interferent("iron", 10, 5, 5.1, 5))},
    ),
    (
        "interference_test_cannot_decide:one_ratio",
        "Tested at one amount only, at which it interferes: iron.",
        {"interference": runs(interferent("iron", 10, 4, 4.1, 4))},
        {"interference": runs(interferent("iron", 10, 4, 4.1, 4), interferent("iron", 1, 5, 5.1, 5))},
    ),
    (
        "few_robustness_factors:few_factors",
        "Only 2 factors were varied.",
        {"robustness": plan(2)},
        {"robustness": plan(3)},
    ),
    (
        "conditions_to_hold:effect_found",
        (
            "The result changes by 9.5 % when temperature changes from 9 to 11 u. "
            "Allowance: none, since no precision data were provided."
        ),
        {"robustness": plan(3, effect=0.5)},
        {"robustness": plan(3, effect=0.5), "criteria": "[{characteristic: robustness, min: -15, max: 15}]"},
    ),
    (
        "conditions_to_hold:effect_found",
        (
            "The result changes by 9.5 % when temperature changes from 9 to 11 u (within the allowance at "
            "±0.16 u). Allowance: 1.5 %, the relative standard deviation of results."
        ),
        {"robustness": plan(3, effect=0.5), "precision": PRECISE},
        {"robustness": plan(3, effect=0.07), "precision": PRECISE},
    ),
    (
        "conditions_to_hold:effect_found",
        (
            "The result changes by 9.5 % when temperature changes from 9 to 11 u (within the allowance at "
            "±0.52 u). Allowance: 5 %, as declared."
        ),
        {"robustness": plan(3, effect=0.5), "criteria": "[{characteristic: robustness, min: -5, max: 5}]"},
        {"robustness": plan(3, effect=0.5), "criteria": "[{characteristic: robustness, min: -10, max: 10}]"},
    ),
    (
        "stability_claim_beyond_test:few_points",
        "Only 2 points in time: bench.",
        {"stability": stored(5, 5)},
        {"stability": stored(5, 5, 5)},
    ),
    (
        "stability_claim_beyond_test:bound_crossed",
        "The confidence limit of the trend stays within a change of 10 % up to 19 h of 24 h tested (bench).",
        {"stability": stored(5, 4.85, 4.7, 4.4)},
        {"stability": stored(5, 4.98, 4.96, 4.95)},
    ),
    (
        "stability_claim_beyond_test:uses_extrapolated",
        "A loss of 10 % is reached at use 11 by extrapolation; the last use tested is 6.",
        {"repeated_use": used(0.01)},
        {"repeated_use": used(0.03)},
    ),
    (
        "carry_over_present:present",
        "A blank after 11 mg/L reaches 71 % of the signal at the quantification limit; 20 % is permitted.",
        {**LIMIT, "carry_over": carried(0.02, 0.03, 0.02)},
        {**LIMIT, "carry_over": carried(0.002, 0.003, 0.002)},
    ),
    (
        "carry_over_present:present",
        "A blank after 11 mg/L reaches 71 % of the signal at the quantification limit; 20 % is permitted.",
        {**LIMIT, "carry_over": carried(0.02, 0.03, 0.02)},
        {
            **LIMIT,
            "carry_over": carried(0.02, 0.03, 0.02),
            "criteria": "[{characteristic: carry_over, max: 90}]",
        },
    ),
    (
        "recommended_not_studied:missing",
        "Named in IUPAC single-laboratory guidelines, 2002 and not studied: robustness.",
        {"study": IUPAC, **EXAMINED},
        {"study": IUPAC, **EXAMINED, "robustness": plan(3)},
    ),
    (
        "answers_on_stability_differ:trend_inside",
        (
            "By the trend the change after 24 h (bench) is 0.026 (−4.2 to 4.4) % (p > 0.99), within ±10 %. "
            "By comparison with the start 100 (−1.4 to 200) % remain, and equivalence within ±10 % is not "
            "demonstrated."
        ),
        {"stability": WIDE_AT_THE_END},
        {"stability": stored(5, 5, 5, 5)},
    ),
    (
        "interferents_limit_samples:beyond",
        (
            "Changes beyond the tolerance of 10 %: iron, −19 % at a ratio of 10:1; within the tolerance at a "
            "ratio of 1:1."
        ),
        {
            "interference": runs(interferent("iron", 10, 4, 4.1, 4), interferent("iron", 1, 5, 5.1, 5)),
            "criteria": "[{characteristic: interference, at: 1, max: 10}]",
        },
        {
            "interference": runs(interferent("iron", 10, 4, 4.1, 4), interferent("iron", 1, 5, 5.1, 5)),
            "criteria": "[{characteristic: interference, at: 10, max: 10}]",
        },
    ),
    (
        "many_tests:many",
        "Of 12 tests at 5 % in the study, 1 is significant; about 0.60 would be expected by chance.",
        {
            "calibration": scattered_line(),
            "precision": PRECISE,
            "recovery": runs("{level: 5, found: [5.2, 5.25, 5.1, 5.15]}"),
        },
        {
            "calibration": scattered_line(),
            "precision": PRECISE,
            "recovery": runs("{level: 5, found: [5.0, 5.1, 4.9, 5.0]}"),
        },
    ),
    (
        "plan_departed:runs",
        "1 planned count differs from the work carried out.",
        {"plan": "{blanks: {replicates: 4}}", "blanks": "{runs: [{signals: [1, 2, 3]}]}"},
        {"plan": "{blanks: {replicates: 3}}", "blanks": "{runs: [{signals: [1, 2, 3]}]}"},
    ),
    (
        "plan_departed:not_recorded",
        "The study contains no record of its plan; it cannot be shown that the plan preceded the data.",
        {"plan": "{blanks: {replicates: 3}}", "blanks": "{runs: [{signals: [1, 2, 3]}]}"},
        {"plan": "{blanks: {replicates: 3}}"},
    ),
    (
        "data_not_traceable:missing",
        "Not stated in the study: a version, the people.",
        {"study": {"version": "", "people": ""}, "calibration": line()},
        {"calibration": line()},
    ),
]


@pytest.mark.parametrize(("which", "because", "raising", "twin"), CASES, ids=[case[0] for case in CASES])
def test_raised_by_these_data_and_not_by_a_near_twin(sentences, which, because, raising, twin):
    """The whole sentence with the numbers of the study, once; the twin differs in what counts."""
    assert sentences(raising, which) == [because]
    assert sentences(twin, which) == []
