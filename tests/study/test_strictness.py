"""Each thing that may be wrong with a study file: where it is, what it is, what to write instead."""

from __future__ import annotations

import pytest

RUNS = "calibration:\n  runs:\n"
"""Lines 5 and 6; the first run stands in line 7."""


def _calibration(*runs):
    return RUNS + "".join(f"    - {run}\n" for run in runs)


def test_every_problem_with_its_line(problems_of):
    """Typos, wrong types, negative values and unknown ids of all files are reported in one go."""
    more = _calibration("{level: 1, signals: [2, oops]}", "{level: -5, signal: 4}", "{levle: 2, signal: 1}")

    found = problems_of(
        f"{more}blanks: {{file: blanks.csv, analyte: cd}}\nprecison: {{}}\n",
        {"blanks.csv": "signal 1,signal 2\n0.1,0.2\n0.3,x\n"},
    )

    assert found == [
        "blanks.csv:3 (column 'signal 2'): blanks.runs[1].signals[1]: a number is expected here, found 'x'",
        "study.yaml:7: calibration.runs[0].signals[1]: a number is expected here, found 'oops'",
        "study.yaml:8: calibration.runs[1].level: must not be negative, found -5",
        "study.yaml:9: calibration.runs[2].level: missing; add this key",
        "study.yaml:9: calibration.runs[2].levle: unknown key; did you mean 'level'?",
        "study.yaml:10: blanks.analyte: unknown analyte 'cd'; method.analytes has: zn",
        "study.yaml:11: precison: unknown key; did you mean 'precision'?",
    ]


@pytest.mark.parametrize(
    ("written", "message"),
    [
        ("oops", "a number is expected here, found 'oops'"),
        ("", "a number is expected here, found nothing"),
        ("yes", "a number is expected here, found 'yes'"),
        ("[1]", "a number is expected here, found a list"),
        ("{a: 1}", "a number is expected here, found a table of keys"),
        ("2026-03-25", "a number is expected here, found '2026-03-25'"),
        ("12:30:45", "a number is expected here, found '12:30:45'"),
        ("0x1F", "a number is expected here, found '0x1F'"),
        ("0o17", "a number is expected here, found '0o17'"),
        (
            "1_000",
            "a number is expected here, found '1_000'; omit the thousands separator: 1000",
        ),
        ("'5'", "a number is expected here, found the text '5'; leave out the quotation marks"),
        ("'0,5'", "a number is expected here, found '0,5'; write it with a decimal point: 0.5"),
        (
            "'-1,25e-3'",
            "a number is expected here, found '-1,25e-3'; write it with a decimal point: -1.25e-3",
        ),
        ("−5", "a number is expected here, found '−5'; write a plain hyphen as the minus sign"),
        (
            "5 µg/L",
            (
                "a number is expected here, found '5 µg/L'; write the number only (5); the unit is declared "
                "in method.analytes"
            ),
        ),
        (
            "12.5mg",
            (
                "a number is expected here, found '12.5mg'; write the number only (12.5); the unit is "
                "declared in method.analytes"
            ),
        ),
        (
            "<0.5",
            (
                "a number is expected here, found '<0.5'; values reported as less than a limit are accepted "
                "only in blanks, low_level, stability and comparison"
            ),
        ),
        (".nan", "'.nan' is not a measured value; omit the reading and state the reason in a note"),
        (".NaN", "'.NaN' is not a measured value; omit the reading and state the reason in a note"),
        ("-.inf", "'-.inf' is not a measured value; omit the reading and state the reason in a note"),
        ("1e999", "'1e999' is too large to be computed with"),
        ("1.1e50", "'1.1e50' is too large to be computed with"),
        ("1e-51", "'1e-51' is too small to be computed with; write 0 if that is meant"),
        (
            "061",
            "'061' starts with a zero: was it part of a decimal comma? "
            "Write a decimal point, or 61 if that is meant",
        ),
        ("-5", "must not be negative, found -5"),
        ("-0.25", "must not be negative, found -0.25"),
        ("a" * 60, f"a number is expected here, found '{'a' * 39}…'"),
    ],
)
def test_doubtful_numbers(problems_of, written, message):
    """A level that is not plainly a number is cited, with the way to write it."""
    assert problems_of(_calibration(f"{{level: {written}, signal: 1}}")) == [
        f"study.yaml:7: calibration.runs[0].level: {message}"
    ]


