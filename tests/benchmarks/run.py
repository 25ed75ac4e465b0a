"""Benchmarks that print ratios side by side: ``python tests/benchmarks/run.py [NAME ...]``.

Nothing here is a test: a busy machine must not make a suite fail. Both sides of a ratio are measured in one
run, each in processes of its own; the least of several is taken. Seconds are those of the processor, which
other work on the machine moves little; where work is spread over processes, those on the clock. That both
sides give equal numbers is tested in ``test_equal_numbers.py``.
"""

from __future__ import annotations

import math
import os
import sys
import tempfile
from pathlib import Path
from typing import TYPE_CHECKING

import click
from measuring import PROJECT, answer, cost, least, python, validator
from studies import write_study

if TYPE_CHECKING:
    from collections.abc import Callable

HERE = Path(__file__).parent
MAIN_EXAMPLE = PROJECT / "example_studies" / "irrigation_water_cadmium_zinc"

QUIETLY = ("--always-succeed",)
"""No verdict makes a command fail."""


def work(name: str, *arguments: object) -> tuple[str, ...]:
    """The command that does a piece of ``work.py``."""
    return python(str(HERE / "work.py"), name, *map(str, arguments))


def measured(name: str, *arguments: object) -> float:
    """The seconds that a piece of ``work.py`` prints."""
    return float(answer(*work(name, *arguments)))


def say(what: str, ours: float, beside: str, theirs: float, wanted: str) -> None:
    """A line: both sides, and the larger over the smaller."""
    ratio = f"{theirs / ours:.1f} x faster" if theirs > ours else f"{ours / theirs:.2f} x as long"
    click.echo(f"{what}: {_time(ours)}; {beside}: {_time(theirs)}; {ratio} ({wanted})")


def _time(seconds: float) -> str:
    return f"{1000 * seconds:.1f} ms" if seconds < 1 else f"{seconds:.2f} s"


def one_analyte(folder: Path) -> None:
    """Evaluation of one analyte against the formulas of statsmodels that give the same numbers."""
    study = write_study(folder / "one")
    ours, theirs = (min(measured(name, study) for _ in range(5)) for name in ("engine", "script"))
    say("one analyte", ours, "statsmodels formulas", theirs, "wanted: 15 x faster")
    without = measured("script", study, "no")
    click.echo(f"  (of the formulas' time {_time(theirs - without)} is root finding on prediction bands)")


def calibrations(folder: Path) -> None:
    """A thousand calibrations, with lack of fit and Mandel's test."""
    del folder
    ours = measured("calibrations_here", 1000)
    theirs = 10 * measured("calibrations_by_formula", 100)
    say("1000 calibrations", ours, "statsmodels formulas (100, times ten)", theirs, "closed form")


def report(folder: Path) -> None:
    """The whole report of the main example against the PDF engine on the same page."""
    page = folder / "page.html"
    cost(*work("page", MAIN_EXAMPLE, page))
    total = least(
        validator("report", MAIN_EXAMPLE, "--always-succeed", "--output", folder / "dossier.pdf"), 3
    )
    engine = least(work("pdf_engine", page), 3)
    say("report", total.processor, "PDF engine alone", engine.processor, "wanted: at most 1.5 x as long")


def check(folder: Path) -> None:
    """``check`` against importing the libraries that it uses."""
    del folder
    names = answer(*work("libraries_of_check", MAIN_EXAMPLE))
    ours = least(validator("check", MAIN_EXAMPLE), 7)
    theirs = least(work("import_them", names), 7)
    say("check", ours.processor, "its libraries alone", theirs.processor, "wanted: at most 1.2 x as long")


def batch(folder: Path) -> None:
    """200 generated studies on one process and on two, on a local cluster of one worker and of two."""
    studies, count = folder / "studies", 200
    for number in range(count):
        write_study(studies / f"{number:03}", analytes=3, title=f"Study {number}", seed=number)
    clock = {}
    for workers in (1, 2):
        output = folder / f"on {workers}"
        clock[workers] = cost(
            *validator("batch", studies, "--always-succeed", "--workers", workers, "--output", output)
        ).clock
    one, two = (measured("batch_on_cluster", studies, folder / f"cluster of {n}", n) for n in (1, 2))
    say(f"batch of {count} on 2 workers", clock[2], "on 1", clock[1], "wanted: 1.8 x faster")
    say(f"batch of {count} on a local cluster of 2", two, "of 1", one, "wanted: 1.8 x faster")
    say("  the same", two, "one process without a cluster", clock[1], "what the cluster itself costs")
    click.echo(f"  ({os.cpu_count()} processors, load {os.getloadavg()[0]:.1f} at the end)")


def memory(folder: Path) -> None:
    """Peak of memory of evaluating 1 and 40 analytes."""
    for analytes in (1, 40):
        study = write_study(folder / f"{analytes} analytes", analytes=analytes)
        found = least(validator("evaluate", study, *QUIETLY, "--results", folder / "results.json"), 2)
        click.echo(f"evaluate {analytes} analytes: {found.peak:.0f} MB at most, {_time(found.processor)}")


def growth(folder: Path) -> None:
    """Time and memory against analytes, runs and draws, with the exponents from step to step."""
    studies = [
        (f"{count} analytes", count, write_study(folder / f"analytes {count}", analytes=count))
        for count in (1, 4, 16, 64, 400)
    ]
    studies += [
        (f"{102 * count} runs", 102 * count, write_study(folder / f"runs {count}", repeats=count))
        for count in (1, 10, 100, 1000, 9800)
    ]
    before: tuple[int, float, float] | None = None
    for name, size, study in studies:
        found = cost(*validator("evaluate", study, *QUIETLY, "--results", folder / "results.json"))
        tail = ""
        if before is not None and size > before[0]:
            steps = math.log(size / before[0])
            tail = (
                f"; exponents {math.log(found.processor / before[1]) / steps:.2f} (time), "
                f"{math.log(found.peak / before[2]) / steps:.2f} (memory)"
            )
        click.echo(f"evaluate {name}: {_time(found.processor)}, {found.peak:.0f} MB{tail}")
        before = (size, found.processor, found.peak)
    last: float | None = None
    for count in (10_000, 100_000, 1_000_000, 10_000_000):
        took = measured("draws", count)
        tail = "" if last is None else f"; exponent {math.log10(took / last):.2f}"
        click.echo(f"simulate {count} draws: {_time(took)}{tail}")
        last = took


BENCHMARKS: dict[str, Callable[[Path], None]] = {
    one.__name__: one for one in (one_analyte, calibrations, report, check, batch, memory, growth)
}


def main(names: list[str]) -> None:
    """Run the benchmarks *names*, all of them if none is named."""
    for name in names or BENCHMARKS:
        with tempfile.TemporaryDirectory() as folder:
            BENCHMARKS[name](Path(folder))


if __name__ == "__main__":
    main(sys.argv[1:])
