"""The work that is measured in processes of its own: ``work.py NAME ARGUMENTS``; it prints seconds."""

from __future__ import annotations

import sys
import time
from pathlib import Path
from typing import TYPE_CHECKING

import click

if TYPE_CHECKING:
    from collections.abc import Callable


def seconds(work: Callable[[], object], times: int) -> float:
    """Least processor time of *work*, which is done once before."""
    work()
    found = []
    for _ in range(times):
        begin = time.process_time()
        work()
        found.append(time.process_time() - begin)
    return min(found)


def engine(folder: str, times: int = 30) -> float:
    """One evaluation of the study in *folder*, read before."""
    from validator import evaluate, read_study

    study = read_study(folder)
    return seconds(lambda: evaluate(study), times)


def script(folder: str, by_roots: str = "yes", times: int = 10) -> float:
    """The formulas on the tables in *folder*, read before."""
    from formula_script import figures_of, read_tables

    tables = read_tables(Path(folder))
    return seconds(lambda: figures_of(tables, by_roots=by_roots == "yes"), times)


def calibrations_here(count: str) -> float:
    """That many straight lines with coefficients, intervals, lack of fit and Mandel's test."""
    from validator.statistics.linearity import lack_of_fit, mandel
    from validator.statistics.regression import fit

    def work() -> None:
        for x, y in _lines(int(count)):
            line = fit(x, y)
            lack_of_fit(line)
            mandel(line)

    return seconds(work, 3)


def calibrations_by_formula(count: str) -> float:
    """The same by formulas."""
    import pandas as pd
    import statsmodels.formula.api as smf
    from statsmodels.stats.anova import anova_lm

    def work() -> None:
        for x, y in _lines(int(count)):
            data = pd.DataFrame({"x": x, "y": y})
            line = smf.ols("y ~ x", data).fit()
            line.conf_int()
            anova_lm(line, smf.ols("y ~ C(x)", data).fit())
            anova_lm(line, smf.ols("y ~ x + I(x ** 2)", data).fit())

    return seconds(work, 1)


def _lines(count: int):
    import numpy as np

    rng = np.random.default_rng(1)
    x = np.repeat([2.0, 4.0, 8.0, 12.0, 16.0, 20.0], 3)
    return [(x, 0.02 + 0.1 * x + rng.normal(0, 0.006, x.size)) for _ in range(count)]


def page(study: str, file: str) -> float:
    """Write the page of a dossier as the PDF engine gets it."""
    from validator import assess, evaluate, read_study
    from validator.dossier import build_document, render_html

    read = read_study(study)
    Path(file).write_text(
        render_html(build_document(read, assess(read, evaluate(read))), medium="print"), encoding="utf-8"
    )
    return 0.0


def pdf_engine(file: str) -> float:
    """The PDF engine alone on a page, with the settings of a dossier."""
    import logging

    import weasyprint

    from validator.resources import templates_folder

    logging.getLogger("weasyprint").setLevel(logging.ERROR)
    text = Path(file).read_text(encoding="utf-8")
    base = f"{templates_folder().as_uri()}/"
    weasyprint.HTML(string=text, base_url=base).write_pdf(pdf_variant="pdf/a-3u", pdf_tags=True)
    return 0.0


def libraries_of_check(study: str) -> str:
    """The modules of other packages that ``check`` loads, in the order of loading."""
    import contextlib
    import io

    from validator.command_line import main

    with contextlib.redirect_stdout(io.StringIO()):
        main(["check", study])
    foreign = [
        name
        for name, module in list(sys.modules.items())
        if "site-packages" in (getattr(module, "__file__", None) or "") and not name.startswith("validator")
    ]
    return " ".join(foreign)


def import_them(names: str) -> float:
    """Import the modules *names*, and nothing else."""
    import importlib

    for name in names.split():
        importlib.import_module(name)
    return 0.0


def batch_on_cluster(folder: str, output: str, workers: str) -> float:
    """All studies of *folder* on a local cluster; seconds on the clock once the cluster stands."""
    import distributed

    from validator.batch import find_studies, run_batch

    places = find_studies(Path(folder), Path(output))
    with distributed.LocalCluster(
        n_workers=int(workers), threads_per_worker=1, dashboard_address=None, memory_limit=None
    ) as cluster:
        begin = time.perf_counter()
        rows = list(run_batch(places, cluster=cluster.scheduler_address))
        took = time.perf_counter() - begin
    assert not [row.problem for row in rows if row.problem]
    return took


def draws(count: str) -> float:
    """One simulation of a budget of four rows with that many draws."""
    import math

    from validator.statistics.monte_carlo import simulate_budget
    from validator.statistics.uncertainty_budget import BudgetRow, combine

    shapes = (("normal", 8.0), ("normal", math.inf), ("rectangular", math.inf), ("triangular", math.inf))
    rows = [
        BudgetRow(
            name=f"row {i}",
            value=1.0,
            standard_uncertainty=1.0,
            evaluation="B",
            distribution=shape,
            degrees_of_freedom=freedom,
        )
        for i, (shape, freedom) in enumerate(shapes)
    ]
    budget = combine(rows, value=10.0)
    return seconds(lambda: simulate_budget(budget, seed=1, draws=int(count)), 1)


WORK = {
    one.__name__: one
    for one in (
        engine,
        script,
        calibrations_here,
        calibrations_by_formula,
        page,
        pdf_engine,
        libraries_of_check,
        import_them,
        batch_on_cluster,
        draws,
    )
}

if __name__ == "__main__":
    click.echo(WORK[sys.argv[1]](*sys.argv[2:]))
