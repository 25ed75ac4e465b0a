"""The commands: arguments and streams come in, an exit status goes out. Only this file prints.

Exit status of ``evaluate``, ``report`` and ``batch``: 0 the verdict is "fit", "fit under conditions" or
"not assessed"; 1 it is "not fit" or "not demonstrated", or the study is a draft. ``verify`` and
``qualify``: 1 for a difference. 2 the input could not be used; 3 the environment lacks something; 70 a
defect of the program; 141 the reader of the output closed it.
"""

from __future__ import annotations

import datetime as dt
import gc
import json
import logging
import os
import shlex
import shutil
import sys
import time
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Literal

import click

from validator.errors import EnvironmentProblem, GuidanceError, OutputProblem, StudyError, ValidatorError
from validator.terminal import show_what_can_be_shown
from validator.version import __version__
from validator.writing import check_ending, check_outputs, write_atomically

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from validator.batch import StudyRow
    from validator.dossier.html import Paper
    from validator.evaluation.results import Results
    from validator.planning import Protocol
    from validator.study import Study

DONE, NOT_FIT, UNUSABLE_INPUT, ENVIRONMENT, DEFECT, CLOSED = 0, 1, 2, 3, 70, 141
FIT_WORDS = {"fit": ("fit",), "conditions": ("fit", "fit under conditions")}
"""The verdicts that each value of ``--require`` accepts."""
DIFFERS = NOT_FIT
MOST_SHOWN = 40
SELDOM_COLLECTED = 200_000
"""Objects made between two collections; Python's own 700 suit programs that start with nothing."""
KINDS = ("stripping-voltammetry", "chromatography", "photometry", "blank-based")

REPORT_IT = (
    "No verdict was reached. Please report the defect together with the study; 'validator "
    "--verbose' shows where it occurred."
)

logger = logging.getLogger("validator")

_study_argument = click.argument("study", type=click.Path(path_type=Path))
_results_option = click.option(
    "--results",
    "results_file",
    type=click.Path(path_type=Path),
    help="Write the results to this file (JSON).",
)
_always_succeed = click.option("--always-succeed", is_flag=True, help="Exit status 0 whatever the verdict.")
_require = click.option(
    "--require",
    type=click.Choice(["fit", "conditions"]),
    help="Verdict required for exit status 0: fit, or at least fit under conditions.",
)


class Stopwatch:
    """Times the steps of a command and tells them on a terminal."""

    def __init__(self) -> None:
        self.seconds: dict[str, float] = {}
        self._begin = time.perf_counter()

    @contextmanager
    def step(self, name: str, saying: str) -> Iterator[None]:
        """Time one step; a terminal shows what is going on."""
        progress = sys.stderr.isatty()
        if progress:
            click.echo(f"\r\x1b[K{saying} …", err=True, nl=False)
        begin = time.perf_counter()
        try:
            yield
        finally:
            self.seconds[name] = time.perf_counter() - begin
            if progress:
                click.echo("\r\x1b[K", err=True, nl=False)
        logger.info("%s: %.3f s", name, self.seconds[name])

    def timings(self, names: Sequence[str]) -> str:
        """The named steps and the total, as JSON."""
        figures = {name: self.seconds.get(name, 0.0) for name in names}
        figures["total"] = time.perf_counter() - self._begin
        return json.dumps(figures, indent=1) + "\n"


@click.group(context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 100})
@click.version_option(__version__, prog_name="validator")
@click.option("--verbose", is_flag=True, help="Report each step and its duration on standard error.")
def cli(verbose: bool) -> None:
    """Validation of analytical methods: from a study description to a validation dossier."""
    logging.basicConfig(
        level=logging.INFO if verbose else logging.WARNING,
        format="%(message)s",
        stream=sys.stderr,
        force=True,
    )
    for library in ("fontTools", "matplotlib"):
        logging.getLogger(library).setLevel(logging.ERROR)
    logging.getLogger("pypdf").setLevel(logging.CRITICAL)  # what is wrong with a PDF, we say ourselves