@pytest.mark.parametrize(
    ("written", "number"),
    [
        ("1e-3", 0.001),
        ("1E+2", 100.0),
        ("+5", 5.0),
        (".5", 0.5),
        ("5.", 5.0),
        ("0", 0.0),
        ("0.0", 0.0),
        ("1e50", 1e50),
        ("1e-50", 1e-50),
        # YAML 1.2.2 (2021), example 10.9, its floats
        ("0.", 0.0),
        ("-0.0", 0.0),
        ("+12e03", 12000.0),
    ],
)
def test_numbers_as_they_are_written(study_of, written, number):
    """Numbers are those of YAML 1.2: 1e-3 needs no decimal point, +12e03 no sign in its exponent."""
    assert study_of(_calibration(f"{{level: {written}, signal: 1}}")).calibration.runs[0].level == number


@pytest.mark.parametrize("written", ["no", "yes", "on", "Off", "NO", "true", "False"])
@pytest.mark.parametrize("field", ["series", "device", "operator", "instrument", "preparation_id"])
def test_truth_values_where_a_label_is_expected(problems_of, field, written):
    """A label that YAML takes for true or false must be put in quotation marks."""
    assert problems_of(_calibration(f"{{level: 1, signal: 1, {field}: {written}}}")) == [
        f"study.yaml:7: calibration.runs[0].{field}: "
        f"'{written}' is read as true or false; put it in quotation marks if a text is meant"
    ]


def test_labels_stay_as_written(study_of):
    """Numbers as labels keep their text: 007 is not 7, 1.10 not 1.1, 2026-03-25 not a date."""
    study = study_of(
        _calibration(
            "{level: 1, signal: 1, series: 007, device: 1.10, operator: 'no', instrument: 2026-03-25}"
        )
    )

    run = study.calibration.runs[0]

    assert (run.series, run.device, run.operator, run.instrument) == ("007", "1.10", "no", "2026-03-25")


@pytest.mark.parametrize(
    ("written", "message"),
    [
        ("2026-02-30", "'2026-02-30' is not a date of the calendar"),
        ("2025-02-29", "'2025-02-29' is not a date of the calendar"),
        (
            "25.03.2026",
            "a date is expected here, written year-month-day (2026-03-25), "
            "found '25.03.2026'; write 2026-03-25",
        ),
        ("2026-3-5", "a date is expected here, written year-month-day (2026-03-25), found '2026-3-5'"),
        ("20260325", "a date is expected here, written year-month-day (2026-03-25), found '20260325'"),
    ],
)
def test_dates_that_do_not_exist(problems_of, written, message):
    """A date is one of the calendar, written year-month-day."""
    assert problems_of(_calibration(f"{{level: 1, signal: 1, date: {written}}}")) == [
        f"study.yaml:7: calibration.runs[0].date: {message}"
    ]


