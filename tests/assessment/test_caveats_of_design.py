"""Caveats on replicates, days, devices, exclusions and limits: raised by these data, not by a near twin."""

from __future__ import annotations

import pytest

LIMITED = (
    "[{characteristic: repeatability, rsd_max: 10}, {characteristic: intermediate_precision, rsd_max: 12}]"
)
TOGETHER = "[{level: 5, concentrations: [5, 5.1, 5, 4.9, 5, 5.1]}]"
GUIDED = {"guidance": "[eurachem-fitness-for-purpose-2014]"}
PLASMA = {"guidance": "[ich-m10-2022]"}
TWO_KINDS = {
    "configurations": "[{id: film, name: film sensor}, {id: bare, name: bare sensor}]",
    "configuration": "film",
}
CALIBRATION = (
    "{runs: [{level: 1, signals: [0.101, 0.099]}, {level: 3, signals: [0.302, 0.297]}, "
    "{level: 5, signals: [0.501, 0.496]}, {level: 7, signals: [0.703, 0.698]}, "
    "{level: 9, signals: [0.899, 0.904]}, {level: 11, signals: [1.098, 1.103]}]}"
)


def in_series(groups, **more):
    """Precision at 5 mg/L, a list of results for each series; *more* gives a list of entries for each."""
    runs = []
    for index, results in enumerate(groups):
        given = {key: values[index] for key, values in more.items() if values[index]}
        entries = {"level": 5, "series": f"S{index}", "concentrations": results, **given}
        runs.append("{" + ", ".join(f"{key}: {value!r}" for key, value in entries.items()) + "}")
    return f"{{runs: [{', '.join(runs)}]}}"


def laboratories(*results, without="", cause=""):
    """Precision at 5 mg/L, two results of each laboratory; one laboratory may be left out."""
    runs = [
        f"{{level: 5, laboratory: L{index}, concentrations: {values}"
        + (f", excluded: {cause}" if without == f"L{index}" else "")
        + "}"
        for index, values in enumerate(results)
    ]
    return f"{{runs: [{', '.join(runs)}]}}"


def stored(results):
    """Two levels on the bench, the same results after 0 and 6 h."""
    runs = [
        f"{{condition: bench, time: {time}, time_unit: h, level: {level}, found: {results}}}"
        for time in (0, 6)
        for level in (5, 50)
    ]
    return f"{{runs: [{', '.join(runs)}]}}"


DAYS = [[5.0, 5.1], [4.9, 5.0], [5.2, 5.1], [5.0, 4.8], [5.1, 5.2], [4.9, 5.0], [5.1, 5.0], [5.0, 4.9]]
ALIKE = [[4.9, 5.1], [5.1, 4.9], [4.8, 5.2], [5.0, 5.05], [5.2, 4.8], [4.9, 5.1]]
ONE_PERSON = {"operator": ["A. Nother"] * 8}
LABS = [[5.0, 5.1], [4.9, 5.0], [5.2, 5.1], [5.0, 4.9], [5.1, 5.2], [4.9, 5.0], [5.1, 5.0]]
WIDE_LABS = [[5 + 4 * (value - 5) for value in values] for values in LABS]

WATER_LAW = {"guidance": "[epa-40-cfr-136-appendix-b]"}


def spikes(cause):
    """Eight spiked samples, the last excluded for *cause*."""
    runs = [f"{{level: 2, series: B{i}, concentrations: [{2 + i / 10}]}}" for i in range(7)]
    return (
        f"{{runs: [{', '.join(runs)}, {{level: 2, series: B7, concentrations: [4.1], excluded: '{cause}'}}]}}"
    )


