"""Whatever is done to a study, it reads or it is refused in words: no other exception, no foreign wording."""

from __future__ import annotations

import copy
import io
import math

import openpyxl
import pytest
import yaml
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from validator.errors import StudyError
from validator.reading import read_study as read_and_reduced
from validator.study import read_study

WHOLE = """\
format: validation-study/1
study:
  title: t
  id: 1
  period: {from: "2026-03-01", to: "2026-03-02"}
  people: [{name: A, role: prepared}]
  hazards: [acids]
method:
  analytes:
    - id: zn
      name: zinc
      unit: mg/L
      signal: current
      signal_unit: µA
      molar_mass: 65.38
      display_unit: µmol/L
      legal_limit: {value: 10, unit: µmol/L}
      specification: {lower: 1, upper: 2, unit: mmol/L}
  configurations: [{id: film, name: film, active_area: {value: 7, unit: mm2}}]
  conditions: {pH: 4.5}
analysis:
  alpha: 0.01
  calibration: {weighting: 1/x}
  detection_limit: {variant: blank_3s}
  per_analyte: {zn: {beta: 0.1}}
criteria:
  - {characteristic: recovery, min: 90, max: 110, analyte: zn}
  - {characteristic: quantification_limit, max: 20, unit: nmol/L}
plan:
  calibration: {levels: [1, 2], series: 3}
  recovery: {levels: [1], matrices: [tap]}
  assumed: {slope: 1, signal_sd: 0.1}
  per_analyte: {zn: {blanks: {replicates: 10}}}
calibration:
  unit: mg/L
  runs: [{level: 1, signals: [1, 2], series: a}, {level: 2, signal: 2, excluded: spilled}]
matrix_calibration: {matrix: brine, runs: [{level: 1, signal: 1}]}
blanks:
  file: [b.csv, b2.csv]
  header_row: 2
  rows: 3-9
  ignored_rows: [mean, 5]
  columns: {signals: [reading 1, reading 2]}
  units: {signals: nA}
  decimal: ","
low_level: {runs: [{level: 1, concentrations: [1, "<0.5"]}]}
precision:
  file: p.csv
  range: A1:C3
  wide: {level: {1: low, 5: [high]}}
recovery: {runs: [{native: 0, added: 1, found: [1, 2]}, {reference: 1, reference_uncertainty: 0.1, found: 1}]}
interference:
  runs: [{interferent: Cu, ratio: 1, ratio_kind: mass, analyte_level: 1, found: 1, reference: 1}]
standard_addition: {file: sa.csv}
comparison: {runs: [{sample: a, this_method: 1, reference_method: [1, 2]}]}
robustness: {design: youden, factors: [{name: a, low: 1, high: 2}], runs: [{settings: [+1], result: 1}]}
stability: {runs: [{condition: dark, time: 1, time_unit: d, found: 1}]}
carry_over: {runs: [{sequence: [{kind: high, signal: 9}, {kind: blank, signal: 1}]}]}
repeated_use: {runs: [{device: 1, use: 1, signal: 1}]}
noise: {runs: [{level: 1, signal_height: 1, noise: 1, noise_kind: rms}]}
recordings:
  kind: voltammogram
  curves:
    - {files: "c*.txt", into: calibration, level_from: "_([0-9]+)ug", series: K, at: 5, reason: drift}
    - {files: c_1ug.txt, into: noise, level: 1, baseline: near, reason: bubble}
    - {files: c_1ug.txt, into: stability, condition: dark, time: 1, time_unit: d, level: 1}
  skip: 1
  baselines: {near: {method: tangent, feet: [[0, 2], [8, 10]]}}
  peaks:
    - analyte: zn
      from: 3
      to: 7
      at: 5
      summit: 4
      baseline: {method: linear, feet: [[0, 2], [8, 10]]}
      smoothing: {width: 5, degree: 2}
      noise: {from: 0, to: 11, kind: rms}
uncertainty:
  bias: from recovery
  components: [{name: v, value: 1, kind: expanded, k: 2, unit: mL, source: s}]
"""
FILES = {
    "b.csv": "title\nreading 1;reading 2;series\n0,5;0,7;a\n# pause\nmean;0,6;\n",
    "b2.csv": "\nreading 1;reading 2;series\n0,4;0,8;#2\n",
    "p.csv": "series,low,high (nA)\na,1,2\nb,1.5,2\n",
    "sa.csv": "sample,added,signal\na,0,1\na,1,2\n",
    "c_1ug.txt": "settings\nE (V), i/A\n" + "".join(f"{i}, {5 - abs(i - 5) + i % 2}\n" for i in range(12)),
    "c_2ug.txt": "settings\nE (V), i/A\n" + "".join(f"{i}, {9 - abs(i - 5) + i % 2}\n" for i in range(12)),
}
FOREIGN = (
    "Input should",
    "validation error",
    "Traceback",
    "pydantic",
    "Scalar(",
    "valid dictionary",
    "Extra inputs",
)

