"""What is meant by what cannot be read: every refusal says what to write instead, as a chemist would."""

from __future__ import annotations

import datetime as dt

import pytest
from hypothesis import given
from hypothesis import strategies as st

from validator.errors import StudyError
from validator.study import read_study
from validator.study.models.base import date_instead_of, instead_of, is_plain_number

RUNS = "calibration:\n  runs:\n"
"""Lines 5 and 6; the run stands in line 7."""


def run(written):
    return f"{RUNS}    - {written}\n"


@pytest.mark.parametrize(
    ("more", "problem"),
    [
        (
            run("{level: 0,5, signal: 1}"),
            ".5: decimal comma in a number; write 0.5",
        ),
        (
            run("{signal: 1, level: 12,05}"),
            ".05: decimal comma in a number; write 12.05",
        ),
        (run("{level:1, signal: 1}"), ".level:1: missing space after the colon; write level: 1"),
        (run("{concentration: 1, signal: 1}"), ".concentration: unknown key; did you mean 'level'?"),
        (run("{level: 1, Peak-Area: 1}"), ".Peak-Area: unknown key; did you mean 'signals'?"),
        (
            run("{level: 1, signal: NaN}"),
            (
                ".signal: a number is expected here, found 'NaN'; omit the reading and state the reason in "
                "a note"
            ),
        ),
        (
            run("{level: 1, signal: 12'345}"),
            ".signal: a number is expected here, found '12'345'; omit the thousands separator: 12345",
        ),
        (
            run("{level: 1, signal: '1,512'}"),
            ".signal: a number is expected here, found '1,512'; "
            "write it with a decimal point: 1.512 (1512 if the comma separates thousands)",
        ),
        (
            run("{level: 1\N{NO-BREAK SPACE}, signal: 1}"),
            (
                ".level: a number is expected here, found '1'; delete the non-standard space character next "
                "to it"
            ),
        ),
        (
            run("{level: !!int 5, signal: 1}"),
            ".level: YAML tags are not accepted, found '!!int'; leave it out",
        ),
        (
            run("{level: 1, signal: 1, date: 2026-03-25T10:00:00Z}"),
            ".date: a date is expected here, written year-month-day (2026-03-25), "
            "found '2026-03-25T10:00:00Z'; write 2026-03-25",
        ),
    ],
)
def test_in_a_run(problems_of, more, problem):
    """Decimal commas in braces, missing blanks, words of everyday speech, signs that look like others."""
    assert f"study.yaml:7: calibration.runs[0]{problem}" in problems_of(more)


@pytest.mark.parametrize(
    ("more", "problem"),
    [
        (
            "calibration:\n  - {level: 1, signal: 1}\n",
            "5: calibration: a table of keys is expected here, found a list; place the list under runs:",
        ),
        (
            "calibration: cal.csv\n",
            "5: calibration: a table of keys is expected here, found 'cal.csv'; "
            "did you mean {file: cal.csv}?",
        ),
        ("calibration: see below\n", "5: calibration: a table of keys is expected here, found 'see below'"),
        ("spikes: {runs: []}\n", "5: spikes: unknown key; did you mean 'recovery'?"),
        ("precision_: {}\n", "5: precision_: unknown key; did you mean 'precision'?"),
        (
            "criteria: [{characteristic: LOD, max: 1}]\n",
            "5: criteria[0].characteristic: 'LOD' is not known here; did you mean 'detection_limit'?",
        ),
        (
            "criteria: [{characteristic: limit of quantitation, max: 1}]\n",
            "5: criteria[0].characteristic: 'limit of quantitation' is not known here; "
            "did you mean 'quantification_limit'?",
        ),
        (
            "calibration: {file: data/clibration.csv}\n",
            (
                "5: calibration.file: no file 'data/clibration.csv' in the study folder; did you mean "
                "'data/calibration.csv'?"
            ),
        ),
        (
            "calibration: {file: nothing.csv}\n",
            "5: calibration.file: no file 'nothing.csv' in the study folder",
        ),
        (
            "? 'a\N{NO-BREAK SPACE}b'\n: 1\n",
            "5: a key holds an unprintable character (U+00A0); type a plain blank",
        ),
    ],
)
def test_elsewhere(problems_of, more, problem):
    """Blocks, characteristics and files."""
    assert problems_of(more, {"data/calibration.csv": "level,signal\n1,1\n"}) == [f"study.yaml:{problem}"]