BY_LABORATORIES = (
    "{{runs: [{{{}: A, level: 5, series: S1, concentrations: [5.0, 5.1, 4.9, 5.0, 5.1, 5.0]}}, "
    "{{{}: B, level: 5, series: S2, concentrations: [5.9, 5.9], excluded: air bubble}}]}}"
)
CASES = [
    (
        "outlying_laboratories:test",
        "At 5 mg/L, laboratories are outliers at 1 %: L7 (Grubbs, h). Without them, repeatability is 1.4 % "
        "(with them 1.4 %) and reproducibility 2.0 % (with them 11 %).",
        {"precision": laboratories(*LABS, [6.6, 6.7])},
        {"precision": laboratories(*LABS, [5.2, 5.1])},
    ),
    (
        "outlying_laboratories:consistency",
        "At 5 mg/L, Mandel's statistics exceed the 1 % point: L6 (h). Without them, repeatability is 1.4 % "
        "(with them 1.4 %) and reproducibility 2.2 % (with them 4.3 %).",
        {"precision": laboratories(*LABS[:-1], [5.6, 5.5])},
        {"precision": laboratories(*LABS)},
    ),
    (
        "repeat_readings_counted:repeated",
        "The 6 values in precision at 5 mg/L were obtained from only 1 independent preparation.",
        {"precision": f"{{preparation: repeated_reading, runs: {TOGETHER}}}"},
        {"precision": f"{{preparation: independent, runs: {TOGETHER}}}"},
    ),
    (
        "repeat_readings_counted:repeated",
        "The 10 values in blanks were obtained from only 2 independent preparations.",
        {
            "blanks": "{preparation: repeated_reading, "
            "runs: [{signals: [1, 2, 3, 2, 1]}, {signals: [2, 2, 3, 1, 2]}]}",
        },
        {
            "blanks": "{preparation: repeated_reading, runs: [{signals: [1, 2, 3]}, {signals: [2, 2, 3]}, "
            "{signals: [2, 1, 3]}]}",
        },
    ),
    (
        "repeat_readings_counted:unknown",
        (
            "The study does not state whether the 6 values in precision were obtained from independent "
            "preparations."
        ),
        {"precision": f"{{runs: {TOGETHER}}}"},
        {"precision": "{runs: [{level: 5, date: 2025-01-14, concentrations: [5, 5.1, 5, 4.9, 5, 5.1]}]}"},
    ),
    (
        "too_few_replicates:below_guidance",
        (
            "With 4 results, the true standard deviation may be up to 3.7 times the estimate (upper end of "
            "the 95 % confidence interval); Eurachem fitness-for-purpose guide, 2nd edition, 2014, 6.6 "
            "requires 6 results."
        ),
        {
            "study": GUIDED,
            "precision": "{runs: [{level: 5, date: 2025-01-14, concentrations: [5, 5.1, 5, 4.9]}]}",
        },
        {
            "study": GUIDED,
            "precision": "{runs: [{level: 5, date: 2025-01-14, concentrations: [5, 5.1, 5, 4.9, 5, 5.1]}]}",
        },
    ),
    (
        "too_few_replicates:without_guidance",
        (
            "With 5 results, the true standard deviation may be up to 2.9 times the estimate (upper end of "
            "the 95 % confidence interval)."
        ),
        {"precision": "{runs: [{level: 5, date: 2025-01-14, concentrations: [5, 5.1, 5, 4.9, 5]}]}"},
        {"precision": "{runs: [{level: 5, date: 2025-01-14, concentrations: [5, 5.1, 5, 4.9, 5, 5.1]}]}"},
    ),
    (
        "too_few_replicates:without_guidance",
        (
            "With 7 results, the true standard deviation may be up to 2.2 times the estimate (upper end of "
            "the 95 % confidence interval)."
        ),
        {
            "calibration": CALIBRATION,
            "blanks": "{preparation: independent, runs: [{signals: [1e-3, 2e-3, 0, 1e-3, -1e-3, 2e-3, 0]}]}",
            "analysis": "{decision_rule: guarded, detection_limit: {variant: blank_3s}}",
        },
        {
            "calibration": CALIBRATION,
            "blanks": "{preparation: independent, runs: [{signals: [1e-3, 2e-3, 0, 1e-3, -1e-3, 2e-3, 0]}]}",
            "analysis": "{decision_rule: guarded, detection_limit: {variant: residual_3.3}}",
        },
    ),
    (
        "design_below_guidance:short",
        (
            "The data for stability are below the minimum: replicates per time point: 2, required 3 (ICH "
            "M10, step 4, 24 May 2022, 3.2.8)."
        ),
        {"study": PLASMA, "stability": stored([5, 5.1])},
        {"study": PLASMA, "stability": stored([5, 5.1, 4.9])},
    ),
    (
        "too_few_devices:one_or_two",
        "The results for which a device is recorded were obtained with 1 device.",
        {"method": TWO_KINDS, "precision": in_series(DAYS, device=["E1"] * 8)},
        {"precision": in_series(DAYS, device=["E1"] * 8)},
    ),
    (
        "too_few_devices:three_or_four",
        "The results for which a device is recorded were obtained with 4 devices; five are customary.",
        {"method": TWO_KINDS, "precision": in_series(DAYS, device=["E1", "E2", "E3", "E4"] * 2)},
        {
            "method": TWO_KINDS,
            "precision": in_series(DAYS, device=["E1", "E2", "E3", "E4", "E5", "E1", "E2", "E3"]),
        },
    ),
    (
        "devices_not_told_apart:confounded",
        "Each of the 8 devices was used in a different series or day.",
        {"precision": in_series(DAYS, device=[f"E{index}" for index in range(8)])},
        {"precision": in_series(DAYS, device=["E1", "E2"] * 4)},
    ),
    (
        "intermediate_precision_from_one_day:one_day",
        "No level has results from more than one series or day.",
        {
            "criteria": LIMITED,
            "precision": "{runs: [{level: 5, date: 2025-01-14, concentrations: [5, 5.1, 5, 4.9, 5, 5.1]}]}",
        },
        {
            "criteria": "[{characteristic: repeatability, rsd_max: 10}]",
            "precision": "{runs: [{level: 5, date: 2025-01-14, concentrations: [5, 5.1, 5, 4.9, 5, 5.1]}]}",
        },
    ),
    (
        "intermediate_precision_from_one_day:one_person",
        "All results were obtained by one analyst (instrument not recorded) on 4 days.",
        {"criteria": LIMITED, "precision": in_series(DAYS[:4], **ONE_PERSON)},
        {"criteria": LIMITED, "precision": in_series(DAYS[:4], operator=["A", "A", "B", "A"])},
    ),
    (
        "only_repeatability_given:no_grouping",
        "No series, day or operator is recorded for the 6 results at 5 mg/L.",
        {"precision": f"{{preparation: independent, runs: {TOGETHER}}}"},
        {"precision": in_series(DAYS)},
    ),
    (
        "between_series_part_badly_known:few_series",
        "The between-series standard deviation is based on only 5 series.",
        {"precision": in_series(DAYS[:5])},
        {"precision": in_series(DAYS[:6])},
    ),
    (
        "between_series_part_badly_known:set_to_zero",
        "The estimate of the between-series variance at 5 mg/L was negative and was set to zero.",
        {"precision": in_series(ALIKE)},
        {"precision": in_series(DAYS)},
    ),
    (
        "scatter_too_small_to_be_independent:repeatability",
        (
            "The repeatability at 5 mg/kg is 0.032 of the value predicted from the mass fraction (usually "
            "at least 0.3)."
        ),
        {"analyte": {"unit": "mg/kg"}, "precision": in_series([[5.0, 5.02], [5.01, 5.0], [5.0, 4.99]])},
        {"analyte": {"unit": "mg/L"}, "precision": in_series([[5.0, 5.02], [5.01, 5.0], [5.0, 4.99]])},
    ),
    (
        "scatter_too_small_to_be_independent:reproducibility",
        (
            "The reproducibility at 5 mg/kg is 0.16 of the value predicted from the mass fraction (usually "
            "at least 0.5)."
        ),
        {"analyte": {"unit": "mg/kg"}, "precision": laboratories(*LABS)},
        {"analyte": {"unit": "mg/kg"}, "precision": laboratories(*WIDE_LABS)},
    ),
    (
        "exclusion_without_cause:no_cause",
        (
            "Excluded from precision without a technical cause: 1 of 8 results ('outlier by Grubbs test (p "
            "< 0.05)')."
        ),
        {
            "precision": in_series(
                [5.0, 5.1, 4.9, 5.0, 5.1, 5.0, 4.9, 5.9],
                excluded=[""] * 7 + ["outlier by Grubbs test (p < 0.05)"],
            )
        },
        {
            "precision": in_series(
                [5.0, 5.1, 4.9, 5.0, 5.1, 5.0, 4.9, 5.9],
                excluded=[""] * 7 + ["outlier, air bubble in the cell"],
            )
        },
    ),
    (
        "exclusion_without_cause:many",
        "Excluded from precision: 2 of 8 results, which is more than two ninths.",
        {"precision": BY_LABORATORIES.format("laboratory", "laboratory")},
        {"precision": BY_LABORATORIES.format("operator", "operator")},
    ),
    (
        "exclusion_without_cause:forbidden",
        "40 CFR 136 appendix B, revision 2 (2017), II(2)(b) and II(4)(b) permits no "
        "exclusion by a statistical test. Excluded from low_level for a statistical reason: 1 of 8 results "
        "('outlier').",
        {"study": WATER_LAW, "low_level": spikes("outlier")},
        {"study": WATER_LAW, "low_level": spikes("outlier, vial cracked")},
    ),
    (
        "guidance_no_longer_current:superseded",
        "ISO 5725, part 1 2023, part 2 1994, part 3 2023, part 4 2020, part 6 1994 was superseded by "
        "ISO 5725-2:2025 for part 2.",
        {"study": {"guidance": "[iso-5725]"}},
        {"study": {"guidance": "[iso-iec-17025-2017]"}},
    ),
    (
        "exclusion_without_cause:straggler",
        "The excluded laboratory is a straggler only (significant at 5 %, not at 1 %): L7.",
        {"precision": laboratories(*LABS, [5.45, 5.55], without="L7", cause="outlier")},
        {"precision": laboratories(*LABS, [6.6, 6.7], without="L7", cause="outlier")},
    ),
    (
        "exclusion_without_cause:no_cause",
        "Excluded from precision without a technical cause: 2 of 16 results ('outlier').",
        {"precision": laboratories(*LABS, [5.1, 5.1], without="L7", cause="outlier")},
        {"precision": laboratories(*LABS, [6.6, 6.7], without="L7", cause="outlier")},
    ),
    (
        "acceptance_limits_not_set_beforehand:missing",
        (
            "No limit is set for repeatability; Eurachem fitness-for-purpose guide, 2nd edition, 2014, 6.6 "
            "requires the user to set one."
        ),
        {"study": GUIDED, "precision": in_series(DAYS)},
        {
            "study": GUIDED,
            "precision": in_series(DAYS),
            "criteria": "[{characteristic: intermediate_precision, rsd_max: 10}]",
        },
    ),
    (
        "acceptance_limits_not_set_beforehand:no_guidance",
        "No limit is set for repeatability and recovery.",
        {"precision": in_series(DAYS), "recovery": "{runs: [{level: 5, found: [5, 5.1, 4.9]}]}"},
        {
            "precision": in_series(DAYS),
            "recovery": "{runs: [{level: 5, found: [5, 5.1, 4.9]}]}",
            "criteria": "[{characteristic: trueness, max: 10}, {characteristic: repeatability, rsd_max: 10}]",
        },
    ),
    (
        "conformity_without_decision_rule:no_rule",
        "2 criteria are judged, but the study declares no decision rule; the guarded rule was applied.",
        {"analysis": "", "criteria": LIMITED, "precision": in_series(DAYS)},
        {"criteria": LIMITED, "precision": in_series(DAYS)},
    ),
]


@pytest.mark.parametrize(("which", "because", "raising", "twin"), CASES, ids=[case[0] for case in CASES])
def test_raised_by_these_data_and_not_by_a_near_twin(sentences, which, because, raising, twin):
    """The whole sentence with the numbers of the study, once; the twin differs in what counts."""
    assert sentences(raising, which) == [because]
    assert sentences(twin, which) == []