leaves = st.one_of(
    st.none(),
    st.booleans(),
    st.integers(),
    st.floats(),
    st.sampled_from(
        ["", "<0.5", "0,5", "no", "zn", "../x", "b.csv", "2026-02-30", "from recovery", "*", "1/x", "\x85"]
    ),
    st.text(max_size=8),
    st.just([]),
    st.just({}),
)
values = st.recursive(
    leaves,
    lambda inner: (
        st.lists(inner, max_size=3)
        | st.dictionaries(
            st.sampled_from(["id", "runs", "level", "file", "signals", "no", "x"]), inner, max_size=3
        )
    ),
    max_leaves=6,
)


def _paths(node, here=()):
    yield here
    children = node.items() if isinstance(node, dict) else enumerate(node) if isinstance(node, list) else ()
    for key, child in children:
        yield from _paths(child, (*here, key))


TREE = yaml.safe_load(WHOLE)
PATHS = list(_paths(TREE))


def _has(node, step):
    return (isinstance(node, dict) and step in node) or (
        isinstance(node, list) and isinstance(step, int) and step < len(node)
    )


def _mutated(tree, path, action, value):
    if not path:
        return value
    parent = tree
    for step in path[:-1]:
        if not _has(parent, step):
            return tree  # an earlier mutation took this part away
        parent = parent[step]
    key = path[-1]
    if not (_has(parent, key) or isinstance(parent, dict)):
        return tree
    if action == "remove" and (isinstance(parent, list) or key in parent):
        del parent[key]
    elif action == "rename" and isinstance(parent, dict):
        parent[f"{key}{key}"] = parent.pop(key, value)
    else:
        parent[key] = value
    return tree


def _reads_or_refuses(folder):
    problems = None
    try:
        read_and_reduced(folder)
    except StudyError as error:
        problems = error.problems
    assert problems is None or all(problem.message and problem.file for problem in problems)
    assert problems != ()
    assert not [str(problem) for problem in problems or () for word in FOREIGN if word in problem.message]


mutations = st.lists(
    st.tuples(st.sampled_from(PATHS), st.sampled_from(["set", "remove", "rename"]), values),
    min_size=1,
    max_size=3,
)


def test_the_whole_format_reads(write):
    """The study that is mutated here uses every block and has no problem of its own."""
    study = read_study(write(head=WHOLE, files=FILES))

    assert [name for name in type(study).model_fields if getattr(study, name) in (None, ())] == []


