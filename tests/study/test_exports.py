"""Tables as instruments and spreadsheets export them: read as they are, or refused with what to change."""

from __future__ import annotations

import datetime as dt
import io

import openpyxl
import pytest

CALIBRATION = "calibration: {file: d.csv}\n"
IN_ALL = [(1, (0.5,)), (2, (1.1,))]


def values(study, block="calibration"):
    return [(run.level, run.values) for run in study.runs(block)]


def workbook(*rows, change=lambda sheet: None):
    book = openpyxl.Workbook()
    for row in rows:
        book.active.append(row)
    change(book.active)
    stream = io.BytesIO()
    book.save(stream)
    return stream.getvalue()


@pytest.mark.parametrize(
    ("content", "more"),
    [
        ("level;signal\n1,0;0,5\n2,0;1,1\n", 'decimal: ","'),
        ("level,signal,,,\n1,0.5,,,\n2,1.1,,,\n,,,,\n", ""),
        ("# X100, 25.03.2026\n\nlevel;signal\n1;0.5\n# pause\n2;1.1\n", ""),
        ("sep=;\r\nlevel;signal\r\n1;0.5\r\n2;1.1\r\n", ""),
        ("level;signal\r1;0.5\r2;1.1\r", ""),
        ("level (µg/L)\tsignal (µA)\n1\t0.5\n2\t1.1\n".encode("utf-16"), ""),
        ("level (µg/L);signal (µA)\n1;0.5\n2;1.1\n".encode("latin-1"), ""),
        ('"level\n(µg/L)";"signal\n(µA)"\n1;0.5\n2;1.1\n', ""),
        ('level,signal,note\n1,0.5,"line one\nline two"\n2,1.1,5" disc\n', ""),
        ("level;signal;date\n1;0.5;2026-03-25 14:05\n2;1.1;2026-03-25T15:00:10\n", ""),
        ("Calibration of zinc, 25 March\n\nlevel;signal\n1;0.5\n2;1.1\n", ""),
        ("level;signal\nµg/L;µA\n1;0.5\n2;1.1\n", ""),
        ("level;signal\n[µg/L];\n1;0.5\n2;1.1\n", ""),
        ("level|signal\n1|0.5\n2|1.1\n", ""),
        ("level  signal\n1  0.5\n2  1.1\n", ""),
        ("c(Zn), µg/L;ip (µA, net)\n1,0;0,5\n2,0;1,1\n", 'decimal: ",", columns: {level: c, signal: ip}'),
        ("level;signal\n1\N{NO-BREAK SPACE};0.5\n2;1.1\n", ""),
        (
            "Sample Name;Conc. (µg/L);Height (µA);RT (min)\nS1;1;0.5;2.1\nS2;2;1.1;2.1\n",
            "columns: {level: Conc., signal: Height}, ignored_columns: [sample name, RT]",
        ),
    ],
)
def test_what_is_read_as_it_is(study_of, content, more):
    """Dialects, encodings, comments, quoted breaks, times beside dates, columns that are named as ignored."""
    study = study_of(f"calibration: {{file: d.csv, {more}}}\n", {"d.csv": content})

    assert values(study) == IN_ALL


def test_the_time_of_day_is_left_out(study_of):
    """Instruments write date and time into one cell; a run has a day."""
    content = workbook(["level", "signal", "date"], [1, 0.5, dt.datetime(2026, 3, 25, 14, 5)], [2, 1.1, None])

    study = study_of("calibration: {file: d.xlsx}\n", {"d.xlsx": content})

    assert [run.date for run in study.calibration.runs] == [dt.date(2026, 3, 25), None]