@pytest.mark.parametrize(
    ("more", "problems"),
    [
        ("calibratoin: {}\n", ["study.yaml:5: calibratoin: unknown key; did you mean 'calibration'?"]),
        (
            _calibration("{level: 1, sginals: 3}"),
            [
                "study.yaml:7: calibration.runs[0].sginals: unknown key; did you mean 'signals'?",
            ],
        ),
        (
            _calibration("{concentration: 1, response: 3}"),
            [
                "study.yaml:7: calibration.runs[0].level: missing; add this key",
                "study.yaml:7: calibration.runs[0].concentration: unknown key; did you mean 'level'?",
                "study.yaml:7: calibration.runs[0].response: unknown key; did you mean 'signals'?",
            ],
        ),
        (
            "analysis: {per_analyte: {zn: {calibration: {modle: linear}}}}\n",
            ["study.yaml:5: analysis.per_analyte.zn.calibration.modle: unknown key; did you mean 'model'?"],
        ),
        (
            "precision: {nested_in: {operator: instrument, crew: device}, "
            "runs: [{level: 1, concentrations: [1, 2]}]}\n",
            [
                "study.yaml:5: precision.nested_in.crew: operator, instrument or device is expected here, "
                "found 'crew'"
            ],
        ),
        (
            "precision: {nested_in: {device: operator, operator: device}, "
            "runs: [{level: 1, concentrations: [1, 2]}]}\n",
            [
                "study.yaml:5: precision.nested_in.device: device is nested in itself; name the condition "
                "that tells its labels apart"
            ],
        ),
        (
            "precision:\n  nested_in: {operator: instrument}\n  runs:\n"
            "  - {level: 1, instrument: I1, operator: day, concentrations: [1, 2]}\n"
            "  - {level: 1, operator: day, concentrations: [1, 2]}\n",
            [
                "study.yaml:9: precision.runs[1]: instrument is missing; it is required where operator is "
                "nested in it"
            ],
        ),
        (
            "analysis: {calibration: {xyz: 1}}\n",
            [
                (
                    "study.yaml:5: analysis.calibration.xyz: unknown key; valid here: model, weighting, "
                    "replicates_for_sample, fit_over, linear_range"
                )
            ],
        ),
        (
            _calibration("{<<: {level: 1}, level: 2, signal: 1}"),
            ["study.yaml:7: calibration.runs[0].<<: merge keys are not accepted; write the fields out"],
        ),
        (
            _calibration("{level: 1, signal: 1, place: here}"),
            [
                (
                    "study.yaml:7: calibration.runs[0].place: unknown key; valid here: signals, signal, "
                    "level, level_uncertainty, signal_sd, analyte, configuration, date, operator, "
                    "instrument, series, device, order, preparation, preparation_id, matrix, note, excluded"
                )
            ],
        ),
    ],
)
def test_unknown_keys(problems_of, more, problems):
    """A key that is not known is named with the nearest that is, or with all that are."""
    assert problems_of(more) == problems


def test_a_run_without_data_of_its_own_kind(problems_of):
    """After a misspelt key the missing one is not told as well where the typo explains it."""
    assert problems_of("blanks: {runs: [{kind: reagnet, signal: 1}, {}]}\n") == [
        "study.yaml:5: blanks.runs[0].kind: "
        "reagent, matrix or field is expected here, found 'reagnet'; did you mean 'reagent'?",
        "study.yaml:5: blanks.runs[1]: no readings; give signals or concentrations",
    ]


def test_duplicate_keys(problems_of):
    """A key that is written twice is shown with both lines, at every depth."""
    assert problems_of(
        "calibration:\n  runs:\n    - level: 1\n      signal: 2\n      level: 3\ncalibration: {}\n"
    ) == [
        "study.yaml:9: calibration.runs[0].level: duplicate key (first in line 7); keep one",
        "study.yaml:10: calibration: duplicate key (first in line 5); keep one",
    ]


