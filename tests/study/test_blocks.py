"""The data blocks, criteria and components: accepted forms, and what is said of the others."""

from __future__ import annotations

import pytest

from validator.characteristics.order import CHARACTERISTICS
from validator.study.models.base import LessThan


def _block(name, *runs):
    return f"{name}:\n  runs:\n" + "".join(f"    - {run}\n" for run in runs)


def _runs(study_of, name, *runs):
    return study_of(_block(name, *runs)).runs(name)


@pytest.mark.parametrize("name", ["calibration", "matrix_calibration"])
def test_one_signal_or_several(study_of, name):
    """``signal``, ``signals`` and one number under ``signals`` are readings all the same."""
    runs = _runs(
        study_of, name, "{level: 0, signal: 1}", "{level: 1, signals: [1, 2]}", "{level: 2, signals: 3}"
    )

    assert [run.values for run in runs] == [(1,), (1, 2), (3,)]
    assert runs[1].signal is None
    assert runs[0].signals is None


def test_what_a_calibration_level_may_carry(study_of):
    """Uncertainty of the level and a known standard deviation of the signal are kept."""
    (run,) = _runs(study_of, "calibration", "{level: 5, signal: 1, level_uncertainty: 0.1, signal_sd: 0.02}")

    assert (run.level_uncertainty, run.signal_sd) == (0.1, 0.02)


@pytest.mark.parametrize("name", ["blanks", "low_level", "precision"])
def test_signals_or_concentrations(study_of, name):
    """Readings are signals or concentrations, and a run knows which."""
    level = "" if name == "blanks" else "level: 1, "
    runs = _runs(
        study_of,
        name,
        f"{{{level}signals: [1, 2]}}",
        f"{{{level}signal: 1}}",
        f"{{{level}concentrations: [3, 4]}}",
        f"{{{level}concentration: -0.5}}",
    )

    assert [(run.axis, run.values) for run in runs] == [
        ("signal", (1, 2)),
        ("signal", (1,)),
        ("concentration", (3, 4)),
        ("concentration", (-0.5,)),
    ]


@pytest.mark.parametrize("name", ["blanks", "low_level"])
def test_readings_below_reporting(study_of, name):
    """A reading below reporting keeps its limit, in its place among the others."""
    level = "" if name == "blanks" else "level: 1, "

    run, single = _runs(
        study_of, name, f'{{{level}concentrations: [0.7, "<0.5", < 0.25]}}', f'{{{level}signal: "<1"}}'
    )

    assert run.readings == (0.7, LessThan(0.5), LessThan(0.25))
    assert (run.values, run.below) == ((0.7,), (0.5, 0.25))
    assert (single.values, single.below) == ((), (1,))
    assert str(run.readings[1]) == "<0.5"


def test_blank_runs(study_of):
    """Kind, correction and averaging of blanks are kept as declared, None where not."""
    run, plain = _runs(
        study_of,
        "blanks",
        "{signal: 1, kind: matrix, blank_correction: subtracted, replicates_averaged: 2}",
        "{signal: 1}",
    )

    assert (run.kind, run.blank_correction, run.replicates_averaged) == ("matrix", "subtracted", 2)
    assert (plain.kind, plain.blank_correction, plain.replicates_averaged) == (None, None, None)


def test_factors_of_precision(study_of):
    """The conditions of a precision run are labels."""
    (run,) = _runs(
        study_of,
        "precision",
        (
            "{level: 5, concentrations: [1, 2], series: 1, day: 2026-03-02, "
            "operator: A, instrument: 2, device: d, laboratory: 07}"
        ),
    )

    assert (run.series, run.day, run.operator, run.instrument, run.device, run.laboratory) == (
        "1",
        "2026-03-02",
        "A",
        "2",
        "d",
        "07",
    )