@cli.command()
@click.argument("folder", type=click.Path(path_type=Path))
@click.option(
    "--like",
    "kind",
    type=click.Choice(KINDS),
    default="photometry",
    show_default=True,
    help="Technique of the starter study.",
)
@click.option(
    "--tables",
    type=click.Choice(["csv", "xlsx"]),
    default="csv",
    show_default=True,
    help="Format of the data-entry tables: text files, or one workbook with drop-down lists.",
)
@click.option(
    "--from",
    "workbook",
    type=click.Path(path_type=Path),
    help="Write a study that reads this workbook (XLSX) as it is; a copy of it is put beside the study.",
)
def new(folder: Path, kind: str, tables: Literal["csv", "xlsx"], workbook: Path | None) -> None:
    """Write a commented starter study with data-entry tables to FOLDER."""
    from validator.starting import start_study

    start_study(folder, kind, tables, workbook)
    if workbook is None:
        click.echo(f"{folder}: a starter study for {kind.replace('-', ' ')}.")
        click.echo("Complete study.yaml and the tables, then run:")
    else:
        click.echo(f"{folder}: a study that reads {workbook.name}.")
        click.echo("Correct and complete study.yaml, then run:")
    shown = shlex.quote(str(folder))
    click.echo(f"  validator check {shown}")
    click.echo(f"  validator report {shown}")


@cli.command()
@click.option(
    "--output", type=click.Path(path_type=Path), help="Write to this file instead of standard output."
)
def schema(output: Path | None) -> None:
    """Print the JSON Schema of the study description, for completion and checking in editors."""
    from validator.starting import schema_text

    if output is None:
        click.echo(schema_text(), nl=False)
        return
    check_outputs([output])
    write_atomically(output, schema_text())


@cli.command()
@_study_argument
@click.option(
    "--curves",
    type=click.Path(path_type=Path),
    help="Also write a page (HTML) with a picture of every recorded curve, its baseline and its reading.",
)
def check(study: Path, curves: Path | None) -> None:
    """Read and check STUDY; list what can and cannot be assessed, with reasons."""
    from validator.assessment import assess
    from validator.dossier.console import overview
    from validator.evaluation import evaluate as evaluate_study

    loaded = _read(study, Stopwatch(), [curves], endings=[".html"]).with_shortest_simulation()
    results = assess(loaded, evaluate_study(loaded))
    click.echo(overview(loaded, results, width=_width()))
    if curves is not None:
        from validator.dossier import render_html
        from validator.dossier.sections.every_curve import page_of_curves

        page = page_of_curves(loaded, results)
        if page is None:
            raise OutputProblem(f"{curves}: the study holds no recorded curves (key recordings)")
        write_atomically(curves, render_html(page, medium="web"))


@cli.command()
@_study_argument
@_results_option
@_require
@_always_succeed
@click.pass_context
def evaluate(
    context: click.Context, study: Path, results_file: Path | None, require: str | None, always_succeed: bool
) -> None:
    """Evaluate and assess STUDY; print the findings as a table or write the results as JSON."""
    from validator.dossier.console import findings_table

    loaded, results = _results_of(study, Stopwatch(), [results_file], endings=[".json"])
    if results_file is not None:
        _write_results(results_file, results)
    click.echo(findings_table(loaded, results, width=_width()))
    context.exit(_status([_word(results)], require, always_succeed))


