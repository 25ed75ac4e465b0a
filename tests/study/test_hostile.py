"""Files made to harm: each ends in a sentence, soon, and nothing outside the study folder is opened."""

from __future__ import annotations

import os
import time

import pytest

from validator.errors import StudyError
from validator.study import composing, read_study
from validator.study.problems import Problems

SOON = 2.0
"""Seconds within which a hostile file must be refused."""

TOO_DEEP = "lists and mappings are nested more than 30 levels deep"
MANY = "the file contains more than 100000 values; move the data to CSV files"
MEGABYTES = 1024 * 1024


@pytest.fixture
def soon():
    """Fails a test that keeps the processor busy for longer; what others do on the machine is not counted."""
    begin = time.process_time()
    yield
    assert time.process_time() - begin < SOON


HEAD_VALUES = 25
"""Keys, values, lists and tables before the list that is too long: 23 of the head, its own key and itself."""

BOMB = "a0: &a0 [lol, lol, lol, lol, lol]\n" + "".join(
    f"a{index}: &a{index} [{', '.join([f'*a{index - 1}'] * 9)}]\n" for index in range(1, 10)
)


@pytest.mark.parametrize(
    ("more", "problem"),
    [
        (f"blanks: {'[' * 5000}{']' * 5000}\n", f"study.yaml:5: {TOO_DEEP}"),
        (f"blanks: {'[' * 1_000_000}", f"study.yaml:5: {TOO_DEEP}"),
        (f"blanks: {'{a: ' * 5000}", f"study.yaml:5: {TOO_DEEP}"),
        ("".join(f"{' ' * depth}a:\n" for depth in range(4000)), f"study.yaml:35: {TOO_DEEP}"),
        (f"blanks:\n  {'- ' * 100_000}x\n", f"study.yaml:6: {TOO_DEEP}"),
        (BOMB, "study.yaml:9: a4[0]: aliases are nested more than 3 deep; write the values out"),
        (
            f"a: &a [{'x,' * 20000}]\nb: [{'*a,' * 10000}]\n",
            (
                "study.yaml:6: b[26]: the aliases expand to more than 1 MB; write the values out or "
                "use a CSV file"
            ),
        ),
        (f"a: [{'1,' * 4_000_000}1]\n", f"study.yaml:5: a[{99_999 - HEAD_VALUES}]: {MANY}"),
        (f"a: [{'&a 1, *a,' * 500_000}]\n", f"study.yaml:5: a[{2 * (99_999 - HEAD_VALUES)}]: {MANY}"),
        (f"a: '{'x' * 9_000_000}'\n", "study.yaml:5: a: a text of 9000000 characters is too long here"),
        (
            f"blanks: {{runs: [{{signal: {'9' * 9_000_000}}}]}}\n",
            "study.yaml:5: blanks.runs[0].signal: a text of 9000000 characters is too long here",
        ),
        (f"{'k' * 1000}: 1\n", "study.yaml:5: a text of 1000 characters is too long here"),
    ],
    ids=[
        "lists",
        "lists never closed",
        "tables",
        "indentation",
        "items",
        "alias bomb",
        "wide aliases",
        "values",
        "anchors",
        "text",
        "number",
        "key",
    ],
)
@pytest.mark.usefixtures("soon")
def test_nesting_aliases_and_sizes(problems_of, more, problem):
    """Deep nesting, alias bombs and endless lists are refused where they begin to matter."""
    assert problems_of(more) == [problem]


@pytest.mark.usefixtures("soon")
def test_many_unknown_keys(problems_of):
    """Tens of thousands of wrong keys are counted, not compared with every known one."""
    found = problems_of("".join(f"key{index}: 1\n" for index in range(40_000)))

    assert len(found) == 201
    assert found[-1] == "study.yaml: ... and 39800 more problems after these"


@pytest.mark.usefixtures("soon")
def test_a_study_file_that_is_too_big(write):
    """A study beyond 10 MB is not even read."""
    folder = write()
    os.truncate(folder / "study.yaml", 60 * MEGABYTES)

    with pytest.raises(StudyError) as caught:
        read_study(folder)

    assert str(caught.value) == (
        "study.yaml: the file is too large (60.0 MB; limit 10 MB); put the data into CSV files"
    )


