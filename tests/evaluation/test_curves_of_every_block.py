"""Curves give the readings of every block that takes signals: the same study as the readings typed in."""

from __future__ import annotations

import math

import pytest

from validator import evaluate, read_study
from validator.errors import StudyError
from validator.evaluation.recordings import reduced

HEAD = """\
format: validation-study/1
study: {title: t, matrix: water}
method:
  analytes: [{id: zn, name: zinc, unit: µg/L, signal: peak current, signal_unit: µA}]
"""
PEAK = """\
recordings:
  kind: voltammogram
  peaks: [{from: -0.2, to: 0.2, at: 0, baseline: {method: linear, feet: [[-1, -0.8], [0.8, 1]]}}]
"""
AXIS = [round(-1 + 0.02 * i, 2) for i in range(101)]


def curve(height):
    """A peak of this height on a sloping base, without noise, as an instrument writes it: in amperes."""
    rows = (f"{x},{1e-6 * (0.2 + 0.1 * x + height * math.exp(-((x / 0.1) ** 2))):.9e}" for x in AXIS)
    return "Scan 1\n\nPotential/V,Diff(i/A)\n" + "\n".join(rows) + "\n"


CASES = {
    "stability": (
        "condition: 4 °C, time: {0}, time_unit: d",
        [(0, 2.0), (7, 1.8)],
        "stability: {{runs: [{{condition: 4 °C, time: 0, time_unit: d, signals: [2.0]}}, "
        "{{condition: 4 °C, time: 7, time_unit: d, signals: [1.8]}}]}}",
    ),
    "standard_addition": (
        "sample: A, added: {0}",
        [(0, 1.0), (5, 2.0), (10, 3.0), (15, 4.1)],
        "standard_addition: {{runs: [{{sample: A, added: [0, 5, 10, 15], signals: [1.0, 2.0, 3.0, 4.1]}}]}}",
    ),
    "carry_over": (
        "series: S1, {0}",
        [("kind: blank", 0.01), ("kind: high, level: 40", 8.0), ("kind: blank", 0.05)],
        "carry_over: {{runs: [{{series: S1, sequence: [{{kind: blank, signal: 0.01}}, "
        "{{kind: high, level: 40, signal: 8.0}}, {{kind: blank, signal: 0.05}}]}}]}}",
    ),
    "interference": (
        "analyte_level: 10{0}",
        [("", 2.0), ("", 2.02), (", interferent: Cu, ratio: 10", 1.9), (", interferent: Cd, ratio: 1", 2.01)],
        "interference: {{runs: [{{interferent: Cu, ratio: 10, analyte_level: 10, signals: [1.9], "
        "reference: [2.0, 2.02]}}, {{interferent: Cd, ratio: 1, analyte_level: 10, signals: [2.01], "
        "reference: [2.0, 2.02]}}]}}",
    ),
}


def with_curves(folder_with, into, told, readings, more=""):
    runs = [
        f"    - {{recording: c{i}.txt, into: {into}, {told.format(what)}}}"
        for i, (what, _) in enumerate(readings)
    ]
    text = HEAD + more + PEAK + "  runs:\n" + "\n".join(runs) + "\n"
    return folder_with(text, {f"c{i}.txt": curve(height) for i, (_, height) in enumerate(readings)})


def readings_of(study, name):
    """What the block holds, without places, signals to the last digits that the curves hold."""
    rows = []
    for run in study.runs(name):
        row = {key: value for key, value in run if value not in (None, ()) and key in run.model_fields_set}
        for key in ("signals", "reference"):
            if key in row:
                row[key] = tuple(round(value, 5) for value in row[key])
        if "sequence" in row:
            row["sequence"] = [(one.kind, one.level, round(one.signal, 5)) for one in row["sequence"]]
        rows.append(row)
    return rows


@pytest.mark.parametrize("into", CASES)
def test_the_same_as_the_readings_typed_in(folder_with, into):
    """Height by height: the curves make the runs that somebody would have written down."""
    told, readings, typed = CASES[into]

    found = reduced(read_study(with_curves(folder_with, into, told, readings)))
    expected = read_study(folder_with(HEAD + typed.format() + "\n"))

    assert readings_of(found, into) == readings_of(expected, into)


