"""Studies that cannot be used end in status 2, one sentence a problem, nothing written, and soon."""

from __future__ import annotations

import re
import time

import pytest

HEAD = """\
format: validation-study/1
study: {title: Zinc in tap water, matrix: tap water}
method:
  analytes: [{id: zn, name: zinc, unit: µg/L, signal: peak current, signal_unit: µA}]
"""
"""Four lines: what a test adds begins in line 5."""

RUNS = "calibration:\n  runs:\n    - {level: 1, signal: 0.5}\n"
SECONDS = 2.0
"""Processor time that any refusal may take."""


@pytest.fixture
def refused(command, folder_with, tmp_path):
    """What the command says to a study that cannot be used; that nothing was written is checked here."""

    def refused(text, tables=None, verb="evaluate", prepare=None):
        folder = folder_with(HEAD if isinstance(text, bytes) else text, tables)
        if isinstance(text, bytes):
            (folder / "study.yaml").write_bytes(text)
        if prepare:
            prepare(folder)
        before = sorted(path.name for path in folder.iterdir())
        output = tmp_path / "out"
        output.mkdir()
        options = {
            "evaluate": ["--results", output / "results.json"],
            "report": ["--output", output / "dossier.pdf", "--results", output / "results.json"],
            "check": [],
        }[verb]
        begin = time.process_time()

        done = command(verb, folder, *options)

        assert time.process_time() - begin < SECONDS
        assert done.status == 2
        assert done.out == ""
        assert "Traceback" not in done.err
        assert list(output.iterdir()) == []
        assert sorted(path.name for path in folder.iterdir()) == before
        *lines, last = done.err.splitlines()
        count = len(lines)
        assert last == f"{count} problem{'s' if count != 1 else ''} found; nothing was written."
        return lines

    return refused


BOMB = "x: &a [1, 1, 1, 1, 1, 1, 1, 1, 1]\n" + "".join(
    f"x{i}: &{chr(98 + i)} [{', '.join(['*' + chr(97 + i)] * 9)}]\n" for i in range(9)
)

TEXTS = {
    "an unknown key": (HEAD + "calibraton: {runs: []}\n", ["study.yaml:5: ", "did you mean 'calibration'?"]),
    "a duplicate key": (
        HEAD + RUNS + RUNS,
        ["study.yaml:8: calibration: ", "duplicate key (first in line 5)"],
    ),
    "not a number": (
        HEAD + "calibration:\n  runs:\n    - {level: 1, signal: .nan}\n",
        ["study.yaml:7: calibration.runs[0].signal: ", "'.nan'", "omit the reading"],
    ),
    "a decimal comma": (
        HEAD + "calibration:\n  runs:\n    - {level: '0,5', signal: 1}\n",
        ["study.yaml:7: calibration.runs[0].level: ", "write it with a decimal point: 0.5"],
    ),
    "a negative level": (
        HEAD + "calibration:\n  runs:\n    - {level: -5, signal: 1}\n",
        ["study.yaml:7: calibration.runs[0].level: ", "must not be negative, found -5"],
    ),
    "a missing file": (
        HEAD + "calibration: {file: cal.csv}\n",
        ["study.yaml:5: calibration.file: ", "no file 'cal.csv' in the study folder"],
    ),
    "a path that climbs out": (
        HEAD + "calibration: {file: ../cal.csv}\n",
        ["study.yaml:5: calibration.file: ", "is outside the study folder"],
    ),
    "an absolute path": (
        HEAD + "calibration: {file: /etc/hosts.csv}\n",
        ["study.yaml:5: calibration.file: ", "absolute path"],
    ),
    "two analytes of one id": (
        HEAD.replace("}]", "}, {id: zn, name: zinc, unit: mg/L, signal: s, signal_unit: A}]"),
        ["study.yaml:4: method.analytes[1].id: ", "the id 'zn' is already used by analytes[0]"],
    ),
    "a YAML tag": (
        HEAD + "calibration: !!python/object/apply:os.system ['true']\n",
        ["study.yaml:5: calibration: ", "YAML tags are not accepted"],
    ),
    "an alias bomb": (HEAD + BOMB, ["study.yaml:", "alias"]),
    "5,000 nested brackets": (
        HEAD + "calibration: " + "[" * 5000 + "]" * 5000 + "\n",
        ["study.yaml:5: ", "nested more than"],
    ),
    "5,000 open brackets": (HEAD + "calibration: " + "[" * 5000 + "\n", ["study.yaml:5: ", "nested"]),
    "an empty file": ("", ["study.yaml:1: ", "the file is empty"]),
    "a file of blanks": ("\n  \n# nothing\n", ["study.yaml:1: ", "the file is empty"]),
    "a binary file": (bytes(range(256)) * 40, ["study.yaml:1: ", "not a text file"]),
    "another encoding": (HEAD.encode("latin-1"), ["study.yaml:4: ", "UTF-8"]),
    "a list instead of a study": ("- 1\n- 2\n", ["study.yaml:1: ", "the file contains no keys"]),
    "an unknown guidance profile": (
        HEAD.replace("title:", "guidance: [iupac-single-laboratory-2003], title:"),
        ["study.yaml:2: study.guidance[0]: ", "did you mean 'iupac-single-laboratory-2002'?"],
    ),
    "a path as a guidance profile": (
        HEAD.replace("title:", "guidance: [../../etc/passwd], title:"),
        ["study.yaml:2: study.guidance[0]: ", "is not the id of a guidance profile"],
    ),
    "an unknown limit variant": (
        HEAD + RUNS + "analysis:\n  detection_limit: {variant: blank_3z}\n",
        ["study.yaml:9: analysis.detection_limit.variant: ", "'blank_3z'", "did you mean 'blank_3s'?"],
    ),
    "a variant without such a limit": (
        HEAD + RUNS + "analysis:\n  quantification_limit: {variant: hubaux_vos}\n",
        ["study.yaml:9: analysis.quantification_limit.variant: ", "gives no quantification limit"],
    ),
    "an unknown variant for one analyte": (
        HEAD + RUNS + "analysis:\n  per_analyte:\n    zn:\n      detection_limit: {variant: curie}\n",
        ["study.yaml:11: analysis.per_analyte.zn.detection_limit.variant: ", "did you mean 'currie'?"],
    ),
    "a number that no laboratory measures": (
        HEAD + "calibration:\n  runs:\n    - {level: 1e80, signal: 1}\n",
        ["study.yaml:7: calibration.runs[0].level: ", "too large"],
    ),
}