@pytest.mark.parametrize(
    ("content", "problem"),
    [
        (
            "Instrument: X100;;\nOperator;A. Meyer;\nlevel;signal;note\n1;0.5;\n",
            "d.csv:2: calibration: the column names appear to be in row 3; declare header_row: 3 beside file "
            "in the study",
        ),
        (
            "level;signal\n1;0.5\n".encode("utf-16-le"),
            "study.yaml:5: calibration.file: d.csv: the text seems to be UTF-16 without its mark; "
            "save the file as UTF-8",
        ),
        (
            b"level (\xe6g/L);signal\n1;0.5\n",
            (
                "d.csv:1 (column 'level (æg/L)'): calibration: the unit 'æg/L' differs from 'µg/L'; "
                "a character was lost: save the file as UTF-8"
            ),
        ),
        (
            "level (Âµg/L);signal\n1;0.5\n",
            (
                "d.csv:1 (column 'level (Âµg/L)'): calibration: the unit 'Âµg/L' differs from 'µg/L'; "
                "a character was lost: save the file as UTF-8"
            ),
        ),
        (
            "level;signal\n1,0;0,5\n2,0;1,1\n",
            "d.csv:2 (column 'signal'): calibration.runs[0].signal: a number is expected here, found '0,5'; "
            'write it with a decimal point: 0.5, or declare decimal: "," beside file in the study '
            "(and in 3 more cells)",
        ),
        (
            'level,signal\n1,"1,512.5"\n',
            "d.csv:2 (column 'signal'): calibration.runs[0].signal: a number is expected here, "
            "found '1,512.5'; leave out what separates thousands",
        ),
        (
            "level;signal\n1;0.5\nMean;0.5\n",
            (
                "d.csv:3 (column 'level'): calibration.runs[1].level: a number is expected here, found "
                "'Mean'; omit values calculated from the readings, or name such rows of a table "
                "in ignored_rows"
            ),
        ),
        (
            "level;signal;Rep 1\n1;0.5;0.6\n",
            (
                "d.csv:1 (column 'Rep 1'): calibration: unknown column; did you mean 'signals'? Then write "
                "columns: {signals: Rep}, or list it under ignored_columns"
            ),
        ),
    ],
)
def test_what_is_to_be_changed(problems_of, content, problem):
    """One sentence a table, with the row and what to do about it."""
    assert problems_of(CALIBRATION, {"d.csv": content}) == [problem]


def test_ignored_columns_are_there(problems_of):
    """A column that is to be ignored and is not there was meant for another table, or misspelt."""
    more = "calibration:\n  file: d.csv\n  ignored_columns: [RT, lot]\n"

    assert problems_of(more, {"d.csv": "level;signal;Lot\n1;0.5;7\n"}) == [
        "study.yaml:7: calibration.ignored_columns: d.csv has no column 'RT'; it has: level, signal, Lot"
    ]


def test_ignored_columns_belong_to_a_table(problems_of):
    """Runs in the study itself have no columns."""
    more = "calibration:\n  ignored_columns: [RT]\n  runs: [{level: 1, signal: 1}]\n"

    assert problems_of(more) == [
        (
            "study.yaml:6: calibration.ignored_columns: ignored_columns applies to a table file, but this "
            "block names none"
        )
    ]


def test_formulas_that_were_never_computed(problems_of):
    """A workbook written by a program has formulas without values: that is why readings are missing."""
    content = workbook(["level", "signal"], [1, "=0.25*2"], [2, 1.1])

    assert problems_of("calibration: {file: d.xlsx}\n", {"d.xlsx": content}) == [
        "d.xlsx:2: calibration.runs[0]: no readings; give signals",
        "d.xlsx: formulas without a stored value, read as empty cells: B2; "
        "open the workbook in a spreadsheet program and save it there",
    ]


def test_a_title_above_the_header_of_a_sheet(study_of):
    """A text that stands alone above the headers is no header; it is said that it was not read."""
    content = workbook(["Calibration, 25 March"], [], ["level", "signal"], [1, 0.5], [2, 1.1])

    study = study_of("calibration: {file: d.xlsx}\n", {"d.xlsx": content})

    assert values(study) == IN_ALL
    (remark,) = study.inputs[1].remarks
    assert (remark.text, remark.is_certain) == (
        "calibration: 2 rows read; rows not read: 1 above the data",
        True,
    )


def test_a_curve_below_other_lines(study_of):
    """The lines that instruments write above a curve are not read; that is said."""
    more = (
        "recordings:\n  kind: voltammogram\n"
        "  peaks: [{from: 3, to: 7, baseline: {method: linear, feet: [[0, 1], [9, 10]]}}]\n"
        "  runs: [{recording: c.csv, into: calibration, level: 1}]\n"
    )
    curve = "Instrument;X100\nScan rate;50\nE (V);I (µA)\n" + "".join(f"{x};1\n" for x in range(20))

    study = study_of(more, {"c.csv": curve})

    assert list(study.curve(study.recordings.runs[0]).x) == list(range(20))
    assert [one.text for one in study.inputs[1].remarks] == ["2 rows above or below the curve not read"]
