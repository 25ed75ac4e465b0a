"""Mistakes that are easily made: one line each, with what to write instead."""

from __future__ import annotations

import pytest

from .conftest import HEAD


def test_a_typing_error_at_the_top_is_one_line(problems_of):
    """Without the block, every analyte would be unknown: that is no problem of its own."""
    runs = "".join(f"    - {{level: {i}, signal: {i}, configuration: film}}\n" for i in range(300))

    found = problems_of(f"calibration:\n  runs:\n{runs}", head=HEAD.replace("method:", "methd:"))

    assert found == ["study.yaml:3: methd: unknown key; did you mean 'method'?"]


def test_an_indentation_that_is_one_too_many(problems_of):
    """YAML reads the line as the rest of the one above; the reader is told which two do not agree."""
    (found,) = problems_of(
        "blanks:\n  date: 2026-03-02\n   preparation: independent\n  runs: [{signal: 1}]\n"
    )

    assert (
        found
        == "study.yaml:7: this line begins after 3 blanks and the key above it after 2; begin both alike"
    )


def test_a_blank_that_is_missing_after_a_colon(problems_of):
    """The key and its value are one word to YAML."""
    (found,) = problems_of("blanks:\n  matrix:river water\n  runs: [{signal: 1}]\n")

    assert found == "study.yaml:6: missing space after the colon; write matrix: river water"


def test_numbers_that_were_dates(problems_of):
    """A column that lost its format: what the number is, once for the column."""
    rows = "".join(f"{i},{i},{45716 + i}\n" for i in range(1, 9))

    (found,) = problems_of("calibration: {file: c.csv}\n", {"c.csv": f"level,signal,date\n{rows}"})

    assert found == (
        "c.csv:2 (column 'date'): calibration.runs[0].date: a date is expected here, written year-month-day "
        "(2026-03-25), found '45717'; spreadsheets keep 2025-03-01 as this number: write "
        "2025-03-01, or format "
        "the column as dates (and in 7 more cells of this column)"
    )


@pytest.mark.parametrize(
    ("word", "meant"),
    [
        ("reproducibility", "precision"),
        ("device_to_device", "precision"),
        ("voltammograms", "recordings"),
        ("LOQ", "criteria"),
        ("selectivity", "interference"),
        ("real_samples", "recovery"),
        ("samples", "recovery"),
        ("interferents", "interference"),
        ("reusability", "repeated_use"),
        ("shelf-life", "stability"),
    ],
)
def test_words_of_the_trade(problems_of, word, meant):
    """They lead to the block that holds what is meant."""
    (found,) = problems_of(f"{word}: {{runs: []}}\n")

    assert found == f"study.yaml:5: {word}: unknown key; did you mean '{meant}'?"


@pytest.mark.parametrize(
    ("criterion", "problem"),
    [
        (
            "characteristic: recovery, min: 0.85, max: 1.15",
            "min: the limits are in percent; did you mean 85 and 115?",
        ),
        (
            "characteristic: repeatability, rsd_max: 0.1",
            "rsd_max: the limit is in percent; did you mean 10? If 0.1 % is intended, state the "
            "reason (key reason)",
        ),
    ],
)
def test_fractions_for_percent(problems_of, criterion, problem):
    """0.85 is no recovery that anybody asks for; 0.1 % may be meant, for a reason."""
    assert problems_of(f"criteria: [{{{criterion}}}]\n") == [f"study.yaml:5: criteria[0].{problem}"]


def test_a_limit_of_a_tenth_of_a_percent_that_is_meant(study_of):
    """A titration is that precise; the reason says so."""
    study = study_of(
        "criteria: [{characteristic: repeatability, rsd_max: 0.1, reason: titration by weight}]\n"
    )

    assert study.criteria[0].rsd_max == 0.1


def test_levels_and_signals_exchanged(study_of):
    """Every level differs and the signals repeat: a doubt that the dossier carries."""
    exchanged = "signal,level\n" + "".join(f"{1 + i % 3},{0.1 * i}\n" for i in range(1, 13))

    told, right = (
        study_of("calibration: {file: c.csv}\n", {"c.csv": content}).inputs[1].remarks
        for content in (exchanged, exchanged.replace("signal,level", "level,signal"))
    )

    (remark,) = told
    assert (
        remark.text == "calibration: every level differs while signals repeat; are the two columns exchanged?"
    )
    assert not remark.is_certain
    assert right == ()


TABLE = "level;signal\n1;0.1\n2;0.2\nMean;0.15\n3;0.9\n"


def test_rows_that_hold_data_are_not_ignored(problems_of):
    """An inconvenient reading is excluded with its cause, never by naming its row or its label."""
    message = (
        "calibration.ignored_rows: ignored_rows names this row, which holds data as the others "
        "do; to exclude it, "
        "state the cause (column excluded)"
    )

    assert problems_of("calibration: {file: c.csv, ignored_rows: [mean, 5]}\n", {"c.csv": TABLE}) == [
        f"c.csv:5: {message}"
    ]
    assert problems_of(
        "calibration: {file: c.csv, ignored_rows: [B]}\n",
        {"c.csv": "series,level,signal\nA,1,0.1\nB,1,0.9\nB,2,0.8\n"},
    ) == [f"c.csv:3: {message} (and in another row)"]


def test_a_mean_row_is_ignored(study_of):
    """By its label or its number; also where every other cell of it is a number."""
    table = "series,level,signal\na,1,0.1\nb,2,0.2\nmean,1.5,0.15\n"
    for ignored in ("mean", "4"):
        study = study_of(f"calibration: {{file: c.csv, ignored_rows: [{ignored}]}}\n", {"c.csv": table})
        assert [run.level for run in study.calibration.runs] == [1, 2]


def test_data_outside_the_rows_named_raise_a_doubt(study_of):
    """Rows like those read that stand below the last of them are named, whatever stands further down."""
    table = TABLE.replace("Mean;0.15\n", "") + 'fitted by; "eye\n'

    study = study_of("calibration: {file: c.csv, rows: 2-3}\n", {"c.csv": table})

    assert [run.level for run in study.calibration.runs] == [1, 2]
    assert [(one.text, one.is_certain) for one in study.inputs[1].remarks] == [
        ("calibration: 2 rows read; rows not read: 1 outside the rows named (4)", True),
        ("calibration: rows like those read stand outside the rows named (4)", False),
    ]


def test_a_unit_that_the_heading_contradicts(problems_of):
    """Stated units speak where headings do not; they do not overrule them."""
    (found,) = problems_of(
        "calibration: {file: c.csv, units: {signal: nA}}\n", {"c.csv": "level,signal (µA)\n1,2\n"}
    )

    assert found == (
        "c.csv:1 (column 'signal (µA)'): calibration: the heading says 'µA' and units 'nA'; "
        "correct one of them"
    )