def test_three_forms_of_recovery(study_of):
    """A spike, a certified material and a known solution tell what was to be found."""
    runs = _runs(
        study_of,
        "recovery",
        "{native: 1.2, native_sd: 0.1, added: 5, found: [6.1, 6.3]}",
        "{reference: 10, reference_uncertainty: 0.2, found: 9.8}",
        "{level: 4, found: [4.1]}",
        "{native: 0, added: 5, found: 5}",
        "{reference: 20, found: 19}",
    )

    assert [(run.kind, run.expected, run.values) for run in runs] == [
        ("spike", 5, (6.1, 6.3)),
        ("reference_material", 10, (9.8,)),
        ("known_solution", 4, (4.1,)),
        ("spike", 5, (5,)),
        ("reference_material", 20, (19,)),
    ]
    assert [run.reference_uncertainty for run in runs] == [None, 0.2, None, None, None]


def test_interference_by_ratio_or_level(study_of):
    """The interferent's amount is a ratio, of masses where no kind is stated, or a level in a stated unit."""
    by_ratio, by_level, without_kind = _runs(
        study_of,
        "interference",
        (
            "{interferent: copper(II), ratio: 10, ratio_kind: mass, analyte_level: "
            "5, found: [5.1, 5.2], reference: 5}"
        ),
        (
            "{interferent: humic acid, interferent_level: 2, interferent_unit: "
            "mg/L, analyte_level: 5, signals: 3, reference: [3, 4]}"
        ),
        "{interferent: iron(III), ratio: 10, analyte_level: 5, found: 5, reference: 5}",
    )

    assert (without_kind.ratio, without_kind.ratio_kind) == (10, None)

    assert (by_ratio.axis, by_ratio.values, by_ratio.reference) == ("concentration", (5.1, 5.2), (5,))
    assert (by_level.axis, by_level.values, by_level.reference) == ("signal", (3,), (3, 4))


def test_other_blocks(study_of):
    """The remaining blocks read in their simplest form."""
    study = study_of(
        _block(
            "standard_addition",
            "{sample: 7, added: [0, 5, 5], signals: [1, 2, 2.1], dilution_factor: 10, reference: 4}",
        )
        + _block(
            "comparison",
            '{sample: 1, this_method: [5, 6], reference_method: "<7", this_method_uncertainty: 0.1}',
        )
        + _block("stability", '{condition: 4 °C, time: 7, time_unit: d, signals: [1, "<0.5"], level: 5}')
        + _block("carry_over", "{sequence: [{kind: high, level: 50, signal: 9}, {kind: blank, signal: 0.1}]}")
        + _block("repeated_use", "{device: 1, use: 3, signal: 2}")
        + _block("noise", "{level: 1, signal_height: 12, noise: 0.8, noise_kind: peak_to_peak}")
    )

    assert study.standard_addition.runs[0].added == (0, 5, 5)
    assert study.standard_addition.runs[0].values == (1, 2, 2.1)
    comparison = study.comparison.runs[0]
    assert (comparison.sample, comparison.this_values, comparison.reference_values) == ("1", (5, 6), ())
    assert (comparison.below, comparison.this_method_uncertainty) == ((7,), 0.1)
    assert (study.stability.runs[0].axis, study.stability.runs[0].values) == ("signal", (1,))
    assert study.stability.runs[0].below == (0.5,)
    assert [step.kind for step in study.carry_over.runs[0].sequence] == ["high", "blank"]
    assert (study.repeated_use.runs[0].device, study.repeated_use.runs[0].values) == ("1", (2,))
    assert study.noise.runs[0].noise_kind == "peak_to_peak"


def test_robustness(study_of):
    """Settings are signs or numbers; what the factors were set to stays as written."""
    study = study_of(
        "robustness:\n  design: plackett_burman\n"
        "  factors: [{name: pH, low: 4.0, high: 5.0, nominal: 4.50}, {name: column, low: old, high: new}]\n"
        "  runs:\n    - {settings: [+,-], result: 98}\n    - {settings: [1, -1], result: [97, 99]}\n"
    )

    assert [(run.settings, run.values) for run in study.robustness.runs] == [
        ((1, -1), (98,)),
        ((1, -1), (97, 99)),
    ]
    assert [factor.nominal for factor in study.robustness.factors] == ["4.50", None]


