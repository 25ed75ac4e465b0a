"""Rows that are cast and rows that go the long way give the same runs and the same words."""

from __future__ import annotations

import copy
import gc
import pickle
import subprocess
import sys

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from validator.errors import StudyError
from validator.study import read_study
from validator.study import rows as reader
from validator.study.blocks import data_blocks
from validator.study.keys import kind_of

HEAD = """\
format: validation-study/1
study: {title: t, matrix: water}
method:
  analytes:
    - {id: zn, name: zinc, unit: mg/L, signal: current, signal_unit: µA}
    - {id: cd, name: cadmium, unit: mg/L, signal: current, signal_unit: µA}
  configurations: [{id: film, name: film}, {id: bare, name: bare}]
  configuration: film
"""
COMMON = ["analyte", "configuration", "date", "series", "device", "order", "preparation", "note", "excluded"]
TABLES = {
    "calibration": ["level", "signal 1", "signal 2", "level uncertainty", "signal sd"],
    "matrix_calibration": ["level", "signal", "matrix"],
    "blanks": [
        "signal",
        "concentration 1",
        "concentration 2",
        "kind",
        "blank correction",
        "replicates averaged",
    ],
    "low_level": ["level", "concentration 1", "signals"],
    "precision": ["level", "concentration", "day", "laboratory", "operator", "preparation id"],
    "recovery": ["native", "native sd", "added", "reference", "level", "found 1", "found 2"],
    "interference": [
        *("interferent", "ratio", "ratio kind", "interferent level", "interferent unit"),
        *("analyte level", "found 1", "signals 1", "reference 1"),
    ],
    "comparison": ["sample", "this method 1", "this method 2", "reference method"],
    "stability": ["condition", "time (d)", "level", "found 1", "found 2"],
    "repeated_use": ["device", "use", "signal"],
    "noise": ["level", "signal height", "noise", "noise kind"],
    "robustness": ["settings 1", "settings 2", "result"],
}
"""Columns of every block whose rows are runs of their own."""

numbers = st.one_of(
    st.floats(-1e60, 1e60).map(repr),
    st.floats(0, 100).map(lambda value: f"{value:.3f}"),
    st.integers(-3, 1000).map(str),
    st.sampled_from(
        ["0", "-0", "+5", ".5", "5.", "1e-3", "1E+2", "007", "0,5", "1.234,5", "<0.5", "nan", "1e999", "1\n2"]
    ),
)
words = st.sampled_from(
    [
        *("zn", "cd", "pb", "film", "bare", "2026-03-02", "2026-02-30", "matrix", "reagent", "independent"),
        *("repeated_reading", "mass", "molar", "none", "subtracted", "rms", "peak_to_peak", "+", "-", "no"),
    ]
)
texts = st.sampled_from(["a", "b", "01", "1,5", "<x", "a b", "\u202eb", "µ", "=1+1"])
cells = st.one_of(st.just(""), numbers, words, texts)


def likely(column):
    """Cells of the kind that the column holds, most of the time."""
    name = column.rstrip(" 12").replace(" (d)", "")
    if name in (
        "kind",
        "blank correction",
        "ratio kind",
        "noise kind",
        "settings",
        "preparation",
        "excluded",
    ):
        return words
    if name in ("analyte", "configuration"):
        return st.sampled_from(["zn", "cd"] if name == "analyte" else ["film", "bare", ""])
    if name == "date":
        return st.sampled_from(["", "2026-03-02", "2026-03-03"])
    if name in (
        "interferent",
        "interferent unit",
        "sample",
        "condition",
        "series",
        "device",
        "note",
        "matrix",
    ):
        return st.sampled_from(["a", "b", "01", "x y"])
    if name in ("day", "laboratory", "operator", "preparation id"):
        return st.sampled_from(["1", "A", ""])
    if name in ("order", "use", "replicates averaged"):
        return st.integers(0, 12).map(str)
    return numbers


@st.composite
def tables(draw):
    block = draw(st.sampled_from(sorted(TABLES)))
    optional = draw(st.lists(st.sampled_from(COMMON), unique=True, max_size=3))
    own = draw(st.lists(st.sampled_from(TABLES[block]), unique=True, min_size=1))
    header = list(dict.fromkeys([*own, *(["analyte"] if draw(st.booleans()) else []), *optional]))
    wild = draw(st.integers(0, 2)) == 0
    rows = draw(st.lists(st.tuples(*(cells if wild else likely(name) for name in header)), max_size=6))
    return block, header, rows * draw(st.integers(1, 2)), draw(st.sampled_from([".", ","]))


def outcome(folder):
    try:
        study = read_study(folder)
    except StudyError as error:
        return str(error)
    runs = [run for name, _, _ in data_blocks() for run in study.runs(name)]
    return [(repr(run), run.place, run.model_fields_set) for run in runs]