@given(mutations)
@settings(max_examples=120, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
def test_a_study_with_parts_changed(write, mutations):
    """Parts replaced, removed or renamed at any depth."""
    tree = copy.deepcopy(TREE)
    for path, action, value in mutations:
        tree = _mutated(tree, path, action, value)
    text = yaml.safe_dump(tree, allow_unicode=True)

    _reads_or_refuses(write(head=text.encode("utf-8", "surrogatepass"), files=FILES))


@given(
    st.integers(0, len(WHOLE)),
    st.integers(0, 12),
    st.text(max_size=6) | st.sampled_from(["\t", ": ", "[", "&a ", "*a", "!!", "\n"]),
)
@settings(max_examples=120, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
def test_a_study_with_letters_changed(write, start, length, text):
    """Letters of the file replaced by others."""
    changed = WHOLE[:start] + text + WHOLE[start + length :]

    _reads_or_refuses(write(head=changed.encode("utf-8", "surrogatepass"), files=FILES))


@given(st.binary(max_size=40), st.integers(0, 40), st.sampled_from(sorted(FILES)))
@settings(max_examples=100, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
def test_a_table_with_bytes_changed(write, inserted, start, name):
    """Bytes of a table replaced by others."""
    table = FILES[name].encode()

    _reads_or_refuses(write(head=WHOLE, files={**FILES, name: table[:start] + inserted + table[start + 3 :]}))


cells = st.sampled_from(
    ["1", "-1", "0,5", "0.5", "x", "", "<1", "1e999", "no", "2026-13-01", "007", '"', "#", " "]
)
headers = st.sampled_from(
    [
        "level",
        "signal",
        "signal 1",
        "signals",
        "Level (mg/L)",
        "level (g)",
        "level / mg L-1",
        "signal (nA)",
        "signal A",
        "#2",
        "date",
        "order",
        "x",
        "",
        "analyte",
    ]
)


@given(
    st.lists(headers, min_size=1, max_size=5),
    st.lists(st.lists(cells, max_size=6), max_size=4),
    st.sampled_from([",", ";", "\t"]),
    st.sampled_from(
        [
            *(
                "",
                ", decimal: ','",
                ", preparation: repeated_reading",
                ", columns: {level: x, signals: date}",
            ),
            *(
                ", header_row: 2",
                ", rows: 2-3",
                ", range: A1:B3",
                ", ignored_rows: [x, 2], units: {level: g/L}",
            ),
            *(", wide: {device: [x, date]}", ", columns: {signals: [x, date]}"),
        ]
    ),
)
@settings(max_examples=120, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
def test_tables_of_any_content(write, header, rows, separator, options):
    """Any headers over any cells."""
    table = "\n".join(separator.join(cells) for cells in [header, *rows])

    _reads_or_refuses(write(f"calibration: {{file: cal.csv{options}}}\n", {"cal.csv": table}))


# --- everything at once -------------------------------------------------------------------------------
typed = st.one_of(
    cells,
    st.none(),
    st.booleans(),
    st.integers(-(10**6), 10**6),
    st.floats(),
    st.dates(),
    st.sampled_from(["=1+1", "=A1", "#N/A", "#DIV/0!", "\ud800", "a\nb"]),
)


def workbook(header, rows, merges, titles):
    book = openpyxl.Workbook()
    book.active.title = titles[0]
    for title in titles[1:]:
        book.create_sheet(title)
    for row in [header, *rows]:
        book.active.append([_storable(cell) for cell in row])
    for merge in merges:
        book.active.merge_cells(merge)
    stream = io.BytesIO()
    book.save(stream)
    return stream.getvalue()


def _storable(cell):
    if isinstance(cell, str):
        return "".join(sign for sign in cell if sign >= " " and not "\ud800" <= sign <= "\udfff")
    return cell if not isinstance(cell, float) or math.isfinite(cell) else None


workbooks = st.builds(
    workbook,
    st.lists(headers, min_size=1, max_size=5),
    st.lists(st.lists(typed, max_size=6), max_size=4),
    st.lists(st.sampled_from(["A1:B1", "A2:A3", "C1:D4"]), max_size=1),
    st.lists(st.sampled_from(["one", "two", "cal"]), min_size=1, max_size=2, unique=True),
)
CURVE_SHEETS = st.tuples(
    st.lists(
        st.sampled_from(["recording", "column", "into", "level", "x", "use", "kind"]),
        min_size=1,
        max_size=5,
        unique=True,
    ),
    st.lists(
        st.lists(
            st.sampled_from(["c.csv", "a", "b", "calibration", "noise", "blanks", "1", "", "../c.csv"]),
            max_size=5,
        ),
        max_size=4,
    ),
)


@st.composite
def anything(draw):
    """A study and its files, mutated in one of the ways above or in a workbook or a curve."""
    files = dict(FILES)
    text = WHOLE
    way = draw(
        st.sampled_from(["parts", "letters", "bytes", "cells", "workbook", "archive", "curves", "encoding"])
    )
    if way == "parts":
        tree = copy.deepcopy(TREE)
        for path, action, value in draw(mutations):
            tree = _mutated(tree, path, action, value)
        text = yaml.safe_dump(tree, allow_unicode=True)
    elif way == "letters":
        start = draw(st.integers(0, len(WHOLE)))
        text = WHOLE[:start] + draw(st.text(max_size=6)) + WHOLE[start + draw(st.integers(0, 12)) :]
    elif way == "bytes":
        name = draw(st.sampled_from(sorted(FILES)))
        table, start = FILES[name].encode(), draw(st.integers(0, 60))
        files[name] = table[:start] + draw(st.binary(max_size=30)) + table[start + draw(st.integers(0, 5)) :]
    elif way == "cells":
        rows = [
            draw(st.lists(headers, min_size=1, max_size=5)),
            *draw(st.lists(st.lists(cells, max_size=6), max_size=4)),
        ]
        separator = draw(st.sampled_from(",;\t"))
        files["b.csv"] = "\n".join(separator.join(row) for row in rows)
    elif way in ("workbook", "archive"):
        content = draw(workbooks)
        if way == "archive":
            start = draw(st.integers(0, 10_000)) % len(content)  # its length depends on the clock
            content = (
                content[:start] + draw(st.binary(max_size=20)) + content[start + draw(st.integers(0, 40)) :]
            )
        files["t.xlsx"] = content
        sheet = draw(st.sampled_from(["", ", sheet: one", ", sheet: absent"]))
        text = WHOLE.replace(
            'blanks: {file: b.csv, columns: {signals: reading}, decimal: ","}',
            f"blanks: {{file: t.xlsx{sheet}}}",
        )
    elif way == "curves":
        header, rows = draw(CURVE_SHEETS)
        files["curves.csv"] = "\n".join(",".join(row) for row in [header, *rows])
    else:
        encoding = draw(st.sampled_from(["utf-16", "latin-1", "cp1252", "utf-8-sig", "utf-32"]))
        files["b.csv"] = "reading 1 (µA);note\n1;4 °C\n".encode(encoding)
    return text.encode("utf-8", "surrogatepass"), files


@given(anything())
@settings(max_examples=120, deadline=None, suppress_health_check=list(HealthCheck))
def test_anything(write, case):
    """A study of every block with files of every kind, changed anywhere."""
    text, files = case

    _reads_or_refuses(write(head=text, files=files))


@pytest.mark.slow
@given(anything())
@settings(max_examples=100_000, deadline=None, suppress_health_check=list(HealthCheck), database=None)
def test_a_hundred_thousand_times_anything(tmp_path_factory, case):
    """The long run: no exception but ours, no wording of another library, in 100 000 mutated studies."""
    text, files = case
    folder = tmp_path_factory.getbasetemp() / "long run"
    folder.mkdir(exist_ok=True)
    for name, content in {"study.yaml": text, **files}.items():
        (folder / name).write_bytes(content if isinstance(content, bytes) else content.encode())

    _reads_or_refuses(folder)