def test_uncertainty(study_of):
    """Components keep how they were stated; the bias names its origin."""
    study = study_of(
        """\
uncertainty:
  bias: from reference materials
  components:
    - {name: flask, value: 1, kind: tolerance, distribution: triangular, unit: mL, source: a, sensitivity: -2}
    - {name: purity, value: 0.3, kind: expanded, k: 2, relative: true, source: b, degrees_of_freedom: 50}
"""
    )

    flask, purity = study.uncertainty.components

    assert (flask.distribution, flask.unit, flask.sensitivity, flask.relative) == (
        "triangular",
        "mL",
        -2,
        False,
    )
    assert (purity.k, purity.relative, purity.degrees_of_freedom, purity.sensitivity) == (2, True, 50, 1)
    assert study.uncertainty.bias.origin == "reference materials"


def test_a_stated_bias(study_of):
    """A bias may be stated as a value with its standard uncertainty."""
    bias = study_of(
        "uncertainty: {bias: {value: 1, standard_uncertainty: 2, relative: true}}\n"
    ).uncertainty.bias

    assert (bias.origin, bias.value, bias.standard_uncertainty, bias.relative) == ("stated", 1, 2, True)


@pytest.mark.parametrize(
    ("name", "run", "where", "message"),
    [
        (
            "calibration",
            "{level: 1, signal: 1, signal_sd: 0}",
            ".signal_sd",
            "must be greater than zero, found 0",
        ),
        (
            "calibration",
            "{level: 1, signals: {a: 1}}",
            ".signals",
            "a value or a list of values is expected here, found a table of keys",
        ),
        (
            "calibration",
            "{level: 1, signals: [1, '<2']}",
            ".signals[1]",
            (
                "a number is expected here, found '<2'; values reported as less than a limit are "
                "accepted only in blanks, low_level, stability and comparison"
            ),
        ),
        (
            "blanks",
            "{signals: ['<x']}",
            ".signals[0]",
            "a number is expected here, found '<x'; write the limit itself (\"<0.5\") in blanks, low_level, "
            "stability and comparison, elsewhere omit the reading",
        ),
        ("blanks", "{signals: ['<0']}", ".signals[0]", "must be greater than zero, found 0"),
        (
            "blanks",
            "{signal: 1, concentrations: [1]}",
            ".concentrations",
            "signal and concentrations are mutually exclusive; give only one",
        ),
        (
            "blanks",
            "{signal: 1, replicates_averaged: 0}",
            ".replicates_averaged",
            "must be 1 or more, found 0",
        ),
        ("precision", "{level: 1}", "", "no readings; give signals or concentrations"),
        (
            "recovery",
            "{found: 1}",
            "",
            (
                "the expected value is missing: give native and added (spike), reference (certified "
                "material) or level (independently known solution)"
            ),
        ),
        (
            "recovery",
            "{added: 1, found: 1}",
            "",
            "native is missing: give the result without the addition (0 for a blank sample)",
        ),
        (
            "recovery",
            "{level: 1, reference_uncertainty: 0.1, found: 1}",
            ".reference_uncertainty",
            "reference_uncertainty applies to runs with reference; this run has level",
        ),
        (
            "recovery",
            "{native: 0, added: 1, level: 2, found: 1}",
            ".level",
            "added and level are mutually exclusive; give only one",
        ),
        (
            "recovery",
            "{level: 1, native_sd: 0.1, found: 1}",
            ".native_sd",
            "native_sd applies to runs with added; this run has level",
        ),
        ("recovery", "{level: 0, found: 1}", ".level", "must be greater than zero, found 0"),
        (
            "interference",
            "{interferent: Cu, interferent_level: 1, interferent_unit: g, ratio_kind: mass, "
            "analyte_level: 1, found: 1, reference: 1}",
            ".ratio_kind",
            "ratio_kind requires ratio",
        ),
        (
            "interference",
            "{interferent: Cu, interferent_level: 1, analyte_level: 1, found: 1, reference: 1}",
            ".interferent_level",
            "interferent_unit is missing (for example mg/L)",
        ),
        (
            "interference",
            (
                "{interferent: Cu, ratio: 1, ratio_kind: mass, interferent_unit: g, "
                "analyte_level: 1, found: 1, reference: 1}"
            ),
            ".interferent_unit",
            "interferent_unit requires interferent_level",
        ),
        (
            "interference",
            "{interferent: Cu, ratio: 1, interferent_level: 1, analyte_level: 1, found: 1, reference: 1}",
            ".interferent_level",
            "ratio and interferent_level are mutually exclusive; give only one",
        ),
        (
            "interference",
            "{interferent: Cu, analyte_level: 1, found: 1, reference: 1}",
            "",
            ("the amount of interferent is missing; give ratio, or interferent_level and interferent_unit"),
        ),
        (
            "interference",
            "{interferent: Cu, ratio: 1, ratio_kind: mass, analyte_level: 1, reference: 1}",
            "",
            "no readings; give found or signals",
        ),
        (
            "standard_addition",
            "{sample: a, added: [0, 1, 2], signals: [1, 2]}",
            ".signals",
            (
                "2 signals for 3 additions; give one signal per addition, and repeat the addition for "
                "replicates"
            ),
        ),
        (
            "standard_addition",
            "{sample: a, added: [0, -1], signals: [1, 2]}",
            ".added[1]",
            "must not be negative, found -1",
        ),
        (
            "carry_over",
            "{sequence: [{kind: blank, signal: 1}, {kind: high, signal: 9}]}",
            ".sequence",
            "the sequence contains no blank directly after a high sample",
        ),
        ("repeated_use", "{device: 1, use: 0, signal: 1}", ".use", "must be 1 or more, found 0"),
        (
            "stability",
            "{condition: c, time: -1, time_unit: d, found: 1}",
            ".time",
            "must not be negative, found -1",
        ),
        (
            "noise",
            "{level: 1, signal_height: 1, noise: 1, noise_kind: peak}",
            ".noise_kind",
            "peak_to_peak or rms is expected here, found 'peak'",
        ),
    ],
)
def test_runs_that_do_not_fit(problems_of, name, run, where, message):
    """A run in no known form is told at the field that is wrong."""
    assert problems_of(_block(name, run)) == [f"study.yaml:7: {name}.runs[0]{where}: {message}"]