@pytest.mark.parametrize("name", TEXTS)
def test_what_cannot_be_read_is_refused_with_its_place(refused, name):
    """File, line, field and a way out; the first line is the one the test expects."""
    text, expected = TEXTS[name]

    first, *_ = refused(text)

    assert first.startswith(expected[0])
    for part in expected[1:]:
        assert part in first


@pytest.mark.parametrize("verb", ["check", "evaluate", "report"])
@pytest.mark.parametrize(
    "name", ["an unknown key", "an unknown guidance profile", "an unknown limit variant"]
)
def test_every_command_refuses_the_same_way(refused, name, verb):
    """What one command refuses, the others refuse with the same sentence."""
    text, expected = TEXTS[name]

    (line,) = refused(text, verb=verb)

    assert line.startswith(expected[0])


def test_a_link_out_of_the_folder(refused, tmp_path):
    """A data file that is a link to another place is not followed."""
    secret = tmp_path / "secret.csv"
    secret.write_text("level,signal\n1,1\n", encoding="utf-8")

    (line,) = refused(
        HEAD + "calibration: {file: cal.csv}\n",
        prepare=lambda folder: (folder / "cal.csv").symlink_to(secret),
    )

    assert line.startswith(
        "study.yaml:5: calibration.file: 'cal.csv' is a link to a place outside the study folder"
    )


def test_a_table_is_refused_with_row_and_column(refused):
    """In a table the place is the row and the header of the column."""
    (line,) = refused(HEAD + "calibration: {file: cal.csv}\n", {"cal.csv": "level;signal\n1;2\n2;oops\n"})

    assert line.startswith("cal.csv:3 (column 'signal'): ")
    assert "a number is expected here, found 'oops'" in line


def test_all_problems_are_told_at_once_in_reading_order(refused):
    """Who corrects a study corrects it once: problems of reading come together, with file and line each."""
    lines = refused(
        HEAD + "calibration:\n  runs:\n    - {levle: 1, signal: x}\n    - {level: -1, signals: []}\n"
    )

    places = [int(re.match(r"study\.yaml:(\d+): \S", line)[1]) for line in lines]
    assert len(lines) >= 4
    assert places == sorted(places)