@pytest.mark.usefixtures("soon")
def test_comments_up_to_the_limit(study_of):
    """A file of 9 MB that says little is read."""
    assert study_of("# comment\n" * 900_000).study.title.startswith("Zinc")


@pytest.mark.parametrize(
    ("table", "problem"),
    [
        (
            "level,signal\n" + "1,2\n" * 12_000_000,
            "study.yaml:5: calibration.file: cal.csv: the file has more than 2000000 lines",
        ),
        (
            "level,signal\n1,2" + "\n" * 40_000_000,
            "study.yaml:5: calibration.file: cal.csv: the file has more than 2000000 lines",
        ),
        (
            "level," + "signal," * 1_000_000,
            "study.yaml:5: calibration.file: cal.csv: the table has more than 1000 columns",
        ),
        (
            'level,signal\n1,"' + "x" * 40_000_000,
            "cal.csv:2: calibration: a cell holds more than 131072 characters",
        ),
        (
            "x" * 53 * MEGABYTES,
            "study.yaml:5: calibration.file: cal.csv: the file is too large (53.0 MB; limit 50 MB)",
        ),
    ],
    ids=["lines", "blank lines", "columns", "cell", "size"],
)
@pytest.mark.usefixtures("soon")
def test_tables_of_any_size(problems_of, table, problem):
    """A table that no study needs is refused by its lines, rows, columns, cells or bytes."""
    assert problems_of("calibration: {file: cal.csv}\n", {"cal.csv": table}) == [problem]


@pytest.mark.parametrize(
    ("limits", "table", "problems"),
    [
        (
            {"delimited.MOST_ROWS": 100},
            "level,signal\n" + "1,2\n" * 101,
            ["study.yaml:5: blanks.file: b.csv: the table has more than 100 rows or 20000000 cells"],
        ),
        (
            {"delimited.MOST_CELLS": 100},
            "signal,note\n" + "1,2\n" * 50,
            ["study.yaml:5: blanks.file: b.csv: the table has more than 1000000 rows or 100 cells"],
        ),
        (
            {"rows.MOST_UNUSUAL": 100, "rows.CELLS_AT_ONCE": 20},
            "signal,note\n1,a\n" + "<1,2\n" * 150,
            ["b.csv:111: blanks: more than 100 rows contain values other than numbers and labels"],
        ),
        (
            {"rows.MOST_UNUSUAL": 2, "rows.CELLS_AT_ONCE": 2},
            "note\n" + "a\n" * 150,
            [
                "b.csv:2: blanks.runs[0]: no readings; give signals or concentrations (and in 3 more rows)",
                "b.csv:5: blanks: more than 2 rows contain values other than numbers and labels",
            ],
        ),
    ],
    ids=["rows", "cells", "rows looked at one by one", "rows that all lack something"],
)
def test_what_takes_room_is_counted(problems_of, monkeypatch, limits, table, problems):
    """Rows, cells and rows that must be looked at one by one are bounded, and the bound is said."""
    for name, limit in limits.items():
        monkeypatch.setattr(f"validator.study.{name}", limit)

    assert problems_of("blanks: {file: b.csv}\n", {"b.csv": table}) == problems