def test_times_in_two_units(problems_of):
    """Under one condition the times of an analyte are comparable."""
    more = _block(
        "stability",
        "{condition: dark, time: 1, time_unit: d, found: 1}",
        "{condition: light, time: 1, time_unit: h, found: 1}",
        "{condition: dark, time: 48, time_unit: h, found: 1}",
    )
    assert problems_of(more) == [
        "study.yaml:9: stability.runs[2].time_unit: times under one condition have one unit: d before, h here"
    ]


def test_settings_that_do_not_fit_the_factors(problems_of):
    """Every misfit of a design is told, not only the first."""
    assert problems_of(
        "robustness:\n  design: youden\n  factors: [{name: a, low: 1, high: 2}, {name: b, low: 1, high: 2}]\n"
        "  runs:\n    - {settings: [+], result: 1}\n    - {settings: [+, 0], result: 1}\n"
    ) == [
        "study.yaml:9: robustness.runs[0].settings: 1 settings stand against 2 factors",
        (
            "study.yaml:10: robustness.runs[1].settings[1]: a youden design has no nominal "
            "settings; write + or -"
        ),
    ]


@pytest.mark.parametrize(
    ("more", "problems"),
    [
        (
            (
                "robustness:\n  design: youden\n  factors: []\n  runs:\n    - "
                "{settings: [high], result: 1}\n "
                "   - {settings: [], result: 1}\n"
            ),
            [
                "study.yaml:9: robustness.runs[0].settings[0]: "
                "+ (high), - (low) or 0 (nominal) is expected here, found 'high'",
                (
                    "study.yaml:10: robustness.runs[1].settings: the list is empty; give one setting for "
                    "each factor"
                ),
            ],
        ),
        (
            "robustness: {design: youden, factors: [], runs: [{settings: [+], result: 1}]}\n",
            ["study.yaml:5: robustness.factors: the list is empty; enter the factors that were varied"],
        ),
        (
            "uncertainty: {}\n",
            ["study.yaml:5: uncertainty: give components, bias, or a model with its quantities"],
        ),
        (
            "uncertainty: {bias: from nowhere}\n",
            [
                "study.yaml:5: uncertainty.bias: write from recovery, from reference materials, or a "
                "table with "
                "value, standard_uncertainty and source, or with rounds; found 'from nowhere'"
            ],
        ),
        (
            "uncertainty: {bias: {value: 1}}\n",
            [
                (
                    "study.yaml:5: uncertainty.bias: a stated bias requires value and "
                    "standard_uncertainty, or rounds"
                )
            ],
        ),
        (
            """\
uncertainty:
  components:
    - {name: a, value: 1, kind: expanded, unit: g, source: s}
    - {name: a, value: 1, kind: standard, k: 2, unit: g, source: s}
    - {name: a, value: 1, kind: standard, distribution: normal, unit: g, source: s}
    - {name: a, value: 1, kind: tolerance, source: s}
    - {name: a, value: 1, kind: tolerance, unit: g, relative: true, source: s}
    - {name: a, value: 1, kind: tolerance, relative: maybe, source: s}
    - {name: a, value: 1, kind: tolerance, unit: g}
""",
            [
                (
                    "study.yaml:7: uncertainty.components[0].kind: an expanded uncertainty requires its "
                    "coverage factor k"
                ),
                (
                    "study.yaml:8: uncertainty.components[1].k: k applies to an expanded uncertainty only; "
                    "this one is standard"
                ),
                (
                    "study.yaml:9: uncertainty.components[2].distribution: distribution applies to a "
                    "tolerance only; this one is standard"
                ),
                (
                    "study.yaml:10: uncertainty.components[3]: the unit is missing; give unit, or relative: "
                    "true for a value in percent"
                ),
                (
                    "study.yaml:11: uncertainty.components[4].unit: unit and relative are mutually "
                    "exclusive; a relative value is in percent"
                ),
                (
                    "study.yaml:12: uncertainty.components[5].relative: true or false is expected here, "
                    "found 'maybe'"
                ),
                "study.yaml:13: uncertainty.components[6].source: missing; add this key",
            ],
        ),
        (
            """\
criteria:
  - {characteristic: repeatability}
  - {characteristic: lack_of_fit, max: 2}
  - {characteristic: recovery, min: 110, max: 90}
  - {characteristic: repeatabilty, rsd_max: 10}
  - {characteristic: beauty, max: 1}
  - {characteristic: repeatability, rsd_max: -1}
  - {characteristic: lack_of_fit, p_min: 5}
""",
            [
                "study.yaml:6: criteria[0]: a criterion for repeatability requires a limit: rsd_max or max",
                "study.yaml:7: criteria[1].max: max does not apply to lack_of_fit; use p_min",
                "study.yaml:8: criteria[2].max: max must not be smaller than min",
                "study.yaml:9: criteria[3].characteristic: "
                "'repeatabilty' is not known here; did you mean 'repeatability'?",
                "study.yaml:10: criteria[4].characteristic: linearity, lack_of_fit, "
                "residual_pattern, working_range, "
                "sensitivity, detection_limit, quantification_limit, decision_limit, detection_capability, "
                "repeatability, intermediate_precision, "
                "reproducibility, trueness, recovery, selectivity, interference, matrix_effect, robustness, "
                "stability, carry_over, device_to_device, repeated_use, uncertainty, accuracy_profile or "
                "method_comparison is expected here, found 'beauty'",
                "study.yaml:11: criteria[5].rsd_max: must be greater than zero, found -1",
                "study.yaml:12: criteria[6].p_min: must lie between 0 and 1 (0.95 for 95 %), found 5",
            ],
        ),
    ],
)
def test_criteria_components_and_factors_that_do_not_fit(problems_of, more, problems):
    """Parts that are no runs are told at the field that is wrong, too."""
    assert problems_of(more) == problems


