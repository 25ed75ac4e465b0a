"""A reader of an output meets the old file or the new one, never half of one."""

from __future__ import annotations

import os
import stat
from contextlib import contextmanager
from pathlib import Path
from types import SimpleNamespace

import pytest

from validator.errors import OutputProblem
from validator.writing import write_atomically

OLD = b"the old dossier"


@pytest.fixture
def target(tmp_path):
    """A file that is there already, alone in its folder."""
    file = tmp_path / "results.json"
    file.write_bytes(OLD)
    return file


def untouched(target):
    return target.read_bytes() == OLD and [path.name for path in target.parent.iterdir()] == [target.name]


@pytest.mark.parametrize(("content", "written"), [("µg/L\n", "µg/L\n".encode()), (b"\x00\xff", b"\x00\xff")])
def test_text_and_bytes_arrive_whole(target, content, written):
    """Text is written as UTF-8 with its line ends, bytes as they are; the old file is replaced."""
    write_atomically(target, content)

    assert target.read_bytes() == written
    assert [path.name for path in target.parent.iterdir()] == [target.name]


def test_a_new_file_has_the_permissions_of_any_new_file(tmp_path):
    """The temporary file is private; the result is not: the user's umask decides."""
    before = os.umask(0o027)
    try:
        write_atomically(tmp_path / "dossier.pdf", b"x")
    finally:
        os.umask(before)

    assert stat.S_IMODE((tmp_path / "dossier.pdf").stat().st_mode) == 0o640


def full_disk(*_):
    raise OSError(28, "No space left on device")


@contextmanager
def disk_that_fills(handle, mode):
    """A file of which nothing can be written, and which is closed all the same."""
    with open(handle, mode) as file:  # noqa: PTH123 - a handle, not a path
        yield SimpleNamespace(write=full_disk, flush=file.flush, fileno=file.fileno)


def killed(*_):
    raise KeyboardInterrupt


@pytest.mark.parametrize("where", ["fsync", "replace", "write"])
def test_a_full_disk_leaves_the_old_file_and_nothing_else(target, monkeypatch, where):
    """Whatever step fails, the old file stays, no part is left, and the sentence says why."""
    if where == "replace":
        monkeypatch.setattr(Path, "replace", full_disk)
    elif where == "fsync":
        monkeypatch.setattr(os, "fsync", full_disk)
    else:
        monkeypatch.setattr(os, "fdopen", disk_that_fills)

    with pytest.raises(OutputProblem, match=r"results\.json: cannot be written \(No space left on device\)"):
        write_atomically(target, b"new")

    assert untouched(target)


@pytest.mark.parametrize("where", ["fsync", "replace"])
def test_an_interrupted_writing_leaves_the_old_file_and_nothing_else(target, monkeypatch, where):
    """A command that is stopped while it writes has changed nothing."""
    monkeypatch.setattr(*((os, "fsync") if where == "fsync" else (Path, "replace")), killed)

    with pytest.raises(KeyboardInterrupt):
        write_atomically(target, b"new")

    assert untouched(target)


def test_a_folder_that_is_not_there(tmp_path):
    """A missing folder is named with the file; it is not made."""
    with pytest.raises(OutputProblem, match=r"missing/results\.json: cannot be written \(No such file"):
        write_atomically(tmp_path / "missing" / "results.json", "x")

    assert list(tmp_path.iterdir()) == []


def test_a_target_that_is_a_folder(tmp_path):
    """A folder is not overwritten."""
    folder = tmp_path / "results.json"
    folder.mkdir()

    with pytest.raises(OutputProblem, match="cannot be written"):
        write_atomically(folder, "x")

    assert list(tmp_path.iterdir()) == [folder]
    assert list(folder.iterdir()) == []


def test_a_folder_that_may_not_be_written(target, monkeypatch):
    """A read-only folder gives a sentence; root may write anywhere, so the refusal is that of the system."""
    import tempfile

    def refuse(*_, **__):
        raise PermissionError(13, "Permission denied")

    monkeypatch.setattr(tempfile, "mkstemp", refuse)

    with pytest.raises(OutputProblem, match=r"cannot be written \(Permission denied\)"):
        write_atomically(target, "x")

    assert untouched(target)


def test_a_command_that_cannot_write_keeps_the_old_results(
    command, described, folder_with, target, monkeypatch
):
    """``evaluate`` on a full disk: status 2, one sentence, the old results stay."""
    study = described(calibration={"runs": [{"level": x, "signal": 0.1 * x} for x in range(1, 7)]})
    monkeypatch.setattr(os, "fsync", full_disk)

    done = command("evaluate", folder_with(study), "--results", target)

    assert done.status == 2
    assert done.err == f"{target}: cannot be written (No space left on device)\n"
    assert untouched(target)
