"""Consoles of older code pages show what they can."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import pytest

EXAMPLE = Path(__file__).parents[2] / "example_studies" / "tablet_assay_caffeine"


@pytest.mark.parametrize(("encoding", "sign"), [("cp1252", ">="), ("latin-1", ">="), ("utf-8", "≥")])
def test_every_code_page_gets_its_lines(encoding, sign):
    """Redirected on a machine whose code page lacks a sign, the table is printed with a plain one."""
    done = subprocess.run(
        [sys.executable, "-m", "validator", "evaluate", str(EXAMPLE)],
        env={**os.environ, "PYTHONIOENCODING": encoding, "PYTHONUTF8": "0"},
        capture_output=True,
        check=False,
    )

    assert done.returncode == 0
    assert done.stderr == b""
    text = done.stdout.decode(encoding)
    assert sign in text
    assert text.splitlines()[-1] == "verdict: fit"


def test_a_reader_that_goes_away_is_no_verdict():
    """A closed pipe ends with 141, not with the 1 of "not fit"."""
    command = [
        sys.executable,
        "-m",
        "validator",
        "evaluate",
        str(EXAMPLE.with_name("phosphate_in_seawater_unfit")),
    ]
    with subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.DEVNULL) as running:
        assert running.stdout is not None
        running.stdout.close()

        assert running.wait(timeout=60) == 141
