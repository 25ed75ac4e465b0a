"""Study and judged results to the document of the dossier, and to a PDF that carries its sources."""

from __future__ import annotations

import datetime as dt
import hashlib
import mimetypes
from typing import TYPE_CHECKING

from msgspec.structs import replace

from validator.dossier.document import Block, Document, Section, Table
from validator.dossier.html import Paper, render_html
from validator.dossier.inline import Reference, plain
from validator.dossier.pdf import Attachment, Relationship, write_pdf
from validator.dossier.sections.appendices import appendices
from validator.dossier.sections.by_analyte import by_analyte, overview
from validator.dossier.sections.context import Context
from validator.dossier.sections.order import BEFORE_THE_MATRIX, BY_ANALYTE, CORE, SECTIONS
from validator.dossier.sections.summary import key_facts, summary
from validator.dossier.wording import wording
from validator.errors import OutputProblem
from validator.evaluation.inputs import number_of_runs
from validator.evaluation.serialise import to_json

if TYPE_CHECKING:
    from validator.evaluation.results import InputRecord, Results
    from validator.study import Study


MOST_PRINTED = 20_000
"""Runs that make some two hundred pages."""
SHORT_NOTE = 60
"""Characters of a note that costs no more than the reference to it."""


def build_document(study: Study, results: Results, *, language: str = "en") -> Document:
    """The dossier of *study*; *results* must carry an assessment.

    Raises:
        OutputProblem: the study holds more runs than can be printed one by one.
    """
    count = number_of_runs(study)
    if count > MOST_PRINTED:
        raise OutputProblem(
            f"the dossier lists every run; {count} runs exceed the maximum of {MOST_PRINTED}. "
            "Average repeated readings, or write the results only (evaluate --results)"
        )
    context = Context(study, results, wording(language))
    composed_of, in_full = _composed(context)
    sections = [_notes_once(context, section) for section in (*composed_of, *in_full, *appendices(context))]
    identity = study.study
    period = identity.period
    return Document(
        title=identity.title,
        identifier=identity.id or study.folder.resolve().name,
        version=identity.version or "",
        draft=context.say.text("dossier.draft") if context.assessment.draft else "",
        kind=context.say.text("dossier.kind"),
        language=language,
        key_facts=key_facts(context),
        summary=summary(context),
        sections=tuple(sections),
        authors=tuple(person.name for person in identity.people if person.role == "prepared"),
        keywords=(context.say.text("dossier.keyword"), *(one.name for one in study.method.analytes)),
        subject=context.say.text("dossier.subject", use=identity.intended_use or ""),
        date=period.end.isoformat() if period else "",
    )


def _composed(context: Context) -> tuple[tuple[Section, ...], tuple[Section, ...]]:
    """The sections in order, and the appendices that belong to them."""
    built = {section: found for section in SECTIONS if (found := section(context)) is not None}
    context.sections_present.extend(built.values())
    if not context.is_compact:
        context.sections_printed.extend(built.values())
        return tuple(built.values()), ()
    turned, in_full = by_analyte(
        context,
        [found for section, found in built.items() if section in CORE],
        [found for section, found in built.items() if section in BY_ANALYTE],
    )
    before = [found for section, found in built.items() if section in BEFORE_THE_MATRIX]
    turned_over = (*BEFORE_THE_MATRIX, *CORE, *BY_ANALYTE)
    after = [found for section, found in built.items() if section not in turned_over]
    printed = (*before, overview(context), turned, *after)
    context.sections_printed.extend(printed)
    return printed, (in_full,)


def _notes_once(context: Context, section: Section) -> Section:
    """*section* with each table's note given at the first table that carries it."""
    return _walked(context, section, {})


def _walked(context: Context, section: Section, seen: dict[str, str]) -> Section:
    blocks: list[Block | Section] = []
    for block in section.blocks:
        match block:
            case Section():
                blocks.append(_walked(context, block, seen))
            case Table():
                blocks.append(_noted(context, block, seen))
            case _:
                blocks.append(block)
    return replace(section, blocks=tuple(blocks))


def _noted(context: Context, table: Table, seen: dict[str, str]) -> Table:
    note = plain(table.note)
    if len(note) <= SHORT_NOTE or seen.setdefault(note, table.id) == table.id:
        return table
    return replace(table, note=context.say("common.as_under", table=Reference(seen[note])))


RESULTS_FILE = "results.json"
"""Name under which a dossier carries its results."""

_MIME_TYPES = {".yaml": "application/yaml", ".yml": "application/yaml", ".csv": "text/csv"}
_RELATIONSHIPS: dict[str, Relationship] = {"study": "Source", "guidance": "Source"}
_WITHOUT_A_DATE = dt.datetime(2000, 1, 1, tzinfo=dt.UTC)
"""Date in the file's properties where the study states no period: the clock would change the bytes."""


def dossier_pdf(page: str, study: Study, results: Results) -> bytes:
    """The dossier as PDF; all that *results* were computed from is attached, so that it can be recomputed.

    Raises:
        EnvironmentProblem: the PDF engine cannot be loaded.
        OutputProblem: a file of the study has changed since it was read, or takes the name of the results.
    """
    attachments = [_attachment(study, file) for file in results.inputs]
    attachments.append(
        Attachment(
            name=RESULTS_FILE,
            content=to_json(results).encode("utf-8"),
            mime_type="application/json",
            relationship="Data",
            description="results: every figure at full precision",
        )
    )
    return write_pdf(page, attachments=attachments, date=_date(study))


def render(study: Study, results: Results, *, paper: Paper = "a4") -> bytes:
    """The dossier of *study* as PDF, from judged *results* in one call."""
    return dossier_pdf(render_html(build_document(study, results), paper=paper), study, results)


def _attachment(study: Study, file: InputRecord) -> Attachment:
    if file.path == RESULTS_FILE:
        raise OutputProblem(
            f"{file.path}: the dossier attaches its results under this name; give the study's file another"
        )
    return Attachment(
        name=file.path,
        content=_unchanged(study, file),
        mime_type=_mime_type(file.path),
        relationship=_RELATIONSHIPS.get(file.role, "Data"),
        description=f"{file.role}: {file.path}",
    )


def _unchanged(study: Study, file: InputRecord) -> bytes:
    """The bytes of *file*, which must be those that were computed from."""
    try:
        content = (study.folder / file.path).read_bytes()
    except OSError as error:
        raise OutputProblem(f"{file.path}: cannot be attached ({error.strerror or error})") from error
    if hashlib.sha256(content).hexdigest() != file.sha256:
        raise OutputProblem(
            f"{file.path}: changed while the dossier was being written; run the command again"
        )
    return content


def _mime_type(name: str) -> str:
    suffix = f".{name.rpartition('.')[2].lower()}"
    return _MIME_TYPES.get(suffix) or mimetypes.guess_type(name)[0] or "application/octet-stream"


def _date(study: Study) -> dt.datetime:
    period = study.study.period
    if period is None:
        return _WITHOUT_A_DATE
    return dt.datetime.combine(period.end, dt.time(), tzinfo=dt.UTC)
