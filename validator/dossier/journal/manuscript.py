"""From judged results to a manuscript's section, in the format that the file's ending names."""

from __future__ import annotations

import os
from pathlib import Path
from typing import TYPE_CHECKING

from msgspec import Struct, field

from validator.dossier.document import Block, BulletList, Document, Section
from validator.dossier.journal.drawing import draw_figures
from validator.dossier.journal.latex import to_latex
from validator.dossier.journal.markdown import to_markdown
from validator.dossier.journal.merit import merit_tables
from validator.dossier.journal.methods import methods
from validator.dossier.journal.results import results_found
from validator.dossier.journal.word import to_word
from validator.dossier.sections.context import Context
from validator.dossier.wording import wording
from validator.errors import OutputProblem

if TYPE_CHECKING:
    from collections.abc import Sequence

    from validator.dossier.document import Figure
    from validator.dossier.journal.drawing import JournalFigure
    from validator.evaluation.results import Results
    from validator.study import Study


ENDINGS = (".md", ".tex", ".docx")
_UNSAFE_IN_LATEX = set("%#{}\\~^$&\"'`")


class Manuscript(Struct, frozen=True):
    """The section and its figures: content by path, nothing written yet."""

    text: str | bytes
    figures: dict[Path, str | bytes] = field(default_factory=dict)


def check_target(
    target: Path | None, figures_folder: Path | None = None, *, standalone: bool = False
) -> None:
    """Refuse what could not be written, before anything is computed.

    Raises:
        OutputProblem: the ending of *target* is none of :data:`ENDINGS`, *standalone* is asked of another
            than LaTeX, or *figures_folder* is a file.
    """
    ending = ".md" if target is None else target.suffix.lower()
    if ending not in ENDINGS:
        raise OutputProblem(f"{target}: unknown extension; use {', '.join(ENDINGS)}")
    if standalone and ending != ".tex":
        raise OutputProblem("--standalone requires --to FILE.tex")
    if figures_folder is not None and figures_folder.exists() and not figures_folder.is_dir():
        raise OutputProblem(f"{figures_folder}: not a folder; --figures requires a folder")


def manuscript(
    study: Study,
    results: Results,
    target: Path | None = None,
    figures_folder: Path | None = None,
    *,
    standalone: bool = False,
    language: str = "en",
) -> Manuscript:
    """The section on *study*.

    Args:
        study: what was measured.
        results: judged results.
        target: the file it is for; its ending names the format, None is Markdown.
        figures_folder: where the figures are to lie; None draws none.
        standalone: with LaTeX, a whole article.
        language: of the wording.

    Raises:
        EnvironmentProblem: DOCX is asked for and its library is not installed.
        OutputProblem: LaTeX could not read the path of the figures.
    """
    ending = ".md" if target is None else target.suffix.lower()
    where = "" if figures_folder is None else _from(target, figures_folder)
    if ending == ".tex":
        _refuse_unsafe(where)
    drawn = () if figures_folder is None else draw_figures(study, results, language=language)
    document = journal_document(study, results, figures=[one.figure for one in drawn], language=language)
    files = {} if figures_folder is None else _files(drawn, figures_folder)
    match ending:
        case ".docx":
            return Manuscript(to_word(document, {one.figure.id: one.png for one in drawn}), files)
        case ".tex":
            paths = {one.figure.id: f"{where}/{one.name}.pdf" for one in drawn}
            return Manuscript(to_latex(document, paths, standalone=standalone), files)
        case _:
            paths = {one.figure.id: f"{where}/{one.name}.png" for one in drawn}
            return Manuscript(to_markdown(document, paths), files)


def _files(drawn: tuple[JournalFigure, ...], folder: Path) -> dict[Path, str | bytes]:
    return {folder / name: content for one in drawn for name, content in one.files.items()}


def _from(target: Path | None, folder: Path) -> str:
    """The way from the manuscript to the figures, with forward slashes."""
    start = Path.cwd() if target is None else target.resolve().parent
    try:
        return Path(os.path.relpath(folder.resolve(), start)).as_posix()
    except ValueError:  # another drive
        return folder.resolve().as_posix()


def _refuse_unsafe(path: str) -> None:
    unsafe = sorted(_UNSAFE_IN_LATEX & set(path))
    if unsafe:
        raise OutputProblem(
            f"{path}: LaTeX cannot read a path with {' '.join(unsafe)}; choose another folder"
        )


def journal_document(
    study: Study, results: Results, *, figures: Sequence[Figure] = (), language: str = "en"
) -> Document:
    """The section on validation; *results* must carry an assessment.

    It says what was computed and nothing else; every number is one of *results*, rounded as in the dossier.
    *figures* follow the tables.
    """
    context = Context(study, results, wording(language))
    say, identity = context.say, study.study
    sections = [
        _section("journal-methods", say.text("journal.methods"), methods(context)),
        _section(
            "journal-results",
            say.text("journal.results"),
            (*results_found(context), *merit_tables(context), *figures),
        ),
    ]
    reservations = _reservations(context)
    if reservations:
        sections.append(_section("journal-reservations", say.text("journal.reservations"), reservations))
    return Document(
        title=identity.title,
        identifier=identity.id or "",
        version=identity.version or "",
        kind=say.text("journal.subject"),
        language=language,
        sections=tuple(sections),
        authors=tuple(person.name for person in identity.people if person.role == "prepared"),
        subject=say.text("journal.subject"),
        date=identity.period.end.isoformat() if identity.period else "",
    )


def _section(name: str, title: str, blocks: Sequence[Block | Section]) -> Section:
    return Section(id=name, title=title, blocks=tuple(blocks), numbering="none")


def _reservations(context: Context) -> tuple[Block, ...]:
    """What restricts the claims: open stop and caution caveats, in the words of the dossier."""
    say = context.say
    grave = [caveat for caveat in context.assessment.caveats if caveat.severity != "note"]
    if not grave:
        return ()
    items = tuple(
        say(
            "journal.reservation",
            severity=caveat.severity,
            what=context.caveat_heading((caveat,)),
            because=caveat.because.rstrip("."),
        )
        for caveat in grave
    )
    return (say.paragraph("journal.reservations_lead"), BulletList(items))
