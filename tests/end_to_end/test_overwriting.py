"""No command overwrites what it reads, nor one output with another: refused before anything is written."""

from __future__ import annotations

import os
from pathlib import Path

import pytest

from validator.errors import OutputProblem
from validator.writing import check_outputs

PROFILE = """\
format: guidance-profile/1
id: own-rules
title: Rules of our own
extends: iupac-single-laboratory-2002
"""


@pytest.fixture
def study(described, folder_with):
    """A study with a table, an attachment, a plan and guidance of its own, all of one line or two."""
    levels = {
        "calibration.csv": "level;signal\n" + "".join(f"{x};{0.1 * x}\n" for x in range(1, 8)),
        "note.txt": "a note",
        "own-rules.yaml": PROFILE,
        "unchosen.yaml": PROFILE.replace("own-rules", "unchosen"),
    }
    text = described(guidance=["own-rules"], calibration={"file": "calibration.csv"})
    text["study"]["attachments"] = ["note.txt"]
    return folder_with(text, levels)


INPUTS = ("study.yaml", "calibration.csv", "note.txt", "own-rules.yaml", "unchosen.yaml")


def contents(folder):
    return {file: file.read_bytes() for file in sorted(folder.rglob("*")) if file.is_file()}


def refused(command, folder, *arguments):
    """The sentence with which the command refuses; *folder* is as before."""
    before = contents(folder)

    done = command(*arguments)

    assert (done.status, done.out) == (2, "")
    assert contents(folder) == before
    (line,) = done.err.splitlines()
    return line


@pytest.mark.parametrize("name", INPUTS)
@pytest.mark.parametrize(
    ("verb", "option"),
    [
        ("evaluate", "--results"),
        ("report", "--output"),
        ("report", "--web"),
        ("report", "--results"),
        ("report", "--timings"),
        ("plan", "--output"),
    ],
)
def test_no_output_goes_over_an_input_of_the_study(command, study, tmp_path, verb, option, name):
    """The study, its data, what it attaches, guidance of its own, chosen or not."""
    others = ["--output", tmp_path / "dossier.pdf"] if verb == "report" and option != "--output" else []

    line = refused(command, study, verb, study, option, study / name, *others)

    assert line == (
        f"{study / name}: is an input of this command; write the output to another file or folder"
    )
    assert list(tmp_path.iterdir()) == []


def test_a_manuscript_and_its_figures_go_over_no_input(command, study):
    """The section by its name; a figure by the name that it gets in a folder of the study."""
    (study / "note.txt").rename(study / "calibration-x.png")
    (study / "note.md").write_text("a note", encoding="utf-8")
    text = (study / "study.yaml").read_text(encoding="utf-8")
    text = text.replace("- note.txt", "- calibration-x.png\n  - note.md")
    (study / "study.yaml").write_text(text, encoding="utf-8")

    by_name = refused(command, study, "journal", study, "--to", study / "note.md")
    by_figure = refused(command, study, "journal", study, "--figures", study)

    assert by_name.startswith(f"{study / 'note.md'}: is an input")
    assert by_figure.startswith(f"{study / 'calibration-x.png'}: is an input")


@pytest.mark.parametrize("name", ["laboratory.yaml", "title.html.j2", "closing.html.j2", "mark.svg"])
def test_no_output_goes_over_a_template(command, study, tmp_path, name):
    """Settings, blocks and logo of a laboratory are inputs too."""
    for file, text in {
        "laboratory.yaml": "logo: mark.svg\n",
        "title.html.j2": "<p>{{ title }}</p>",
        "closing.html.j2": "<p></p>",
        "mark.svg": "<svg xmlns='http://www.w3.org/2000/svg'/>",
    }.items():
        (tmp_path / file).write_text(text, encoding="utf-8")

    line = refused(command, tmp_path, "report", study, "--templates", tmp_path, "--output", tmp_path / name)

    assert line.startswith(f"{tmp_path / name}: is an input of this command")


@pytest.mark.parametrize(
    "arguments",
    [
        ("report", "{study}", "--output", "{here}/a", "--web", "{here}/a"),
        ("report", "{study}", "--output", "{here}/b", "--results", "{here}/../{name}/b"),
        ("report", "{study}", "--results", "{here}/a", "--output", "{here}/b", "--timings", "{here}/a"),
        ("qualify", "--output", "{here}/a", "--results", "{here}/a"),
    ],
)
def test_two_outputs_never_share_a_file(command, study, tmp_path, arguments):
    """Said before any work, with the path as it was written the second time."""
    given = [part.format(study=study, here=tmp_path, name=tmp_path.name) for part in arguments]

    line = refused(command, tmp_path, *given)

    assert line == f"{given[-1]}: is named for two outputs; name a different file for each"


def test_one_file_is_known_by_all_its_names(tmp_path, monkeypatch):
    """Through links, hard links, ``..``, a relative path, a link to what is not there yet."""
    file = tmp_path / "data.csv"
    file.write_text("x", encoding="utf-8")
    (tmp_path / "link.csv").symlink_to(file)
    os.link(file, tmp_path / "same.csv")
    (tmp_path / "way").symlink_to(tmp_path, target_is_directory=True)
    (tmp_path / "ahead.csv").symlink_to(tmp_path / "new.csv")
    monkeypatch.chdir(tmp_path)

    for name in ("link.csv", "same.csv", "way/data.csv", f"../{tmp_path.name}/data.csv", "data.csv"):
        with pytest.raises(OutputProblem, match="is an input"):
            check_outputs([Path(name)], [file])
    with pytest.raises(OutputProblem, match="named for two outputs"):
        check_outputs([tmp_path / "new.csv", None, Path("ahead.csv")])
    check_outputs([Path("new.csv"), Path("other.csv"), None], [file])


def test_outputs_beside_the_inputs_are_written(command, study):
    """A results file of before is no input: it is replaced."""
    for _ in range(2):
        assert command("evaluate", study, "--results", study / "results.json", "--always-succeed").status == 0