@given(tables())
@settings(max_examples=150, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
def test_both_ways_give_the_same(write, table):
    """The same runs, places and fields that are set, or the same problems, whatever stands in the cells."""
    block, header, rows, decimal = table
    factors = "  factors: [{name: a, low: 1, high: 2}, {name: b, low: 1, high: 2}]\n  design: one_at_a_time\n"
    lines = "\n".join(";".join(f'"{cell}"' for cell in row) for row in [header, *rows])
    more = f"{block}:\n  file: t.csv\n  decimal: '{decimal}'\n{factors if block == 'robustness' else ''}"
    folder = write(more, {"t.csv": lines}, head=HEAD)
    cast = outcome(folder)

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(reader, "MOST_PATTERNS", 0)
        assert outcome(folder) == cast


@pytest.mark.parametrize("column", ["signal", "order"])
def test_a_cell_of_two_lines_is_not_two_numbers(write, column):
    """A quoted cell that holds a line break is refused by its row and column."""
    cells = {"analyte": "zn", "level": "1", "signal": "5", "order": "1"} | {column: '"3\n4"'}
    table = f"{','.join(cells)}\n{','.join(cells.values())}\n"

    with pytest.raises(
        StudyError, match=rf"t\.csv:2 \(column '{column}'\): .* is expected here, found '3 4'"
    ):
        read_study(write("calibration: {file: t.csv}\n", {"t.csv": table}, head=HEAD))


def test_most_rows_are_cast(write, monkeypatch):
    """Only the first row of each pattern goes the long way: the test above compares two ways indeed."""
    asked = []
    through = reader._Reader._made
    monkeypatch.setattr(
        reader._Reader, "_made", lambda self, *given: asked.append(given) or through(self, *given)
    )
    table = "analyte,level,signal,series\n" + "".join(
        f"{'zn' if i % 2 else 'cd'},{i % 5},{i}.5,S{i}\n" for i in range(500)
    )

    study = read_study(write("calibration: {file: t.csv}\n", {"t.csv": table}, head=HEAD))

    assert len(study.calibration.runs) == 500
    assert len(asked) == 4  # two analytes, level zero and above


def test_numbers_are_judged_by_sign_and_size_alone():
    """Every field of numbers and texts in a run is of a kind that casting knows, or is treated as a word."""
    kinds = {
        (name, field): kind_of(info)
        for name, _, run in data_blocks()
        for field, info in run.model_fields.items()
    }

    assert {field for (_, field), kind in kinds.items() if kind == "whole"} == {
        "order",
        "use",
        "replicates_averaged",
    }
    assert {field for (_, field), kind in kinds.items() if kind == "word"} == {
        *(
            "date",
            "preparation",
            "excluded",
            "kind",
            "blank_correction",
            "ratio_kind",
            "settings",
            "noise_kind",
            "level_is",
            "successive",
        ),
        *("sequence", "into", "reason"),
    }


def test_a_run_keeps_its_place(write):
    """Copies, altered copies and runs that were sent to a worker still know where they were written."""
    folder = write("blanks: {file: b.csv}\n", {"b.csv": "analyte,signal\nzn,1\nzn,<2\n"}, head=HEAD)

    for run, row in zip(read_study(folder).blanks.runs, (2, 3), strict=True):
        for same in (copy.copy(run), copy.deepcopy(run), pickle.loads(pickle.dumps(run)), run.model_copy()):
            assert same == run
            assert same.place == f"b.csv row {row}"
        assert run.model_copy(update={"excluded": "spilled"}).place == f"b.csv row {row}"


def test_the_search_for_cycles_goes_on_afterwards(write):
    """Reading switches the collector off for its own time only, also when the study is refused."""
    read_study(write(head=HEAD))
    assert gc.isenabled()

    with pytest.raises(StudyError):
        read_study(write("x: 1\n", head=HEAD))
    assert gc.isenabled()


MILLION = 1_000_000
GIGABYTE = 1024**3


@pytest.mark.slow
def test_a_million_rows_within_a_gigabyte(write):
    """Fifty megabytes of rows are read by a process that may not take more than a gigabyte."""
    rows = (
        f"{i},2026-03-{i % 28 + 1:02},C{i % 7},P{i},{'zn' if i % 2 else 'cd'},"
        f"{i % 10 * 2.5},{i % 97 / 10:.4f},{i % 89}.25\n"
        for i in range(MILLION)
    )
    header = "order,date,series,preparation id,analyte,level (mg/L),signal 1 (µA),signal 2\n"
    folder = write("calibration: {file: big.csv}\n", {"big.csv": header + "".join(rows)}, head=HEAD)
    code = (
        "import resource, sys; from validator.study import read_study; "
        "runs = read_study(sys.argv[1]).calibration.runs; "
        "print(len(runs), runs[-1].place, resource.getrusage(resource.RUSAGE_SELF).ru_maxrss)"
    )

    done = subprocess.run(
        [sys.executable, "-c", code, str(folder)], capture_output=True, text=True, check=True
    )

    *found, kilobytes = done.stdout.split()
    assert " ".join(found) == f"{MILLION} big.csv row {MILLION + 1}"
    assert int(kilobytes) * 1024 < GIGABYTE