@pytest.mark.parametrize(
    ("more", "problem"),
    [
        ("no: 1\n", "study.yaml:5: no: the key 'no' is read as true or false; put it in quotation marks"),
        ("? [a]\n: 1\n", "study.yaml:5: a key must be a word, found a list or table"),
        (
            "blanks: !!map {}\n",
            "study.yaml:5: blanks: YAML tags are not accepted, found '!!map'; leave it out",
        ),
        (
            "blanks: {runs: [{signal: !secret 1}]}\n",
            "study.yaml:5: blanks.runs[0].signal: YAML tags are not accepted, found '!secret'; leave it out",
        ),
        ("---\na: 1\n", "study.yaml:5: a second document starts here (---); write one study in one file"),
        ("blanks:\n\truns: []\n", "study.yaml:6: the indentation contains a tab; YAML accepts spaces only"),
        (
            "note: pH: 4\n",
            "study.yaml:5: unexpected colon; enclose text that contains a colon in quotation marks",
        ),
        (
            "blanks: [1, 2\n",
            "study.yaml:6: a list opened with [ lacks the closing ] or a comma (begun in line 5)",
        ),
        (
            "blanks: {a: 1\n",
            "study.yaml:6: a mapping opened with { lacks the closing } or a comma (begun in line 5)",
        ),
        ("note: 'abc\n", "study.yaml:6: a quotation mark is not closed (begun in line 5)"),
        (
            'note: "C:\\data"\n',
            (
                "study.yaml:5: a backslash has a special meaning in double quotation marks; use single "
                "quotation marks"
            ),
        ),
        (
            "blanks:\n    runs: 1\n  file: 2\n",
            "study.yaml:7: the indentation does not match the lines above (begun in line 1)",
        ),
        ("blanks\nlow_level: 1\n", "study.yaml:6: a colon is missing after a key (begun in line 5)"),
        ("note: @home\n", "study.yaml:5: enclose text that starts with @ in quotation marks"),
        ("note: %RSD\n", "study.yaml:5: enclose text that starts with % in quotation marks"),
        (
            "note: * see below\n",
            "study.yaml:5: enclose text that starts with * or & in quotation marks",
        ),
        ("blanks: - 1\n", "study.yaml:5: a list item (-) must start on a line of its own"),
        ("note: a\x07b\n", "study.yaml:5: the text contains an unprintable character (U+0007)"),
        ('"a\\x01": 1\n', "study.yaml:5: a key holds an unprintable character (U+0001)"),
        ("blanks: *b\n", "study.yaml:5: blanks: the alias *b has no finished anchor &b above it"),
        ("blanks: &b [1, *b]\n", "study.yaml:5: blanks[1]: the alias *b has no finished anchor &b above it"),
    ],
)
def test_broken_yaml(problems_of, more, problem):
    """What YAML itself refuses, and what no study needs of YAML, is told in everyday words."""
    found = problems_of(more)

    assert found[0] == problem


@pytest.mark.parametrize(
    ("head", "problems"),
    [
        ("", ["study.yaml:1: the file is empty; a study must begin with format: validation-study/1"]),
        (
            "# only a comment\n",
            ["study.yaml:1: the file is empty; a study must begin with format: validation-study/1"],
        ),
        (
            "- a\n- b\n",
            ["study.yaml:1: the file contains no keys; a study must begin with format: validation-study/1"],
        ),
        (b"%PDF-1.7\n\0\1", ["study.yaml:2: not a text file (it contains a zero byte)"]),
        (
            b"format: x\ntitle: \xb5g\n",
            ["study.yaml:2: a character is not written in UTF-8 (byte 0xb5); save the file as UTF-8"],
        ),
        ("format: a".encode("utf-16"), ["study.yaml: the text is written as UTF-16; save the file as UTF-8"]),
        (
            "{}\n",
            [
                "study.yaml:1: format: missing; the study starts with the line format: validation-study/1",
                "study.yaml:1: study: missing; add this key",
                "study.yaml:1: method: missing; add this key",
            ],
        ),
        (
            "format: validation-study/2\nstudy: {title: t}\nmethod: {analytes: []}\n",
            [
                "study.yaml:1: format: this version reads validation-study/1, found 'validation-study/2'",
                "study.yaml:3: method.analytes: the list is empty; name at least one analyte",
            ],
        ),
        (
            "format: validation-study/1\nstudy: Zinc\nmethod: {analytes: {id: zn}}\n",
            [
                "study.yaml:2: study: a table of keys is expected here, found 'Zinc'",
                "study.yaml:3: method.analytes: a list is expected here, found a table of keys",
            ],
        ),
    ],
)
def test_not_a_study(problems_of, head, problems):
    """Empty, binary or foreign files are told from studies."""
    assert problems_of(head=head) == problems


def test_byte_order_mark_and_line_ends_of_other_systems(study_of):
    """A byte order mark and carriage returns, as some editors write them, do no harm."""
    text = (
        "format: validation-study/1\nstudy: {title: t}\nmethod:\n  analytes: "
        "[{id: a, name: a, unit: g, signal: s, signal_unit: V}]\n"
    )

    assert study_of(head=b"\xef\xbb\xbf" + text.replace("\n", "\r\n").encode()).study.title == "t"


