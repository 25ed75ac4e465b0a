"""Recordings as they are written: curves in files of any make, settings, and what is said of the others."""

from __future__ import annotations

import io

import openpyxl
import pytest

from validator.study import read_study

SETTINGS = """\
recordings:
  kind: chromatogram
  peaks:
    - {from: 3, to: 7, measure: area, baseline: {method: polynomial, degree: 1, through: [[0, 2], [8, 10]]}}
"""
CURVE = [(0.5 * i, 1.25 * (10 - i) ** 2) for i in range(21)]
RUN = "  runs: [{recording: c.csv, into: calibration, level: 1}]\n"


def table(curve=CURVE, separator=",", header="time (min),response", decimal="."):
    rows = [separator.join(f"{value}".replace(".", decimal) for value in point) for point in curve]
    return "\n".join([header.replace(",", separator), *rows] if header else rows) + "\n"


def points(study):
    curve = study.curve(study.recordings.runs[0])
    return list(zip(curve.x, curve.y, strict=True))


@pytest.mark.parametrize(
    ("more", "content"),
    [
        ("", table()),
        ("", table(separator="\t")),
        ("", "# instrument 3\n\n" + table(separator=";")),
        ("", table(header="")),
        ("", table(CURVE[::-1])),
        ("", ("\ufeff" + table()).encode("utf-16")),
        ("  recording_decimal: ','\n", table(separator=";", decimal=",")),
        ("  x: Time\n  y: response\n", table([(y, x) for x, y in CURVE], header="Response,time (min)")),
        ("  y: second\n", table([(x, 0, y) for x, y in CURVE], header="time,first,second (mAU)")),
        ("", table([*CURVE, (99, "")])),
    ],
    ids=[
        "commas",
        "tabs",
        "comments",
        "no header",
        "falling",
        "UTF-16",
        "decimal commas",
        "named",
        "wide",
        "ragged",
    ],
)
def test_curves_of_any_make(study_of, more, content):
    """Separators, encodings, a falling abscissa, columns by name or by place: the same curve, rising."""
    study = study_of(SETTINGS + more + RUN, {"c.csv": content})

    assert points(study) == CURVE
    assert [file.path for file in study.inputs] == ["study.yaml", "c.csv"]


def test_many_curves_in_one_file(study_of):
    """A file may hold many ordinates beside one abscissa; a run sheet says which is which."""
    curves = "t,K1 (A),K2 (A)\n" + "".join(f"{x},{y},{-y}\n" for x, y in CURVE)
    sheet = (
        "recording,column,into,level (µg/L),excluded\nc.csv,K1,calibration,1,\nc.csv,k2,blanks,,air bubble\n"
    )

    study = study_of(f"{SETTINGS}  file: sheet.csv\n", {"c.csv": curves, "sheet.csv": sheet})

    first, second = study.recordings.runs
    assert list(study.curve(first).y) == [-y for y in study.curve(second).y] == [y for _, y in CURVE]
    assert (first.place, second.excluded) == ("sheet.csv row 2", "air bubble")
    assert [(file.path, file.role) for file in study.inputs[1:]] == [("sheet.csv", "data"), ("c.csv", "data")]
    assert (study.curve(first).y_name, study.curve(first).y_unit) == ("K1", "A")


def test_a_curve_in_a_workbook(study_of):
    """The only sheet of a workbook may be a curve."""
    book = openpyxl.Workbook()
    for row in [("time", "response"), *CURVE]:
        book.active.append(row)
    stream = io.BytesIO()
    book.save(stream)

    study = study_of(SETTINGS + RUN.replace("c.csv", "c.xlsx"), {"c.xlsx": stream.getvalue()})

    assert points(study) == CURVE


def test_settings_for_each_analyte_and_configuration(study_of):
    """The entry that names the configuration goes before the one that holds for all."""
    head = """\
format: validation-study/1
study: {title: t}
method:
  analytes: [{id: zn, name: zinc, unit: mg/L, signal: s, signal_unit: A}]
  configurations: [{id: film, name: film}, {id: bare, name: bare}]
  configuration: film
"""
    peaks = "".join(
        f"    - {{{only}from: 3, to: {to}, baseline: {{method: linear, feet: [[0, 1], [9, 10]]}}}}\n"
        for only, to in (("", 7), ("configuration: bare, ", 8))
    )
    study = study_of(f"recordings:\n  kind: spectrum\n  peaks:\n{peaks}{RUN}", {"c.csv": table()}, head=head)

    assert study.recordings.peak_for("zn", "film").end == 7
    assert study.recordings.peak_for("zn", "bare").end == 8


def with_peak(changed):
    return f"recordings:\n  kind: spectrum\n  peaks:\n    - {{{changed}}}\n{RUN}"


