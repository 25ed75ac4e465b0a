"""Study and judged results to the document model of the dossier."""

from __future__ import annotations

from typing import TYPE_CHECKING

from msgspec.structs import replace

from validator.dossier.document import Block, Document, Section, Table
from validator.dossier.inline import Reference, plain
from validator.dossier.sections.appendices import appendices
from validator.dossier.sections.by_analyte import by_analyte, overview
from validator.dossier.sections.context import Context
from validator.dossier.sections.order import BEFORE_THE_MATRIX, BY_ANALYTE, CORE, SECTIONS
from validator.dossier.sections.summary import key_facts, summary
from validator.dossier.wording import wording
from validator.errors import OutputProblem
from validator.evaluation.size import number_of_runs

if TYPE_CHECKING:
    from validator.evaluation.results import Results
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