@cli.command()
@_study_argument
@click.option(
    "--output",
    type=click.Path(path_type=Path),
    help=("File name of the dossier; default: name of the study folder with extension .pdf."),
)
@click.option(
    "--web",
    type=click.Path(path_type=Path),
    help="Also write the dossier as a single self-contained HTML file.",
)
@_results_option
@click.option(
    "--templates",
    "own_templates",
    type=click.Path(path_type=Path),
    help="Folder with the laboratory's logo, accent colour and text blocks.",
)
@click.option(
    "--timings",
    type=click.Path(path_type=Path),
    help="Write the duration of each step, in seconds, to this file (JSON).",
)
@click.option(
    "--paper",
    type=click.Choice(["a4", "letter"], case_sensitive=False),
    default="a4",
    show_default=True,
    help="Paper size.",
)
@_require
@_always_succeed
@click.pass_context
def report(
    context: click.Context,
    study: Path,
    output: Path | None,
    web: Path | None,
    results_file: Path | None,
    own_templates: Path | None,
    timings: Path | None,
    paper: Paper,
    require: str | None,
    always_succeed: bool,
) -> None:
    """Write the validation dossier of STUDY (PDF)."""
    watch = Stopwatch()
    target = output or Path(f"{_folder_of(study).resolve().name}.pdf")
    look: tuple[Path, ...] = ()
    if own_templates is not None:
        from validator.dossier.laboratory import laboratory_files

        look = laboratory_files(own_templates)
    outputs, endings = [target, web, results_file, timings], [".pdf", ".html", ".json", ".json"]
    loaded, results = _results_of(study, watch, outputs, look, endings)

    from validator.dossier import build_document, dossier_pdf, render_html
    from validator.dossier.laboratory import read_laboratory

    with watch.step("figures", "drawing figures"):
        document = build_document(loaded, results)
    with watch.step("html", "setting the pages"):
        laboratory = None if own_templates is None else read_laboratory(own_templates, document)
        page = render_html(document, medium="print", paper=paper, laboratory=laboratory)
    with watch.step("pdf", "writing the PDF"):
        pdf = dossier_pdf(page, loaded, results)
    write_atomically(target, pdf)
    if web is not None:
        write_atomically(web, render_html(document, medium="web", laboratory=laboratory))
    if results_file is not None:
        _write_results(results_file, results)
    if timings is not None:
        write_atomically(timings, watch.timings(("read", "evaluate", "assess", "figures", "html", "pdf")))
    word = _word(results)
    click.echo(f"{target}: {f'verdict: {word}' if word else 'draft, no verdict'}")
    context.exit(_status([word], require, always_succeed))


@cli.command()
@_study_argument
@click.option(
    "--to",
    "target",
    type=click.Path(path_type=Path),
    help=(
        "Write to this file; the extension .md, .tex or .docx selects the format. Default: "
        "Markdown on standard output."
    ),
)
@click.option(
    "--figures",
    "figures_folder",
    type=click.Path(path_type=Path),
    help="Write the figures to this folder (SVG, PDF and PNG at 600 dpi) and cite them in the text.",
)
@click.option(
    "--standalone", is_flag=True, help="With .tex: write a complete document instead of a fragment."
)
def journal(study: Path, target: Path | None, figures_folder: Path | None, standalone: bool) -> None:
    """Write the validation section of a manuscript from STUDY."""
    from validator.dossier.journal import check_target, manuscript
    from validator.evaluation.inputs import files_of

    check_target(target, figures_folder, standalone=standalone)
    watch = Stopwatch()
    loaded, results = _results_of(study, watch, [target])
    with watch.step("write", "writing"):
        written = manuscript(loaded, results, target, figures_folder, standalone=standalone)
    if figures_folder is not None:
        _make_folder(figures_folder)
        check_outputs(written.figures, files_of(loaded))
    for file, content in written.figures.items():
        write_atomically(file, content)
    if target is None:
        click.echo(written.text, nl=False)
    else:
        write_atomically(target, written.text)
        click.echo(f"{target}: verdict: {_word(results) or 'none (draft)'}")


@cli.command()
@click.argument("dossier", type=click.Path(path_type=Path))
@click.option(
    "--tolerance",
    type=click.FloatRange(min=0.0, max=0.01),
    help=(
        "Relative difference regarded as equality; default: 0 with the software versions of "
        "the dossier, otherwise 1e-9."
    ),
)
@click.option(
    "--all", "list_all", is_flag=True, help=f"List all differences, not only the first {MOST_SHOWN}."
)
@click.pass_context
def verify(context: click.Context, dossier: Path, tolerance: float | None, list_all: bool) -> None:
    """Recompute DOSSIER from its attachments and compare all results; exit status 1 if any differs.

    The comparison covers the attached results, not the printed pages.
    """
    from validator.integrity import summary
    from validator.integrity import verify as verify_dossier

    with Stopwatch().step("verify", "recomputing"):
        found = verify_dossier(dossier, tolerance)
    click.echo(summary(found, None if list_all else MOST_SHOWN))
    context.exit(DIFFERS if found.differences else DONE)