AT_9 = "study.yaml:9: recordings.runs[0].recording: c.csv: "
AT_10 = AT_9.replace(":9:", ":10:")
LINEAR = "baseline: {method: linear, feet: [[0, 1], [9, 10]]}"


@pytest.mark.parametrize(
    ("more", "problem"),
    [
        (with_peak(f"from: 7, to: 3, {LINEAR}"), "peaks[0].to: to must be greater than from"),
        (
            with_peak(f"from: 3, to: 7, measure: area, summit: 1, {LINEAR}"),
            "peaks[0].measure: summit and at do not apply to an area; omit them",
        ),
        (with_peak(f"from: 3, to: 7, at: 8, {LINEAR}"), "peaks[0].at: must lie between from and to"),
        (
            with_peak("from: 3, to: 7, baseline: {method: linear}"),
            "peaks[0].baseline: a baseline with method linear requires feet",
        ),
        (
            with_peak("from: 3, to: 7, baseline: {method: linear, feet: [[0, 5], [4, 6]]}"),
            "peaks[0].baseline.feet: give two windows that do not overlap, the lower one first",
        ),
        (
            with_peak("from: 3, to: 7, baseline: {method: linear, feet: [[1, 0], [4, 6]]}"),
            "peaks[0].baseline.feet[0]: the first end of a window must be the smaller one",
        ),
        (
            with_peak("from: 3, to: 7, baseline: {method: linear, feet: [[0, 1, 2], [4, 6]]}"),
            "peaks[0].baseline.feet[0]: two ends make a window ([-1.2, -1.1]), found 3",
        ),
        (
            with_peak("from: 3, to: 7, baseline: {method: polynomial, degree: 12, through: [[0, 1]]}"),
            "peaks[0].baseline.degree: the degree must be at most 9; higher degrees follow the noise",
        ),
        (
            with_peak(
                "from: 3, to: 7, baseline: {method: polynomial, degree: 1, through: [[0, 1]], smoothness: 5}"
            ),
            "peaks[0].baseline.smoothness: smoothness does not apply to a baseline with method polynomial",
        ),
        (
            with_peak(f"from: 3, to: 7, noise: {{from: 1, to: 1}}, {LINEAR}"),
            "peaks[0].noise.to: to must be greater than from",
        ),
        (
            with_peak(f"analyte: cd, from: 3, to: 7, {LINEAR}"),
            "peaks[0].analyte: unknown analyte 'cd'; method.analytes has: zn",
        ),
        (
            f"{SETTINGS}  runs: [{{recording: c.csv, into: noise, level: 1}}]\n",
            "runs[0].into: noise is read where the entry of peaks has a window noise and measures heights",
        ),
        (
            f"{SETTINGS}  runs: [{{recording: c.csv, into: calibration}}]\n",
            "runs[0]: level is missing; it is required for calibration",
        ),
        (
            f"{SETTINGS}  runs: [{{recording: c.csv, into: blanks, level: 1}}]\n",
            "runs[0].level: level does not apply to blanks",
        ),
        (
            f"{SETTINGS}  runs: [{{recording: c.csv, into: comparison}}]\n",
            "runs[0].into: 'comparison' is not known here; did you mean 'precision'?",
        ),
        (
            f"{SETTINGS}  runs: [{{recording: ../c.csv, into: blanks}}]\n",
            (
                "runs[0].recording: ../c.csv: '../c.csv' is outside the study folder; name a file inside "
                "the study folder, relative to it"
            ),
        ),
    ],
)
def test_what_is_wrong_with_settings(problems_of, more, problem):
    """Windows out of order, settings that do not belong together, curves that lead nowhere."""
    found = [line for line in problems_of(more, {"c.csv": table()}) if problem.split(":")[0] in line]

    assert len(found) == 1
    assert f": recordings.{problem}" in found[0]


@pytest.mark.parametrize(
    ("more", "content", "problem"),
    [
        (
            "",
            table(CURVE[:9]),
            AT_9 + "9 points are too few for a curve; at least 10 are required",
        ),
        (
            "",
            table([*CURVE, *CURVE[-2::-1]]),
            AT_9 + "the abscissa is not monotonic (it reverses near 9.5); provide a single sweep",
        ),
        (
            "",
            table(separator=";", decimal=","),
            "c.csv:2: recordings: a number is expected in the column 'time (min)', found '0,0'; "
            "is the decimal sign a comma? Declare recording_decimal",
        ),
        (
            "",
            table().replace("125.0", "n.d."),
            "c.csv:2: recordings: a number is expected in the column 'response', found 'n.d.'",
        ),
        (
            "  y: respnse\n",
            table(),
            AT_10 + "there is no column 'respnse'; did you mean 'response'?",
        ),
        (
            "  y: response\n",
            table(header=""),
            AT_10 + "the columns have no headers; omit x, y and column",
        ),
        (
            "  x: response\n",
            table(),
            AT_10 + "abscissa and ordinate are the same column; name them with x and y",
        ),
        (
            "",
            "time\n1\n2\n",
            AT_9 + "a curve needs two columns, abscissa and ordinate",
        ),
    ],
    ids=["short", "back and forth", "decimal comma", "text", "unknown", "no header", "same", "one column"],
)
def test_what_is_wrong_with_a_curve(problems_of, more, content, problem):
    """File, row and column lead to what is wrong, or the run that names the file."""
    assert problems_of(SETTINGS + more + RUN, {"c.csv": content}) == [problem]


