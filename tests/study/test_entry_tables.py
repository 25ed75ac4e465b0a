"""Workbooks to enter data into: what stands in them, and that what is entered is what is read."""

from __future__ import annotations

import builtins
import datetime as dt
import io

import openpyxl
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from validator.errors import EnvironmentProblem
from validator.study import entry_tables, read_study
from validator.study.delimited import guarded, unguarded
from validator.study.entry_tables import EntrySheet, entry_workbook

HEAD = """\
format: validation-study/1
study: {title: t}
method:
  analytes:
    - {id: zn, name: zinc, unit: µg/L, signal: current, signal_unit: µA}
    - {id: "cd, total", name: cadmium, unit: µg/L, signal: current, signal_unit: µA}
"""
BLANKS = EntrySheet(
    block="blanks", header=["signal (µA)", "analyte", "kind", "date", "order", "series", "note", "excluded"]
)
LEVELS = EntrySheet(block="calibration", header=["level (µg/L)", "signal 1", "signal 2", "analyte"])
FIELDS = ["signal", "analyte", "kind", "date", "order", "series", "note", "excluded"]


@pytest.fixture
def opened(study_of):
    """The workbook for the given sheets, opened again."""

    def opened(*sheets):
        return openpyxl.load_workbook(io.BytesIO(entry_workbook(study_of(head=HEAD), sheets)))

    return opened


def saved(book):
    stream = io.BytesIO()
    book.save(stream)
    return stream.getvalue()


def test_a_sheet_for_each_block(opened):
    """Headers as they are read, locked; cells below them free; choices on a hidden sheet; no formula."""
    book = opened(BLANKS, LEVELS)

    assert [(sheet.title, sheet.sheet_state) for sheet in book] == [
        ("blanks", "visible"),
        ("calibration", "visible"),
        ("choices", "hidden"),
    ]
    for sheet, made in ((book["blanks"], BLANKS), (book["calibration"], LEVELS)):
        assert [cell.value for cell in sheet[1]] == made.header
        assert sheet.protection.sheet
        assert sheet.protection.password is None
        assert all(cell.protection.locked for cell in sheet[1])
        assert not any(cell.protection.locked for row in sheet["A2:D501"] for cell in row)
        assert sheet.freeze_panes == "A2"
    assert not [cell for sheet in book for row in sheet.iter_rows() for cell in row if cell.data_type == "f"]


def test_drop_downs(opened):
    """A column of ids or of fixed words offers these, each once and whole, also with a comma in it."""
    book = opened(BLANKS)
    rules = {str(rule.sqref)[0]: rule for rule in book["blanks"].data_validations.dataValidation}

    def offered(letter):
        assert rules[letter].type == "list"
        sheet, _, area = rules[letter].formula1.lstrip("=").partition("!")
        return [cell.value for (cell,) in book[sheet][area.replace("$", "")]]

    assert offered("B") == ["zn", "cd, total"]
    assert offered("C") == ["reagent", "matrix", "field"]
    assert rules["A"].prompt == "a number in µA; leave the cell empty where there is none"
    assert (rules["E"].type, rules["E"].formula1) == ("whole", "0")
    assert book["blanks"]["D2"].number_format == "yyyy-mm-dd"
    assert book["blanks"]["F2"].number_format == "@"


def test_as_it_comes_it_is_a_study_without_runs(write):
    """Nothing that is made ready counts as data."""
    folder = write(head=HEAD)
    content = entry_workbook(read_study(folder), [BLANKS, LEVELS])

    study = read_study(
        write(
            "blanks: {file: m.xlsx, sheet: blanks}\ncalibration: {file: m.xlsx, sheet: calibration}\n",
            {"m.xlsx": content},
            head=HEAD,
        )
    )

    assert study.blanks.runs == study.calibration.runs == ()


texts = st.text(st.characters(codec="utf-8", categories=["L", "N", "P", "S"]), min_size=1, max_size=12)
steering = st.builds(lambda sign, rest: sign + rest, st.sampled_from("=+-@'"), texts)
labels = texts | steering
rows = st.lists(
    st.tuples(
        st.floats(-1e6, 1e6).map(lambda value: round(value, 6)).map(lambda value: float(f"{value:.15g}")),
        st.sampled_from(["zn", "cd, total"]),
        st.sampled_from(["reagent", "matrix", "field"]),
        st.dates(dt.date(1950, 1, 1), dt.date(2100, 1, 1)),
        st.integers(0, 10**6),
        labels,
        labels,
        st.none() | labels.map(lambda text: f"x{text}"),
    ).filter(lambda row: not row[5].startswith(("<", "#")) and not row[6].startswith("<")),
    min_size=1,
    max_size=5,
)


@given(rows)
@settings(max_examples=60, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
def test_what_is_entered_is_what_is_read(write, monkeypatch, rows):
    """Numbers, dates, choices and any text, a formula's beginning included, come back unchanged."""
    study = read_study(write(head=HEAD))
    monkeypatch.setattr(entry_tables, "ROWS", 8)
    filled = [[cell if isinstance(cell, int | float | str | None) else None for cell in row] for row in rows]
    content = entry_workbook(study, [EntrySheet(block="blanks", header=BLANKS.header, rows=filled)])
    book = openpyxl.load_workbook(io.BytesIO(content))
    for number, row in enumerate(rows, start=2):
        book["blanks"].cell(number, 4).value = row[3]
    more = "blanks: {file: m.xlsx, sheet: blanks}\n"

    runs = read_study(write(more, {"m.xlsx": saved(book)}, head=HEAD)).blanks.runs

    assert [tuple(getattr(run, field) for field in FIELDS) for run in runs] == rows


def test_headers_the_reader_does_not_know(study_of):
    """A sheet that could not be read back is not written."""
    with pytest.raises(ValueError, match=r"blanks: no field has the header 'colour'"):
        entry_workbook(study_of(head=HEAD), [EntrySheet(block="blanks", header=["signal", "colour"])])


def test_without_the_package(study_of, monkeypatch):
    """Where the package is missing, the command that installs it is given."""
    study = study_of(head=HEAD)
    through = builtins.__import__

    def without(name, *given, **named):
        if name == "openpyxl":
            raise ImportError(name)
        return through(name, *given, **named)

    monkeypatch.setattr(builtins, "__import__", without)
    with pytest.raises(EnvironmentProblem, match=r"pip install 'validator\[excel\]'"):
        entry_workbook(study, [BLANKS])


@given(labels)
@settings(max_examples=200, deadline=None)
def test_the_guard_of_text_files(text):
    """A guarded text is never a formula, and reading takes the guard away again and nothing else."""
    assert not guarded(text).startswith(("=", "@"))
    assert guarded(text) == text or guarded(text) == f"'{text}"
    assert unguarded(guarded(text)) == text


@pytest.mark.parametrize("number", ["-1", "+2.5", "-0,5", "-.5", "1e-3", "-1E+2"])
def test_numbers_need_no_guard(number):
    """A sign before a number steers nothing."""
    assert guarded(number) == unguarded(number) == number


def test_guarded_cells_of_text_files(study_of):
    """A text file that was written with guards is read without them."""
    study = study_of(
        "blanks: {file: b.csv}\n", {"b.csv": "signal,note,operator\n-1,'=1+1,'@bob\n2,it's,'quoted'\n"}
    )

    assert [(run.signal, run.note, run.operator) for run in study.blanks.runs] == [
        (-1, "=1+1", "@bob"),
        (2, "it's", "'quoted'"),
    ]