@cli.command()
@_study_argument
@click.option(
    "--output",
    type=click.Path(path_type=Path),
    help="File name of the protocol; default: name of the study folder with -protocol.pdf appended.",
)
@click.option(
    "--tables",
    type=click.Path(path_type=Path),
    help="Also write the data-entry tables and the record of the plan to this new or empty folder.",
)
@click.option(
    "--workers",
    type=click.IntRange(min=1),
    default=None,
    help="Number of processes for the simulation; default: one per processor.",
)
@click.option(
    "--paper",
    type=click.Choice(["a4", "letter"], case_sensitive=False),
    default="a4",
    show_default=True,
    help="Paper size.",
)
def plan(study: Path, output: Path | None, tables: Path | None, workers: int | None, paper: Paper) -> None:
    """Write the validation protocol of STUDY (PDF): design, acceptance criteria and expected performance."""
    from validator.planning import make_protocol

    watch = Stopwatch()
    target = output or Path(f"{_folder_of(study).resolve().name}-protocol.pdf")
    if tables is not None:
        _refuse_filled_folder(tables)
    loaded = _read(study, watch, [target])
    with watch.step("simulate", "simulating"):
        protocol = make_protocol(loaded, workers=workers or _processors())

    from validator.dossier.html import render_html
    from validator.dossier.protocol import RECORD_FILE, build_protocol, chances_table, protocol_pdf

    with watch.step("pdf", "writing the PDF"):
        page = render_html(build_protocol(protocol), medium="print", paper=paper)
        pdf = protocol_pdf(page, protocol)
    files = {} if tables is None else _tables(tables, protocol, RECORD_FILE)
    if tables is not None:
        _make_folder(tables)
    check_outputs([target, *files])
    for file, content in {target: pdf, **files}.items():
        write_atomically(file, content)
    if tables is not None:
        click.echo(f"{tables}: fill in the tables and name them under file: of their blocks;")
        click.echo(f"  keep {RECORD_FILE} with the study and name it under plan: record:")
    click.echo(chances_table(protocol))
    click.echo(f"{target}: plan {protocol.record.sha256}")


@cli.command()
@click.option(
    "--output",
    type=click.Path(path_type=Path),
    default=Path("qualification.pdf"),
    show_default=True,
    help="File name of the verification record.",
)
@click.option(
    "--results",
    "results_file",
    type=click.Path(path_type=Path),
    help="Also write the record to this file (JSON).",
)
@click.option(
    "--paper",
    type=click.Choice(["a4", "letter"], case_sensitive=False),
    default="a4",
    show_default=True,
    help="Paper size.",
)
@click.pass_context
def qualify(context: click.Context, output: Path, results_file: Path | None, paper: Paper) -> None:
    """Run the published cases on this installation and write the verification record.

    The exit status is 1 if any case disagrees.
    """
    from validator.dossier.qualification_record import cases_table, record_json, record_pdf
    from validator.qualification import qualify as run_cases

    check_outputs([output, results_file])
    watch = Stopwatch()
    made = _now()
    with watch.step("qualify", "running the published cases"):
        record = run_cases()
    click.echo(cases_table(record))
    if results_file is not None:
        write_atomically(results_file, record_json(record, made))
    with watch.step("pdf", "writing the PDF"):
        pdf = record_pdf(record, made, paper=paper)
    write_atomically(output, pdf)
    click.echo(f"{output}: software verification record of this installation")
    context.exit(DONE if record.agrees else DIFFERS)