@pytest.mark.parametrize(
    ("header", "by"),
    [("E (V),I (mA)", 1e3), ("E/V,Diff(i/A)", 1e6), ("E / V,I / µA", 1), ("E,I", 1), ("E (V),ΔI [nA]", 1e-3)],
)
def test_the_unit_of_a_height(study_of, header, by):
    """Heights become signals: ordinates are converted into the unit of the signal, and that is said."""
    study = study_of(with_peak(f"from: 3, to: 7, {LINEAR}"), {"c.csv": table(header=header)})

    assert points(study) == [(x, pytest.approx(by * y, rel=1e-14)) for x, y in CURVE]
    assert len(study.inputs[1].remarks) == (by != 1)


@pytest.mark.parametrize(
    ("peak", "header", "problem"),
    [
        ("", "E (V),I (mV)", "'mV' cannot be converted to µA"),
        (
            "measure: area, ",
            "E (V),I (µA)",
            "the area of this curve has the unit µA·V, and signal_unit is µA; ",
        ),
    ],
)
def test_ordinates_that_are_no_signal(problems_of, peak, header, problem):
    """A voltage is no current, and an area of currents over a potential is none either."""
    (found,) = problems_of(with_peak(f"{peak}from: 3, to: 7, {LINEAR}"), {"c.csv": table(header=header)})

    assert found.startswith(f"c.csv:1 (column '{header.partition(',')[2]}'): recordings: {problem}")


EXPORT = """\
Mar. 23, 2026 10:45:26
Technique: square wave
Init E (V) = -1.0, Final E (V) = 0.2
Scan: 1, 25

Potential/V, Diff(i/A), For(i/A)
"""


def test_an_export_with_settings_above_the_curve(study_of):
    """The curve is the first block of numbers; what stands above and below it is counted, not read."""
    rows = "".join(f"{x:.3f}, {-y:.4e}, {y}\n" for x, y in reversed(CURVE))
    more = "  x: Potential\n  y: Diff\n"

    study = study_of(
        with_peak(f"from: 3, to: 7, {LINEAR}") + more, {"c.csv": f"{EXPORT}\n{rows}\nEnd of scan\n"}
    )

    assert points(study) == [(x, pytest.approx(-1e6 * y, rel=1e-12)) for x, y in CURVE]
    assert [one.text for one in study.inputs[1].remarks] == [
        "5 rows above or below the curve not read",
        "recordings: unit of the ordinates converted from A to µA",
    ]


@pytest.mark.parametrize(
    ("more", "content"),
    [
        ("", "E (V)  I\n" + "".join(f"{x}   {y}\n" for x, y in CURVE)),
        ("", "E I\nV -\n" + "".join(f"{x} {y}\n" for x, y in CURVE)),
        ("  skip: 12\n", "".join(f"{i},{i}\n" for i in range(12)) + table()),
        ("", table(CURVE[:12]) + "time (min),response\n" + table(CURVE[12:], header="")),
        ("  recording_decimal: ','\n", table(separator=" ", decimal=",", header="")),
    ],
    ids=["blanks", "units below", "skip", "header again", "blanks and commas"],
)
def test_curves_as_instruments_write_them(study_of, more, content):
    """Blanks between the columns, units in a row of their own, another block above, headers repeated."""
    study = study_of(SETTINGS + more + RUN, {"c.csv": content})

    assert points(study) == CURVE


def test_one_cause_is_told_once(problems_of):
    """Fifty files with the same fault are one line."""
    runs = ", ".join(f"{{recording: c{i}.csv, into: calibration, level: {i}}}" for i in range(1, 51))
    files = {f"c{i}.csv": "time\n1\n2\n" for i in range(1, 51)}

    assert problems_of(f"{SETTINGS}  runs: [{runs}]\n", files) == [
        "study.yaml:9: recordings.runs[0].recording: c1.csv: a curve needs two columns, abscissa and "
        "ordinate (and in 49 more files)"
    ]


def test_a_study_as_written_is_not_reduced(write):
    """The reading room hands on curves; signals are made of them elsewhere."""
    study = read_study(write(SETTINGS + RUN, {"c.csv": table()}))

    assert not study.is_reduced
    assert study.calibration is None
