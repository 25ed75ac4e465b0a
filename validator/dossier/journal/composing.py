"""Judged results to the section of a manuscript: methods, results, figures of merit, reservations."""

from __future__ import annotations

from typing import TYPE_CHECKING

from validator.dossier.document import Block, BulletList, Document, Paragraph, Section
from validator.dossier.journal.merit import merit_tables
from validator.dossier.journal.methods import methods
from validator.dossier.journal.results import results_found
from validator.dossier.sections.context import Context
from validator.dossier.wording import wording

if TYPE_CHECKING:
    from collections.abc import Sequence

    from validator.dossier.document import Figure
    from validator.evaluation.results import Results
    from validator.study import Study


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
    return (Paragraph(say("journal.reservations_lead")), BulletList(items))
