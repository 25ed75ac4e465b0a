"""Study and judged results to the document model of the dossier."""

from __future__ import annotations

from typing import TYPE_CHECKING

from validator.dossier.document import Document
from validator.dossier.sections.appendices import appendices
from validator.dossier.sections.composing import composed
from validator.dossier.sections.context import Context
from validator.dossier.sections.repetition import notes_once
from validator.dossier.sections.summary import key_facts, summary
from validator.dossier.wording import wording
from validator.errors import OutputProblem
from validator.evaluation.size import number_of_runs

if TYPE_CHECKING:
    from validator.evaluation.results import Results
    from validator.study import Study

MOST_PRINTED = 20_000
"""Runs that make some two hundred pages."""


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
    composed_of, in_full = composed(context)
    sections = [notes_once(context, section) for section in (*composed_of, *in_full, *appendices(context))]
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