@pytest.mark.parametrize("written", ["[0,51, 0,52]", "[1,5, 2,5, 3,5]", "[12,5,12,7]", "[-0,2, -0,3]"])
def test_decimal_commas_in_a_list(problems_of, written):
    """YAML takes [0,51, 0,52] for four numbers; what cannot be told apart for certain is asked back."""
    assert problems_of(run(f"{{level: 1, signals: {written}}}")) == [
        (
            "study.yaml:7: calibration.runs[0].signals: this list may contain decimal commas; write decimal "
            "points (0.51), or a space after each comma"
        )
    ]


@pytest.mark.parametrize(
    "written",
    [
        "[1,2,3]",
        "[1, 2, 3]",
        "[0.5,0.6, 0.7]",
        "[0, 5,10]",
        "[0,5]",
        "[1,2,3,4]",
        "[1,\n       2, 3]",
        "[1, 2,3, 4]",
    ],
)
def test_lists_without_doubt(study_of, written):
    """Whole numbers separated alike, or not in the manner of decimal commas, are what they are."""
    found = study_of(run(f"{{level: 1, signals: {written}}}")).calibration.runs[0].values

    assert len(found) == written.count(",") + 1


@pytest.mark.parametrize(
    ("text", "rather"),
    [
        ("1.512,5", "thousands separator: 1512.5"),
        ("1,512.5", "thousands separator: 1512.5"),
        ("1 512,5", "thousands separator: 1512.5"),
        ("1\N{NARROW NO-BREAK SPACE}512", "thousands separator: 1512"),
        ("1,234,567", "thousands separator: 1234567"),
        ("-1,25", "decimal point: -1.25"),
        ("<0,5", "decimal point: <0.5"),
        ("< LOD", "write the limit itself"),
        ("n.d.", "omit the reading"),
        ("#N/A", "omit the reading"),
        ("Not detected", "omit the reading"),
        ("–", "omit the reading"),
        ("Std. Dev.", "omit values calculated from the readings"),
        ("RSD%", "omit values calculated from the readings"),
        ("\N{EN DASH}5", "plain hyphen"),
        ("5 mg/L", "number only (5)"),
        ("1,512,5", ""),
        ("1.2.3", ""),
        ("oops", ""),
    ],
)
def test_texts_for_numbers(text, rather):
    """Thousands, decimal commas, words for no value, rows of means: each is known, and nothing is guessed."""
    found, _ = instead_of(text)

    assert (rather in found) if rather else found == ""


@given(st.integers(1000, 10**9), st.sampled_from([" ", "'", "’", "_", "\N{NO-BREAK SPACE}"]), st.booleans())
def test_thousands_are_put_together_again(number, sign, has_decimals):
    """Whatever separates the thousands, the number proposed is the one that was meant."""
    text = f"{number:,}".replace(",", sign) + (".25" if has_decimals else "")

    found, _ = instead_of(text)

    assert float(found.rpartition(": ")[2]) == number + 0.25 * has_decimals


@given(st.dates(dt.date(1900, 1, 1)))
def test_dates_are_proposed_where_they_are_certain(date):
    """A German date always; one with slashes where the day cannot be a month."""
    year, month, day = date.year, date.month, date.day

    assert date_instead_of(f"{day}.{month}.{year}") == f"; write {date}"
    slashed = date_instead_of(f"{month}/{day}/{year}")
    assert slashed == (f"; write {date}" if day > 12 else "")
    assert date_instead_of(f"{day}/{month}/{year}") == slashed


@pytest.mark.parametrize("text", ["30.02.2026", "2026-02-30", "45/45/2026", "3/4/2026", "spring", "0.0.0000"])
def test_no_date_is_made_up(text):
    """What is no day of the calendar, or could be two, is not proposed."""
    assert date_instead_of(text) == ""


@given(st.text(max_size=30))
def test_any_text(text):
    """No text breaks the search for what was meant, and what is a number is never called a text."""
    found, cause = instead_of(text)

    assert isinstance(found, str)
    assert cause in ("", "comma", "thousands", "date")
    assert not is_plain_number(text) or float(text) == float(text.strip())


@pytest.mark.parametrize(
    ("name", "hint"), [("study.yml", "; name the file itself if you mean study.yml"), ("x.txt", "")]
)
def test_a_folder_without_the_study(tmp_path, name, hint):
    """Another ending or name is noticed."""
    (tmp_path / name).write_text("", encoding="utf-8")

    with pytest.raises(StudyError) as caught:
        read_study(tmp_path)

    assert str(caught.value) == f"{tmp_path}: no study.yaml in this folder{hint}"