def test_every_characteristic_has_its_kinds_of_limit(study_of):
    """Each characteristic of the format can be asked for, with each limit that means something for it."""
    written = [
        (name, *_limits(limit, one.ideal)) for name, one in CHARACTERISTICS.items() for limit in one.takes
    ]
    rows = "".join(
        f"  - {{characteristic: {name}, {', '.join(f'{key}: {value}' for key, value in given.items())}}}\n"
        for name, given, _ in written
    )

    criteria = study_of(f"criteria:\n{rows}").criteria

    assert [(criterion.characteristic, criterion.limits) for criterion in criteria] == [
        (name, read) for name, _, read in written
    ]


def _limits(name, ideal):
    """A limit half a unit from the ideal value as it is written, and as it is read."""
    off = {"min": -0.5, "max": 0.5}
    if name in off:
        given = {name: 0.5 if ideal is None else ideal + off[name]}
        return given, given
    if name == "max_change":
        return {name: 0.5}, {side: ideal + change for side, change in off.items()}
    if name == "tolerated_ratio_min":
        given = {name: 0.5, "max": 0.5}
        return given, given
    return {name: 0.5}, {name: 0.5}


@pytest.mark.parametrize(
    ("criterion", "advice"),
    [
        ("stability, max: 10", "write min: 90, or max_change: 10"),
        ("recovery, min: 0.8, max: 1.2", "the limits are in percent; did you mean 80 and 120?"),
        ("recovery, min: 102", "write min: 100 or less"),
        ("trueness, max: -5", "write max: 5"),
        ("detection_limit, max: -1", "write max: 1"),
        ("recovery, min: 110, max: 90", "max must not be smaller than min"),
    ],
)
def test_limits_that_exclude_the_ideal_method_are_refused(problems_of, criterion, advice):
    """One problem, which names what to write instead."""
    (problem,) = problems_of(f"criteria:\n  - {{characteristic: {criterion}}}\n")

    assert advice in problem