@pytest.mark.parametrize(
    ("more", "problems"),
    [
        ("calibration:\n", ["study.yaml:5: calibration: is empty; enter a value or omit the key"]),
        ("calibration: 5\n", ["study.yaml:5: calibration: a table of keys is expected here, found '5'"]),
        (
            "calibration: {}\n",
            ["study.yaml:5: calibration: no data; give runs, or file with the name of a table (CSV or XLSX)"],
        ),
        (
            "calibration: {runs: []}\n",
            ["study.yaml:5: calibration.runs: the list is empty; enter at least one run"],
        ),
        ("calibration: {runs: 5}\n", ["study.yaml:5: calibration.runs: a list is expected here, found '5'"]),
        (
            "calibration:\n  runs: [5]\n",
            ["study.yaml:6: calibration.runs[0]: a table of keys is expected here, found '5'"],
        ),
        (
            "calibration: {file: }\n",
            ["study.yaml:5: calibration.file: is empty; name a table file (CSV or XLSX), or give runs"],
        ),
        (
            "calibration:\n  decimal: ','\n  runs: [{level: 1, signal: 2}]\n",
            ["study.yaml:6: calibration.decimal: decimal applies to a table file, but this block names none"],
        ),
        (
            "calibration:\n  date: 2026-02-30\n  preparation: twice\n"
            "  runs: [{level: 1, signal: 2}, {level: 2, signal: 4}]\n",
            [
                "study.yaml:6: calibration.date: '2026-02-30' is not a date of the calendar",
                "study.yaml:7: calibration.preparation: "
                "independent or repeated_reading is expected here, found 'twice'",
            ],
        ),
        (
            _calibration("{level: 1}", "{level: 1, signal: 2, signals: [3]}", "{level: 1, signals: []}"),
            [
                "study.yaml:7: calibration.runs[0]: no readings; give signals",
                (
                    "study.yaml:8: calibration.runs[1].signal: signals and signal are mutually "
                    "exclusive; give only one"
                ),
                "study.yaml:9: calibration.runs[2].signals: the list is empty; give at least one value",
            ],
        ),
        (
            _calibration("{level: 1, signal: 1, excluded: true}", "{level: 1, signal: 1, excluded: ''}"),
            [
                "study.yaml:7: calibration.runs[0].excluded: "
                "write the cause as a text (excluded: \"pipetting error\"), found 'true'",
                "study.yaml:8: calibration.runs[1].excluded: "
                "write the cause as a text (excluded: \"pipetting error\"), found ''",
            ],
        ),
        (
            _calibration("{level: 1, signal: 1, order: 1.5}", "{level: 1, signal: 1, order: -1}"),
            [
                "study.yaml:7: calibration.runs[0].order: a whole number is expected here, found '1.5'",
                "study.yaml:8: calibration.runs[1].order: must not be negative, found -1",
            ],
        ),
    ],
)
def test_blocks_and_runs(problems_of, more, problems):
    """A block that holds no runs, and runs that hold no readings, are told what is missing."""
    assert problems_of(more) == problems


TWO = """\
format: validation-study/1
study: {title: t}
method:
  analytes:
    - {id: zn, name: zinc, unit: µg/L, signal: current, signal_unit: µA}
    - {id: cu, name: copper, unit: mg/L, signal: current, signal_unit: µA}
  configurations: [{id: bare, name: bare}, {id: film, name: film}]
  configuration: film
"""


