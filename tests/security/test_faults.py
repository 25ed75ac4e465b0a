"""What goes wrong around a command (disk, folder, power) leaves the old file whole and is said."""

from __future__ import annotations

import os
import resource
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest
import yaml

OLD = "the old file"
STUDY = {
    "format": "validation-study/1",
    "study": {"title": "t"},
    "method": {"analytes": [{"id": "x", "name": "x", "unit": "mg/L", "signal": "s", "signal_unit": "1"}]},
    "calibration": {"runs": [{"level": x, "signals": [0.1 * x, 0.1 * x + 0.001]} for x in range(1, 8)]},
}


@pytest.fixture
def study(tmp_path):
    folder = tmp_path / "study"
    folder.mkdir()
    (folder / "study.yaml").write_text(yaml.safe_dump(STUDY), encoding="utf-8")
    return folder


@pytest.fixture
def target(tmp_path):
    file = tmp_path / "out" / "results.json"
    file.parent.mkdir()
    file.write_text(OLD)
    return file


def run(*arguments, **options):
    command = [sys.executable, "-m", "validator", *map(str, arguments)]
    return subprocess.run(command, capture_output=True, text=True, encoding="utf-8", check=False, **options)


def names(folder):
    return sorted(path.name for path in folder.iterdir())


def small_files():
    resource.setrlimit(resource.RLIMIT_FSIZE, (2000, 2000))
    signal.signal(signal.SIGXFSZ, signal.SIG_IGN)


def test_a_disk_that_takes_no_more(study, target):
    """The system refuses the rest of the file: status 2, the cause, and the old results stay alone."""
    done = run("evaluate", study, "--results", target, preexec_fn=small_files)

    assert done.returncode == 2
    assert done.stderr == f"{target}: cannot be written (File too large)\n"
    assert target.read_text() == OLD
    assert names(target.parent) == ["results.json"]


KILLED = """\
import os, signal, sys
from pathlib import Path
from validator import writing
writing.os.fsync = lambda handle: os.kill(os.getpid(), signal.SIGKILL)
writing.write_atomically(Path(sys.argv[1]), "x" * 100_000)
"""


def test_killed_in_the_middle_of_writing(target):
    """A process that is killed before its file is complete leaves the old one whole under its name."""
    done = subprocess.run([sys.executable, "-c", KILLED, str(target)], check=False)

    assert done.returncode == -signal.SIGKILL
    assert target.read_text() == OLD
    left = [name for name in names(target.parent) if name != target.name]
    assert all(name.startswith(".results.json.") and name.endswith(".part") for name in left)


def test_what_a_killed_process_left_disturbs_nothing(study, target):
    """The next run writes its own file beside the part that was left, and replaces the old one."""
    (target.parent / ".results.json.abc.part").write_text("half")

    done = run("evaluate", study, "--results", target)

    assert done.returncode == 0
    assert target.read_text(encoding="utf-8").startswith('{\n "format": "validation-results/2"')
    assert names(target.parent) == [".results.json.abc.part", "results.json"]


def test_interrupted_from_the_keyboard(study, target):
    """Stopped while it computes, a command says so, writes nothing and leaves no part of a file."""
    code = (
        "import os, signal, sys, validator.evaluation as room\n"
        "signal.signal(signal.SIGINT, signal.default_int_handler)\n"  # a shell ignores it in its background
        "def interrupted(study): os.kill(os.getpid(), signal.SIGINT)\n"
        "room.evaluate = interrupted\n"
        "from validator.command_line import main\n"
        "sys.exit(main(sys.argv[1:]))\n"
    )

    done = subprocess.run(
        [sys.executable, "-c", code, "evaluate", str(study), "--results", str(target)],
        capture_output=True,
        text=True,
        check=False,
    )

    assert done.returncode == 2
    assert done.stderr.strip() == "stopped"
    assert target.read_text() == OLD
    assert names(target.parent) == ["results.json"]


def test_the_study_itself_is_not_written_to(command, study, tmp_path):
    """A study on a medium that cannot be written is evaluated: nothing is put beside it."""
    before = {path: path.stat().st_mtime_ns for path in study.iterdir()}

    done = command("evaluate", study, "--results", tmp_path / "results.json")

    assert done.status == 0, done.err
    assert {path: path.stat().st_mtime_ns for path in study.iterdir()} == before


