"""What a command costs: seconds of processor and of the clock, and its peak of memory."""

from __future__ import annotations

import os
import subprocess
import sys
import time
from dataclasses import dataclass
from pathlib import Path

PROJECT = Path(__file__).resolve().parents[2]


@dataclass(frozen=True, slots=True, kw_only=True)
class Cost:
    """One run of a command.

    Attributes:
        processor: seconds of user and system time, of its children too; hardly moved by what else runs.
        clock: seconds that passed.
        peak: largest resident set in megabytes.
    """

    processor: float
    clock: float
    peak: float


def cost(*command: str) -> Cost:
    """Run *command*, its output thrown away; it must end with 0."""
    begin = time.perf_counter()
    process = subprocess.Popen(command, cwd=PROJECT, stdout=subprocess.DEVNULL)
    _, status, usage = os.wait4(process.pid, 0)
    clock = time.perf_counter() - begin
    process.returncode = os.waitstatus_to_exitcode(status)
    if process.returncode:
        raise RuntimeError(f"{' '.join(command)} ended with {process.returncode}")
    return Cost(processor=usage.ru_utime + usage.ru_stime, clock=clock, peak=usage.ru_maxrss / 1024)


def least(command: tuple[str, ...], times: int) -> Cost:
    """The least that *command* cost in several runs: whatever disturbs a run makes it dearer."""
    runs = [cost(*command) for _ in range(times)]
    return Cost(
        processor=min(run.processor for run in runs),
        clock=min(run.clock for run in runs),
        peak=min(run.peak for run in runs),
    )


def python(*arguments: str) -> tuple[str, ...]:
    """The command that runs this interpreter."""
    return (sys.executable, *arguments)


def validator(*arguments: object) -> tuple[str, ...]:
    """The command line of the package."""
    return python("-m", "validator", *map(str, arguments))


def answer(*command: str) -> str:
    """What *command* prints."""
    done = subprocess.run(command, cwd=PROJECT, stdout=subprocess.PIPE, text=True, check=True)
    return done.stdout.strip()