def test_a_stated_reason_admits_a_limit_that_the_ideal_method_misses(study_of):
    """A method without correction for recovery may be meant to find less."""
    text = (
        "criteria:\n  - {characteristic: recovery, min: 60, max: 90, reason: reported without correction}\n"
    )

    assert study_of(text).criteria[0].limits == {"min": 60, "max": 90}


@pytest.mark.parametrize(
    ("analyte", "problem"),
    [
        ("specification: {}", "method.analytes[0].specification: give lower, upper or both"),
        (
            "specification: {lower: 2, upper: 1}",
            "method.analytes[0].specification.upper: upper must be greater than lower",
        ),
        ("molar_mass: 0", "method.analytes[0].molar_mass: must be greater than zero, found 0"),
        ("target_levels: [1, -1]", "method.analytes[0].target_levels[1]: must not be negative, found -1"),
        (
            "legal_limit: 50 mg/L",
            (
                "method.analytes[0].legal_limit: a number is expected here, found '50 mg/L'; write the "
                "number only (50); the unit is declared in method.analytes"
            ),
        ),
    ],
)
def test_analytes_that_do_not_fit(problems_of, analyte, problem):
    """What is known of an analyte is checked."""
    head = (
        "format: validation-study/1\nstudy: {title: t}\n"
        f"method: {{analytes: [{{id: zn, name: z, unit: g, signal: s, signal_unit: V, {analyte}}}]}}\n"
    )
    assert problems_of(head=head) == [f"study.yaml:3: {problem}"]


def test_method(study_of):
    """Conditions keep the text of their values; one or several devices and reagents are lists."""
    head = """\
format: validation-study/1
study: {title: t}
method:
  conditions: {pH: 4.50, stirring: "on", deposition potential: "-1.2 V"}
  equipment: potentiostat
  reagents: [acetate buffer, mercury(II) nitrate]
  analytes:
    - {id: zn, name: z, unit: g, signal: s, signal_unit: 1, specification: {upper: 5}, target_levels: 3}
"""
    method = study_of(head=head).method

    assert method.conditions == {"pH": "4.50", "stirring": "on", "deposition potential": "-1.2 V"}
    assert (method.equipment, method.reagents) == (
        ("potentiostat",),
        ("acetate buffer", "mercury(II) nitrate"),
    )
    assert (method.analytes[0].signal_unit, method.analytes[0].target_levels) == ("1", (3,))