@pytest.mark.parametrize(
    ("name", "message"),
    [
        (
            "/etc/passwd",
            "'/etc/passwd' is an absolute path; name a file inside the study folder, relative to it",
        ),
        (
            "C:/data.csv",
            "'C:/data.csv' is an absolute path; name a file inside the study folder, relative to it",
        ),
        (
            "../data.csv",
            "'../data.csv' is outside the study folder; name a file inside the study folder, relative to it",
        ),
        (
            "sub/../../data.csv",
            (
                "'sub/../../data.csv' is outside the study folder; name a file inside the study folder, "
                "relative to it"
            ),
        ),
        ("sub\\data.csv", "'sub\\data.csv' contains a backslash; separate folders with /"),
        (
            "link.csv",
            "'link.csv' is a link to a place outside the study folder; copy the file into the folder",
        ),
        (
            "linked/data.csv",
            "'linked/data.csv' is a link to a place outside the study folder; copy the file into the folder",
        ),
        ("circle.csv", "'circle.csv' is not the name of a file"),
        ("sub", "'sub' is not a file"),
        ("pipe.csv", "'pipe.csv' is not a file"),
        ("absent.csv", "no file 'absent.csv' in the study folder"),
        ("n" * 300 + ".csv", f"'{'n' * 300}.csv' is not the name of a file"),
    ],
)
@pytest.mark.parametrize("block", ["blanks: {{file: '{}'}}\n", "study: {{title: t, attachments: ['{}']}}\n"])
@pytest.mark.usefixtures("soon")
def test_paths_that_leave_the_folder(tmp_path, block, name, message):
    """Absolute paths, steps upwards, links and what is no file are never opened."""
    folder, outside = tmp_path / "study", tmp_path / "outside"
    (folder / "sub").mkdir(parents=True)
    outside.mkdir()
    (outside / "data.csv").write_text("signal\n1\n")
    (folder / "link.csv").symlink_to(outside / "data.csv")
    (folder / "linked").symlink_to(outside)
    (folder / "circle.csv").symlink_to("circle.csv")
    os.mkfifo(folder / "pipe.csv")
    head = (
        "format: validation-study/1\nmethod: {analytes: [{id: z, name: z, "
        "unit: g, signal: s, signal_unit: V}]}\n"
    )
    rest = "" if block.startswith("study") else "study: {title: t}\n"
    (folder / "study.yaml").write_text(head + rest + block.format(name))

    with pytest.raises(StudyError) as caught:
        read_study(folder)

    where = "3: study.attachments[0]" if block.startswith("study") else "4: blanks.file"
    assert str(caught.value) == f"study.yaml:{where}: {message}"


def test_signs_that_steer_a_terminal(problems_of):
    """Escape sequences and signs that turn the direction of writing reach no message."""
    found = problems_of(
        'blanks: {file: b.csv, analyte: "\\e[31mzn", unit: "\\u202emg"}\n', {"b.csv": "signal,\x1b[2J\n1,2\n"}
    )

    assert all(line.isprintable() for line in found)
    assert found[0].startswith("b.csv:1 (column '?[2J'): blanks: unknown column; valid here: signals")
    assert found[1:] == [
        "study.yaml:5: blanks.analyte: unknown analyte '?[31mzn'; method.analytes has: zn",
        "study.yaml:5: blanks.analyte: the text holds an unprintable character",
    ]


def test_links_that_stay_inside(study_of, tmp_path):
    """A link to another file of the folder does no harm."""
    (tmp_path / "blanks.csv").symlink_to("data.csv")

    study = study_of("blanks: {file: blanks.csv}\n", {"data.csv": "signal\n1\n"})

    assert study.blanks.runs[0].values == (1,)


def test_a_study_file_that_is_a_link_out(tmp_path):
    """A study file must not be a link to a file elsewhere, whose lines would show in messages."""
    folder = tmp_path / "study"
    folder.mkdir()
    (tmp_path / "secret").write_text("password\n")
    (folder / "study.yaml").symlink_to(tmp_path / "secret")

    with pytest.raises(StudyError) as caught:
        read_study(folder)

    assert str(caught.value) == (
        "study.yaml: 'study.yaml' is a link to a place outside the study folder; copy the file into the "
        "folder"
    )


@pytest.mark.parametrize(
    "text",
    [
        "a: 1\nb: [1, 2\nc: 3\n",
        "a: 'x\n",
        "a:\n\tb: 1\n",
        "a: @x\n",
        "a: - b\n",
        "a: b: c\n",
        "a\nb: 1\n",
        'a: "\\q"\n',
        "- a\nb: 1\n",
        "a: 1\n---\nb: 1\n",
        BOMB,
        "a: !x 1\n",
        f"a: {'[' * 50}",
        "a: {b: [1, 2.5, yes, ~, 'q']}\n",
    ],
)
def test_with_and_without_the_compiled_parser(monkeypatch, text):
    """The messages do not depend on whether the YAML library was built with its compiled parser."""
    said = []
    for loader in (composing.yaml.SafeLoader, composing.yaml.CSafeLoader):
        monkeypatch.setattr(composing, "SafeLoader", loader)
        problems = Problems()
        root = composing.compose(text, "study.yaml", problems)
        told = [(found.line, found.message.partition(" (begun")[0]) for found in problems.in_reading_order()]
        said.append((told, repr(root)))

    assert said[0] == said[1]
