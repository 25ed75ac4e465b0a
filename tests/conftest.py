"""Studies written to folders of their own, and what the engine and the commands make of them."""

from __future__ import annotations

import contextlib
import io
from dataclasses import dataclass
from typing import TYPE_CHECKING

import pytest
import yaml

import validator

if TYPE_CHECKING:
    from pathlib import Path


@dataclass(frozen=True, slots=True)
class Command:
    """What a command did: its exit status and what it wrote to the two streams."""

    status: int
    out: str
    err: str


@pytest.fixture(scope="session")
def described():
    """A study of one analyte, ``x`` in mg/L by a signal without unit, with the given blocks."""

    def described(*, guidance=(), unit="mg/L", analytes=None, configurations=None, **blocks):
        method = {
            "analytes": analytes
            or [{"id": "x", "name": "analyte x", "unit": unit, "signal": "signal", "signal_unit": "1"}]
        }
        if configurations:
            method |= {
                "configurations": [{"id": name, "name": name} for name in configurations],
                "configuration": configurations[0],
            }
        return {
            "format": "validation-study/1",
            "study": {"title": "A study for a test", "guidance": list(guidance)},
            "method": method,
            **blocks,
        }

    return described


@pytest.fixture(scope="session")
def folder_with(tmp_path_factory):
    """The folder that a study and its tables were written to; each call makes a new one."""

    def folder_with(study, tables=None) -> Path:
        folder = tmp_path_factory.mktemp("study")
        text = study if isinstance(study, str) else yaml.safe_dump(study, allow_unicode=True, sort_keys=False)
        (folder / "study.yaml").write_text(text, encoding="utf-8")
        for name, content in (tables or {}).items():
            (folder / name).parent.mkdir(exist_ok=True)
            (folder / name).write_text(content, encoding="utf-8")
        return folder

    return folder_with


@pytest.fixture(scope="session")
def study_of(folder_with):
    """The study as read from files."""

    def study_of(study, tables=None):
        return validator.read_study(folder_with(study, tables))

    return study_of


@pytest.fixture(scope="session")
def judged(study_of):
    """The study as read, and its results evaluated and assessed."""

    def judged(study, tables=None):
        read = study_of(study, tables)
        return read, validator.assess(read, validator.evaluate(read))

    return judged


@pytest.fixture(scope="session")
def record_of(judged):
    """What was found for the only analyte with the validated configuration."""

    def record_of(study, tables=None):
        read, results = judged(study, tables)
        return results.analytes[read.analyte_ids[0]].configurations[read.validated_configuration]

    return record_of


@pytest.fixture(scope="session")
def command():
    """Run one command as the terminal would."""
    from validator import command_line

    def command(*arguments) -> Command:
        out, err = io.StringIO(), io.StringIO()
        with contextlib.redirect_stdout(out), contextlib.redirect_stderr(err):
            status = command_line.main([str(argument) for argument in arguments])
        return Command(status, out.getvalue(), err.getvalue())

    return command