def test_all_unknown_names_are_told_at_once(refused):
    """Unknown profiles and variants are told together."""
    text = HEAD.replace("title:", "guidance: [nothing, iso-5725, no-such], title:") + RUNS
    text += "analysis:\n  detection_limit: {variant: none}\n  quantification_limit: {variant: none}\n"

    lines = refused(text)

    assert [line.split(": ")[1] for line in lines] == [
        "study.guidance[0]",
        "study.guidance[2]",
        "analysis.detection_limit.variant",
        "analysis.quantification_limit.variant",
    ]


def test_a_malformed_profile_of_the_laboratory(command, folder_with):
    """A profile of the laboratory's own that cannot be read is named, with status 2 and no traceback."""
    folder = folder_with(
        HEAD.replace("title:", "guidance: [our-lab], title:"),
        {"our-lab.yaml": "format: guidance-profile/1\nid: our-lab\nrequirments: []\n"},
    )

    done = command("evaluate", folder)

    assert done.status == 2
    assert done.err.startswith("our-lab.yaml")
    assert "Traceback" not in done.err


@pytest.mark.parametrize("arguments", [["evaluate", "nowhere"], ["check", "nowhere"], ["report", "nowhere"]])
def test_a_study_that_is_not_there(command, arguments):
    """The path itself is named."""
    done = command(*arguments)

    assert done.status == 2
    assert done.err.splitlines()[0] == "nowhere: file or folder not found"


def test_a_folder_without_a_study(command, tmp_path):
    """A folder must hold study.yaml."""
    done = command("evaluate", tmp_path)

    assert done.status == 2
    assert "no study.yaml in this folder" in done.err


@pytest.mark.parametrize(
    "arguments", [["evaluate"], ["evaluate", "a", "b"], ["measure", "a"], ["new", "x", "--like", "magic"]]
)
def test_a_command_that_is_not_understood(command, arguments):
    """Wrong arguments are the user's input too: status 2."""
    done = command(*arguments)

    assert done.status == 2
    assert "Traceback" not in done.err


@pytest.fixture
def good(folder_with):
    return folder_with(HEAD + RUNS)


def test_results_into_a_folder_that_is_not_there(command, good, tmp_path):
    """The results file cannot be written: status 2, the place named, nothing made."""
    target = tmp_path / "missing" / "results.json"

    done = command("evaluate", good, "--results", target)

    assert done.status == 2
    assert done.err.startswith(f"{target}: ")
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize("option", ["--output", "--web", "--results", "--timings"])
def test_a_report_into_a_folder_that_is_not_there(command, good, tmp_path, option):
    """Every output is looked at before the work begins; none of them is written."""
    outputs = {"--output": tmp_path / "dossier.pdf", option: tmp_path / "missing" / "file"}
    arguments = [part for pair in outputs.items() for part in pair]

    done = command("report", good, *arguments)

    assert done.status == 2
    assert "does not exist" in done.err
    assert list(tmp_path.iterdir()) == []


def test_an_output_that_is_a_folder(command, good, tmp_path):
    """A folder cannot be overwritten by a file."""
    done = command("report", good, "--output", tmp_path)

    assert done.status == 2
    assert "is a folder" in done.err


@pytest.mark.parametrize(
    ("arguments", "ending"),
    [
        (("report", "--output", "dossier.docx"), ".pdf"),
        (("report", "--web", "dossier.pdf"), ".html"),
        (("report", "--results", "results.csv"), ".json"),
        (("evaluate", "--results", "results.csv"), ".json"),
        (("check", "--curves", "curves.pdf"), ".html"),
    ],
)
def test_an_output_that_promises_another_format(command, good, tmp_path, arguments, ending):
    """A PDF called .docx would be opened by the wrong program, and JSON called .csv by none."""
    verb, option, name = arguments

    done = command(verb, good, option, tmp_path / name)

    assert (done.status, list(tmp_path.iterdir())) == (2, [])
    assert f"{name}: the extension must be {ending}, the format that is written" in done.err


def test_a_page_of_curves_needs_curves(command, good, tmp_path):
    """A study without recordings has none to show."""
    done = command("check", good, "--curves", tmp_path / "curves.html")

    assert (done.status, list(tmp_path.iterdir())) == (2, [])
    assert "the study holds no recorded curves" in done.err