@pytest.mark.parametrize(
    ("more", "problems"),
    [
        (
            "blanks: {runs: [{signal: 1, analyte: zn}, {signal: 1}]}\n",
            ["study.yaml:9: blanks.runs[1].analyte: missing; name one of the analytes of the study: zn, cu"],
        ),
        (
            "blanks: {runs: [{signal: 1, analyte: zb, configuration: flim}]}\n",
            [
                "study.yaml:9: blanks.runs[0].analyte: unknown analyte 'zb'; method.analytes has: zn, cu",
                (
                    "study.yaml:9: blanks.runs[0].configuration: unknown configuration 'flim'; did you "
                    "mean 'film'?"
                ),
            ],
        ),
        (
            "blanks:\n  analyte: zb\n  runs: [{signal: 1}, {signal: 2}]\n",
            ["study.yaml:10: blanks.analyte: unknown analyte 'zb'; method.analytes has: zn, cu"],
        ),
        (
            "criteria: [{characteristic: recovery, min: 90, analyte: pb, configuration: x}]\n",
            [
                "study.yaml:9: criteria[0].analyte: unknown analyte 'pb'; method.analytes has: zn, cu",
                "study.yaml:9: criteria[0].configuration: "
                "unknown configuration 'x'; method.configurations has: bare, film",
            ],
        ),
        (
            "analysis: {per_analyte: {pb: {alpha: 0.01}}}\n",
            ["study.yaml:9: analysis.per_analyte.pb: unknown analyte 'pb'; method.analytes has: zn, cu"],
        ),
        (
            (
                "uncertainty: {components: [{name: v, value: 1, kind: standard, unit: "
                "mL, source: s, analyte: pb}]}\n"
            ),
            [
                (
                    "study.yaml:9: uncertainty.components[0].analyte: unknown analyte 'pb'; "
                    "method.analytes has: zn, cu"
                )
            ],
        ),
        (
            "blanks: {unit: µg/L, runs: [{signal: 1, analyte: zn}, {signal: 1, analyte: cu}]}\n",
            [
                (
                    "study.yaml:9: blanks.unit: the unit is 'µg/L' here and 'mg/L' in method.analytes; "
                    "convert the values to mg/L"
                )
            ],
        ),
    ],
)
def test_references_that_lead_nowhere(problems_of, more, problems):
    """Ids that are not declared, and units that differ from the declared ones, are told once."""
    assert problems_of(more, head=TWO) == problems


@pytest.mark.parametrize("unit", ["ug/L", "μg/L", "µg / L", "µg/l"])
def test_spellings_of_one_unit(study_of, unit):
    """The two micro signs, u for micro, blanks and the small letter of the litre are one unit."""
    assert study_of(f"blanks: {{unit: '{unit}', runs: [{{signal: 1}}]}}\n").blanks.unit == unit


@pytest.mark.parametrize(
    ("method", "problems"),
    [
        (
            "configurations: [{id: a, name: a}, {id: b, name: b}]",
            ["study.yaml:5: method.configuration: missing; say which one is validated: a or b"],
        ),
        (
            "configurations: [{id: a, name: a}, {id: a, name: b}]\n  configuration: a",
            [
                (
                    "study.yaml:5: method.configurations[1].id: the id 'a' is already used by "
                    "configurations[0]; choose another"
                )
            ],
        ),
        (
            "configurations: [{id: bare, name: a}]\n  configuration: bear",
            ["study.yaml:6: method.configuration: unknown configuration 'bear'; did you mean 'bare'?"],
        ),
        (
            "configuration: film",
            [
                (
                    "study.yaml:5: method.configuration: unknown configuration 'film'; "
                    "method.configurations names none"
                )
            ],
        ),
    ],
)
def test_configurations_in_order(problems_of, method, problems):
    """Ids are unique, and the validated configuration is one of those described."""
    assert problems_of(f"  {method}\nblanks: {{runs: [{{signal: 1}}]}}\n") == problems


def test_two_analytes_of_one_id(problems_of):
    """Data rows could not say which of the two they belong to."""
    head = TWO.replace("id: cu", "id: zn").replace("unit: mg/L", "unit: mg/L, colour: blue")

    assert problems_of(head=head) == [
        "study.yaml:6: method.analytes[1].id: the id 'zn' is already used by analytes[0]; choose another",
        "study.yaml:6: method.analytes[1].colour: unknown key; valid here: id, name, unit, "
        "signal, signal_unit, "
        "molar_mass, display_unit, target_levels, status, legal_limit, reference_point_for_action, "
        "lowest_calibrated_level, screening_target, specification, claimed_range",
    ]