def test_what_was_found_of_an_addition_is_read_from_the_calibration(folder_with):
    """Ten times the slope of 0.2 µA·L/µg; without a calibration there is nothing to read it from."""
    levels = ", ".join(f"{{level: {level}, signals: [{0.2 * level}]}}" for level in (0, 10, 20))
    calibration = f"calibration: {{runs: [{levels}]}}\n"
    readings = [(10, 1.96), (20, 4.1)]
    told = "native: 0, added: {0}"

    found = reduced(read_study(with_curves(folder_with, "recovery", told, readings, calibration)))

    assert [run.found for run in found.recovery.runs] == [
        (pytest.approx(9.8, abs=1e-4),),
        (pytest.approx(20.5, abs=1e-4),),
    ]
    with pytest.raises(StudyError) as refused:
        reduced(read_study(with_curves(folder_with, "recovery", told, readings)))
    assert "signals cannot be converted to concentrations" in str(refused.value)


def test_results_of_a_design(folder_with):
    """A block that needs more than readings stands beside the curves, without runs of its own."""
    design = "robustness: {design: one_at_a_time, factors: [{name: pH, low: 3, high: 5}]}\n"
    readings = [('"0"', 2.0), ('"-"', 1.95), ('"+"', 2.05)]

    study = read_study(with_curves(folder_with, "robustness", "settings: [{0}]", readings, design))

    assert [(run.settings, round(run.result[0], 5)) for run in reduced(study).robustness.runs] == [
        ((0,), 2.0),
        ((-1,), 1.95),
        ((1,), 2.05),
    ]


@pytest.mark.parametrize(
    ("into", "told", "readings", "problem"),
    [
        (
            "standard_addition",
            "added: {0}",
            [(0, 1.0)],
            "sample is missing; it is required for ",
        ),
        (
            "stability",
            "condition: c, time: {0}",
            [(0, 1.0)],
            "time_unit is missing; it is required for",
        ),
        ("calibration", "level: {0}, sample: A", [(1, 1.0)], "sample does not apply to calibration"),
        (
            "interference",
            "analyte_level: {0}, interferent: Cu, ratio: 1",
            [(10, 1.0)],
            "no curve without the interferent at this analyte_level (one that names none)",
        ),
        (
            "carry_over",
            "kind: {0}",
            [("blank", 0.1)],
            "the sequence contains no blank directly after",
        ),
    ],
)
def test_curves_that_make_no_run(folder_with, into, told, readings, problem):
    """What a run of the block needs, a curve must say."""
    with pytest.raises(StudyError) as refused:
        reduced(read_study(with_curves(folder_with, into, told, readings)))

    assert problem in str(refused.value)


def test_levels_and_devices_from_the_names_of_files(folder_with):
    """Hundreds of files need no run sheet: what differs stands in their names."""
    files = {
        f"raw/E{d}_{level}ug_{k}.txt": curve(0.2 * float(level))
        for d in (1, 2)
        for k in (1, 2)
        for level in ("2.5", "10")
    }
    from_names = 'level_from: "_([0-9.]+)ug", device_from: "(E[0-9])_"'
    curves = f'  curves: [{{files: "raw/*.txt", into: calibration, {from_names}}}]\n'

    study = reduced(read_study(folder_with(HEAD + PEAK + curves, files)))

    assert sorted((run.level, run.device, round(run.signal, 5)) for run in study.calibration.runs) == sorted(
        (level, device, 0.2 * level) for level in (2.5, 10) for device in ("E1", "E2") for _ in (1, 2)
    )