@cli.command()
@click.argument("folder", type=click.Path(path_type=Path))
@click.option(
    "--workers",
    type=click.IntRange(min=1),
    default=None,
    help="Number of processes for the evaluation; default: one per processor.",
)
@click.option(
    "--cluster", metavar="ADDRESS", help="Evaluate on the workers of the Dask scheduler at this address."
)
@click.option(
    "--output",
    type=click.Path(path_type=Path),
    help="Write the results to this folder, keeping the path of each study; default: next to each study.",
)
@click.option(
    "--summary",
    "summary_file",
    type=click.Path(path_type=Path),
    help=(
        "Write a summary of all studies and the comparison of versions to this file (.csv, .xlsx or .html)."
    ),
)
@click.option("--report", "with_dossier", is_flag=True, help="Also write the dossier of each study.")
@_require
@_always_succeed
@click.pass_context
def batch(
    context: click.Context,
    folder: Path,
    workers: int | None,
    cluster: str | None,
    output: Path | None,
    summary_file: Path | None,
    with_dossier: bool,
    require: str | None,
    always_succeed: bool,
) -> None:
    """Evaluate all studies in FOLDER; unchanged studies are not recomputed.

    Exit status: 2 if a study could not be read (the others are evaluated), otherwise 1 if a verdict is
    'not fit' or 'not demonstrated', or a study is a draft.
    """
    from validator.batch import check_summary, find_studies, run_batch, write_summary

    places = find_studies(folder, output, with_dossier=with_dossier)
    if summary_file is not None:
        check_summary(summary_file, places)
    running = run_batch(places, workers=workers or _processors(), cluster=cluster)
    rows = sorted(_with_progress(running, len(places)), key=lambda row: row.path.split("/"))
    for row in rows:
        click.echo(f"{row.path}: {row.problem or row.verdict}")
    for file in write_summary(summary_file, rows) if summary_file is not None else ():
        click.echo(f"{file}: summary")
    unread = sum(bool(row.problem) for row in rows)
    reused = sum(row.reused for row in rows)
    click.echo(f"studies: {len(rows)}; unchanged: {reused}; not readable: {unread}")
    verdicts = [row.verdict for row in rows if not row.problem]
    context.exit(UNUSABLE_INPUT if unread else _status(verdicts, require, always_succeed))


def _with_progress(rows: Iterator[StudyRow], count: int) -> list[StudyRow]:
    if not sys.stderr.isatty():
        return list(rows)
    with click.progressbar(rows, length=count, label="studies", file=sys.stderr) as progress:
        return list(progress)


def _now() -> dt.datetime:
    # the one clock of the project; SOURCE_DATE_EPOCH stops it where the same bytes are wanted
    stopped = os.environ.get("SOURCE_DATE_EPOCH", "")
    if stopped.isdecimal():
        return dt.datetime.fromtimestamp(int(stopped), tz=dt.UTC)
    return dt.datetime.now(tz=dt.UTC)


def _folder_of(study: Path) -> Path:
    return study if study.is_dir() else study.parent


def _read(
    path: Path,
    watch: Stopwatch,
    outputs: Sequence[Path | None] = (),
    inputs: Sequence[Path] = (),
    endings: Sequence[str] = (),
) -> Study:
    """The study at *path*; refused if *outputs* would overwrite its files, other *inputs* or each other.

    So are outputs whose names do not have the *endings* of what is written.
    """
    from validator.evaluation.inputs import files_of
    from validator.reading import read_study

    check_outputs(outputs, inputs)  # found before minutes of work are lost, not after
    with watch.step("read", "reading the study"):
        study = read_study(path)
    check_outputs(outputs, files_of(study))
    for output, ending in zip(outputs, endings, strict=False):
        check_ending(output, ending)
    return study