def test_identity(problems_of):
    """Period, people and attachments are checked with the rest."""
    head = """\
format: validation-study/1
study:
  title: t
  period: {from: 2026-03-02, to: 2026-03-01}
  people: [{name: A. Analyst, role: signed}]
  attachments: [certificate.pdf, ../secret, study.yaml]
method: {analytes: [{id: zn, name: zinc, unit: g, signal: s, signal_unit: V}]}
"""
    assert problems_of(head=head) == [
        "study.yaml:4: study.period.to: the period ends (2026-03-01) before it starts (2026-03-02)",
        "study.yaml:5: study.people[0].role: prepared, reviewed or approved is expected here, found 'signed'",
        "study.yaml:6: study.attachments[0]: no file 'certificate.pdf' in the study folder",
        (
            "study.yaml:6: study.attachments[1]: '../secret' is outside the study folder; name a file "
            "inside the study folder, relative to it"
        ),
    ]


def test_choices_of_the_analysis(problems_of):
    """Choices out of range or not on offer are shown what is."""
    more = """\
analysis:
  confidence: 95
  seed: 1.5
  decision_rule: strict
  calibration: {model: cubic, weighting: 1/x2, replicates_for_sample: 0}
  detection_limit: blank_3s
"""
    assert problems_of(more) == [
        "study.yaml:6: analysis.confidence: must lie between 0.5 and 0.999999 (0.95 for 95 %), found 95",
        "study.yaml:7: analysis.seed: a whole number is expected here, found '1.5'",
        "study.yaml:8: analysis.decision_rule: simple or guarded is expected here, found 'strict'",
        "study.yaml:9: analysis.calibration.model: "
        "linear, linear_through_origin or quadratic is expected here, found 'cubic'",
        "study.yaml:9: analysis.calibration.weighting: none, 1/x, 1/x^2, 1/s^2, 1/s^2 smoothed or auto "
        "is expected here, found '1/x2'; did you mean '1/x^2'?",
        "study.yaml:9: analysis.calibration.replicates_for_sample: must be 1 or more, found 0",
        (
            "study.yaml:10: analysis.detection_limit: a table of keys (variant) is expected "
            "here, found 'blank_3s'"
        ),
    ]


@pytest.mark.parametrize(
    ("choice", "accepted", "message"),
    [
        ("confidence: 0.5", False, "must lie between 0.5 and 0.999999 (0.95 for 95 %), found 0.5"),
        ("confidence: 0.51", True, ""),
        (
            "confidence: 0.9999999",
            False,
            "must lie between 0.5 and 0.999999 (0.95 for 95 %), found 0.9999999",
        ),
        ("alpha: 0.5", False, "must lie between 1e-06 and 0.5 (0.05 for 5 %), found 0.5"),
        ("alpha: 1e-6", True, ""),
        ("beta: 1e-7", False, "must lie between 1e-06 and 0.5 (0.05 for 5 %), found 1e-07"),
    ],
)
def test_levels_of_confidence(problems_of, study_of, choice, accepted, message):
    """One-sided bounds need a confidence above one half; an error rate is below it."""
    more = f"analysis: {{{choice}}}\n"

    if accepted:
        assert study_of(more).analysis.declared(choice.partition(":")[0])
    else:
        assert problems_of(more) == [f"study.yaml:5: analysis.{choice.partition(':')[0]}: {message}"]


def test_more_problems_than_anybody_reads(problems_of):
    """After 200 problems the rest is counted."""
    found = problems_of(_calibration(*["{level: x, signal: 1}"] * 1500))

    assert len(found) == 201
    assert found[199] == "study.yaml:206: calibration.runs[199].level: a number is expected here, found 'x'"
    assert found[200] == "study.yaml: ... and 1300 more problems after these"


@pytest.mark.parametrize("cause", ["", " ~", " true", ' ""'])
def test_an_exclusion_needs_its_cause(problems_of, cause):
    """A run marked as excluded without a cause is neither left out nor kept in silence."""
    found = problems_of(f"{RUNS}    - level: 1\n      signal: 2\n      excluded:{cause}\n")

    assert len(found) == 1
    assert found[0].startswith("study.yaml:9: calibration.runs[0].excluded: write the cause as a text")