@pytest.mark.parametrize("verb", ["evaluate", "report", "check", "journal"])
def test_an_output_that_is_a_folder(command, study, tmp_path, verb):
    """A folder under the name of an output is not replaced; the sentence names it."""
    folder = tmp_path / "taken.md"
    folder.mkdir()
    option = {"evaluate": "--results", "report": "--output", "journal": "--to"}.get(verb)

    done = command(verb, study, *([option, folder] if option else []))

    assert folder.is_dir()
    assert list(folder.iterdir()) == []
    if option:
        assert done.status == 2
        assert str(folder) in done.err


def test_a_file_that_grows_while_it_is_read(monkeypatch, study):
    """The size is bounded while reading too, not only before."""
    from validator.errors import StudyError
    from validator.study import files, read_study

    monkeypatch.setattr(files, "LARGEST_STUDY", 1000)
    stat = Path.stat
    monkeypatch.setattr(
        Path, "stat", lambda self, **given: os.stat_result((*stat(self, **given)[:6], 10, 0, 0, 0))
    )
    (study / "study.yaml").write_text("# " + "x" * 5000)

    with pytest.raises(StudyError, match="the file is too large"):
        read_study(study / "study.yaml")


@pytest.mark.parametrize(
    ("limit", "verb", "sentence"),
    [
        (
            "validator.evaluation.inputs.MOST_RUNS",
            "evaluate",
            "study.yaml: the study contains 7 runs; at most 5 can be evaluated. "
            "Average repeated readings of one preparation, or provide raw curves as recordings\n"
            "1 problem found; nothing was written.\n",
        ),
        (
            "validator.dossier.building.MOST_PRINTED",
            "report",
            "the dossier lists every run; 7 runs exceed the maximum of 5. "
            "Average repeated readings, or write the results only (evaluate --results)\n",
        ),
    ],
)
def test_more_runs_than_can_be_worked_on(command, study, tmp_path, monkeypatch, limit, verb, sentence):
    """What would take minutes and gigabytes is refused before it begins, with what would help."""
    monkeypatch.setattr(limit, 5)
    option, name = {"evaluate": ("--results", "out.json"), "report": ("--output", "out.pdf")}[verb]

    done = command(verb, study, option, tmp_path / name)

    assert (done.status, done.err) == (2, sentence)
    assert not (tmp_path / name).exists()


def test_many_runs_are_evaluated_in_bounded_time(command, described, folder_with):
    """Ten thousand readings of one level are evaluated within a minute of processor time."""
    rows = "".join(f"{i % 10 + 1},{0.1 * (i % 10 + 1) + 0.0001 * (i % 7)}\n" for i in range(10_000))
    folder = folder_with(described(calibration={"file": "c.csv"}), {"c.csv": "level,signal\n" + rows})
    begin = time.process_time()

    done = command("evaluate", folder)

    assert done.status == 0, done.err
    assert time.process_time() - begin < 60


def test_no_temporary_file_is_left(study, tmp_path):
    """A report puts its dossier in place and leaves nothing where temporary files go."""
    temporary = tmp_path / "temporary"
    temporary.mkdir()

    done = run(
        "report",
        study,
        "--output",
        tmp_path / "dossier.pdf",
        env={**os.environ, "TMPDIR": str(temporary)},
    )

    assert done.returncode == 0, done.stderr
    assert (tmp_path / "dossier.pdf").exists()
    assert names(temporary) == []


@pytest.mark.parametrize("verbose", [False, True])
def test_a_defect_of_ours_is_no_verdict(study, verbose):
    """An error that nobody foresaw exits with 70, not with the 1 of "not fit", and tells where if asked."""
    code = (
        "import sys, validator.evaluation as room\n"
        "def fail(study): raise ZeroDivisionError('by chance')\n"
        "room.evaluate = fail\n"
        "from validator.command_line import entry_point\n"
        "entry_point()\n"
    )
    options = ["--verbose"] if verbose else []

    done = subprocess.run(
        [sys.executable, "-c", code, *options, "evaluate", str(study)],
        capture_output=True,
        text=True,
        encoding="utf-8",
        check=False,
    )

    assert done.returncode == 70
    assert "unexpected error: ZeroDivisionError: by chance" in done.stderr
    assert ("Traceback" in done.stderr) is verbose