def _results_of(
    path: Path,
    watch: Stopwatch,
    outputs: Sequence[Path | None] = (),
    inputs: Sequence[Path] = (),
    endings: Sequence[str] = (),
) -> tuple[Study, Results]:
    study = _read(path, watch, outputs, inputs, endings)

    from validator.assessment import assess
    from validator.evaluation import evaluate as evaluate_study

    with watch.step("evaluate", "computing"):
        results = evaluate_study(study)
    with watch.step("assess", "judging"):
        results = assess(study, results)
    return study, results


def _make_folder(folder: Path) -> None:
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise OutputProblem(f"{folder}: cannot be created ({error.strerror or error})") from error


def _processors() -> int:
    return len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else os.cpu_count() or 1


def _refuse_filled_folder(folder: Path) -> None:
    # tables that were filled in must never be overwritten with empty ones
    if folder.exists() and (not folder.is_dir() or any(folder.iterdir())):
        raise OutputProblem(f"{folder}: already exists and is not an empty folder; specify a new folder")


def _tables(folder: Path, protocol: Protocol, record_name: str) -> dict[Path, bytes | str]:
    from validator.planning import data_tables, to_workbook

    tables = data_tables(protocol.study)
    files: dict[Path, bytes | str] = {folder / f"{table.block}.csv": table.to_csv() for table in tables}
    workbook = to_workbook(protocol.study, tables)
    if workbook is not None:
        files[folder / "tables.xlsx"] = workbook
    return {**files, folder / record_name: protocol.record.to_json()}


def _write_results(path: Path, results: Results) -> None:
    from validator.evaluation.serialise import to_json

    write_atomically(path, to_json(results))


def _word(results: Results) -> str:
    """The verdict; empty for a draft, which has none."""
    assessment = results.assessment
    return "" if assessment is None or assessment.draft else assessment.verdict


def _status(verdicts: Sequence[str], require: str | None, always_succeed: bool) -> int:
    accepted = FIT_WORDS[require] if require else (*FIT_WORDS["conditions"], "not assessed")
    return DONE if always_succeed or all(word in accepted for word in verdicts) else NOT_FIT


def _width() -> int:
    """Columns of the terminal; without one, enough for every table."""
    from validator.dossier.console import WIDE

    return shutil.get_terminal_size().columns if sys.stdout.isatty() else WIDE


def main(arguments: Sequence[str] | None = None) -> int:
    """Run one command and return its exit status; foreseen errors become a sentence on stderr."""
    try:
        result = cli.main(args=arguments, prog_name="validator", standalone_mode=False)
    except click.exceptions.Exit as error:
        return int(error.exit_code)
    except SystemExit:  # the command-line library's answer to a closed pipe, which would read "not fit"
        return CLOSED
    except click.ClickException as error:
        error.show()
        return UNUSABLE_INPUT
    except click.Abort:
        click.echo("stopped", err=True)
        return UNUSABLE_INPUT
    except StudyError as error:
        click.echo(str(error), err=True)
        count = len(error.problems)
        click.echo(f"{count} problem{'s' if count != 1 else ''} found; nothing was written.", err=True)
        return UNUSABLE_INPUT
    except EnvironmentProblem as error:
        click.echo(str(error), err=True)
        return ENVIRONMENT
    except (GuidanceError, OutputProblem, ValidatorError) as error:
        click.echo(str(error), err=True)
        return UNUSABLE_INPUT
    return int(result) if isinstance(result, int) else DONE


def entry_point() -> None:
    """The ``validator`` script."""
    # classes, schemas and profiles made at the start live to the end: going through them is for nothing
    gc.set_threshold(SELDOM_COLLECTED)
    show_what_can_be_shown()
    try:
        status = main()
    except Exception as error:
        # not left to the interpreter: it would print a traceback and exit with 1, which says "not fit"
        logger.info("unforeseen", exc_info=True)
        what = f"{type(error).__name__}: {error}"
        click.echo(f"unexpected error: {what}\nThis is a defect in validator. {REPORT_IT}", err=True)
        status = DEFECT
    if "weasyprint" not in sys.modules:  # which removes its temporary folder when it is collected
        gc.freeze()  # all of it ends here: the interpreter need not go through it once more
    sys.exit(status)