@pytest.mark.parametrize(
    ("curves", "problem"),
    [
        ('{files: "raw/*.csv", into: blanks}', "curves[0].files: no file matches 'raw/*.csv'"),
        ('{files: "../*.txt", into: blanks}', "leads out of the study folder"),
        (
            '{files: "raw/*.txt", into: calibration, level_from: "_([0-9]+)mg"}',
            "curves[0].level_from: finds nothing in raw/",
        ),
        ('{files: "raw/*.txt", into: calibration, level_from: "(a+)+b"}', "few repeats"),
        ('{files: "raw/*.txt", into: calibration, level_from: "_([0-9]+"}', "no regular expression"),
        ('{files: "raw/*.txt", into: calibration}', "level is missing; it is required for calibration"),
    ],
)
def test_patterns_that_find_nothing(folder_with, curves, problem):
    """A pattern without a file, a name without a value, an expression that could take for ever."""
    files = {f"raw/E1_{level}ug.txt": curve(level) for level in (1, 2)}

    with pytest.raises(StudyError) as refused:
        read_study(folder_with(HEAD + PEAK + f"  curves: [{curves}]\n", files))

    assert problem in str(refused.value)


def test_settings_of_one_curve(folder_with):
    """A curve may be read elsewhere or above another baseline, for a reason that the results hold."""
    shifted = curve(2.0).replace("Scan 1", "Scan 2")
    runs = """\
  baselines: {near: {method: linear, feet: [[-0.6, -0.4], [0.4, 0.6]]}}
  runs:
    - {recording: a.txt, into: calibration, level: 10}
    - {recording: b.txt, into: calibration, level: 10, at: 0.02, baseline: near, reason: bubble at the foot}
"""
    study = read_study(folder_with(HEAD + PEAK + runs, {"a.txt": curve(2.0), "b.txt": shifted}))

    record = evaluate(study).analytes["zn"].configurations["default"].recordings
    assert [one.position for one in record.curves] == [0, 0.02]
    assert [one.reason for one in record.curves] == [None, "bubble at the foot"]
    assert record.curves[1].signal == pytest.approx(2 * math.exp(-0.04), abs=1e-3)


def test_settings_of_a_curve_found_by_its_name(folder_with):
    """A set of one file adds to what the pattern says of it."""
    curves = """\
  curves:
    - {files: "*.txt", into: calibration, level_from: "_([0-9]+)ug"}
    - {files: b_10ug.txt, into: calibration, at: 0.02, reason: shifted}
"""
    files = {"a_10ug.txt": curve(2.0), "b_10ug.txt": curve(2.0)}

    record = evaluate(read_study(folder_with(HEAD + PEAK + curves, files)))

    found = record.analytes["zn"].configurations["default"].recordings.curves
    assert [(one.recording, one.level, one.position, one.reason) for one in found] == [
        ("a_10ug.txt", 10, 0, None),
        ("b_10ug.txt", 10, 0.02, "shifted"),
    ]


@pytest.mark.parametrize(
    ("own", "problem"),
    [
        ("at: 0.1", "at is set for this curve alone; state the reason"),
        ("reason: noise", "reason applies to settings of this curve (from, to, at, baseline); give one"),
        ("at: 0.5, reason: noise", "must lie between from and to"),
        ("baseline: flat, reason: noise", "no entry flat under baselines"),
    ],
)
def test_settings_without_a_reason(folder_with, own, problem):
    """What is changed for one curve alone is explained, and must fit the rest."""
    run = f"  runs: [{{recording: a.txt, into: calibration, level: 10, {own}}}]\n"

    with pytest.raises(StudyError) as refused:
        read_study(folder_with(HEAD + PEAK + run, {"a.txt": curve(2.0)}))

    assert problem in str(refused.value)


def test_what_is_said_of_many_files_is_said_once(command, folder_with):
    """Two hundred exports with settings above the curve are one line, not two hundred."""
    files = {f"raw/{level}ug_{k}.txt": curve(0.2 * level) for level in (1, 2, 4, 8, 16) for k in range(4)}
    curves = '  curves: [{files: "raw/*.txt", into: calibration, level_from: "([0-9.]+)ug"}]\n'

    printed = command("check", folder_with(HEAD + PEAK + curves, files)).out

    assert printed.count("not read") == 1
    assert "raw/16ug_0.txt and 19 more: 1 row above or below the curve not read" in printed
