"""Appendices: every datum, formulas with sources, cross-reference, software, inputs, references."""

from __future__ import annotations

import platform
from importlib.metadata import PackageNotFoundError, version
from typing import TYPE_CHECKING

from msgspec.structs import replace

from validator import numbers
from validator.characteristics.order import CHARACTERISTICS
from validator.dossier.document import (
    Block,
    BulletList,
    Formula,
    Section,
    identifier,
)
from validator.dossier.inline import Code, Content, Outcome, OutcomeWord, Reference, Text
from validator.dossier.sections.context import Context, remarks_on_files, row
from validator.dossier.sections.data import data
from validator.dossier.sections.every_curve import every_curve
from validator.dossier.sections.formula_list import formulas_used
from validator.dossier.wording import Col, table_of
from validator.evaluation.chosen_guidance import profiles_of

if TYPE_CHECKING:
    from collections.abc import Iterator

    from validator.evaluation.results.assessment import ClauseOutcome
    from validator.guidance import Profile


LIBRARIES = ("numpy", "scipy", "pydantic", "msgspec", "matplotlib", "weasyprint", "jinja2", "PyYAML")


def appendices(context: Context) -> tuple[Section, ...]:
    """Appendices in order; each starts a page."""
    found = (
        data(context),
        every_curve(context),
        _formulas(context),
        _cross_reference(context),
        _software(context),
        _references(context),
    )
    return tuple(section for section in found if section is not None)


# --- formulas ----------------------------------------------------------------------------------------


def _formulas(context: Context) -> Section:
    say = context.say
    blocks: list[Block | Section] = [say.paragraph("appendices.formulas_lead")]
    for title, formulas in formulas_used(context):
        blocks.append(
            Section(
                id=identifier("formulas", title),
                title=title,
                blocks=tuple(_formula_blocks(formulas)),
            )
        )
    return Section(
        id="formulas",
        title=say("appendices.formulas"),
        blocks=tuple(blocks),
        numbering="appendix",
    )


def _formula_blocks(formulas: tuple[tuple[Content, Formula], ...]) -> Iterator[Block]:
    for name, formula in formulas:
        yield replace(formula, name=name)


# --- cross-reference ----------------------------------------------------------------------------------

_MARKS: dict[ClauseOutcome, OutcomeWord] = {
    "met": "meets",
    "not met": "does not meet",
    "inconclusive": "inconclusive",
    "reported": "not applicable",
    "not stated": "not assessed",
    "not studied": "not assessed",
}


def _cross_reference(context: Context) -> Section | None:
    """Where the dossier answers each rule of the chosen documents, by the outcome of that rule."""
    say = context.say
    profiles = {one.name: one for one in profiles_of(context.study)}
    documents = dict.fromkeys(one.document for one in context.assessment.clauses)
    blocks: list[Block | Section] = []
    for at, document in enumerate(documents):
        profile = profiles.get(document)
        blocks.append(
            table_of(
                say,
                "appendices.cross",
                [one for one in context.assessment.clauses if one.document == document],
                Col("clause", lambda one: one.clause, width=15),
                Col("rule", lambda one: one.requirement),
                Col("answer", lambda one: one.answer, width=28),
                Col("outcome", lambda one: Outcome(_MARKS[one.outcome], label=one.outcome), width=15),
                Col("answered", lambda one: _home(context, one.where), width=10),
                id=identifier("cross", str(at)),
                document=document,
                note=_particulars(context, profile) if profile is not None else "",
            )
        )
    if not blocks:
        return None
    return Section(
        id="cross-reference",
        title=say("appendices.cross_title"),
        blocks=(say.paragraph("appendices.cross_note", role="lead"), *blocks),
        numbering="appendix",
    )


def _home(context: Context, characteristic: str) -> Reference | str:
    """The section that answers on *characteristic*; a rule may be about none."""
    section = CHARACTERISTICS[characteristic].section if characteristic else ""
    if section not in {element.id for element in context.sections_present}:
        return numbers.MISSING
    kept = {element.id for element in context.sections_printed}
    return Reference(section if section in kept else "by-analyte")


def _particulars(context: Context, profile: Profile) -> Content:
    """What gives the document its force, how it judges, and whether it still holds."""
    say = context.say
    parts = [
        say.text(f"appendices.binding.{profile.binding}"),
        say.text(f"appendices.judged_by.{profile.judged_by}"),
    ]
    if profile.superseded_by:
        parts.append(say.text("appendices.superseded", successor=profile.superseded_by))
    if profile.valid_until:
        parts.append(say.text("appendices.valid_until", date=profile.valid_until.isoformat()))
    return " ".join(parts)


# --- software and inputs -------------------------------------------------------------------------------


def _software(context: Context) -> Section:
    say, software = context.say, context.results.software
    versions = [row(software.name, software.version), row("Python", platform.python_version())]
    versions.extend(row(name, found) for name in LIBRARIES if (found := _version(name)) is not None)
    return Section(
        id="software",
        title=say("appendices.software"),
        blocks=(
            say.paragraph("appendices.software_lead"),
            table_of(
                say, "appendices.versions", versions, Col("name", width=40), Col("version"), id="versions"
            ),
            table_of(
                say,
                "appendices.inputs",
                context.results.inputs,
                Col("file", lambda one: one.path, width=26),
                Col("role", lambda one: one.role, width=12),
                Col(Text("SHA-256"), lambda one: Code(one.sha256)),
                id="inputs",
                note="; ".join(remarks_on_files(context.results.inputs)),
            ),
        ),
        numbering="appendix",
    )


def _version(name: str) -> str | None:
    try:
        return version(name)
    except PackageNotFoundError:
        return None


def _references(context: Context) -> Section:
    say = context.say
    items: dict[str, None] = dict.fromkeys(context.study.study.references)
    for profile in profiles_of(context.study):
        items.setdefault(profile.reference or f"{profile.title}, {profile.edition}")
    lead = say.paragraph("appendices.references_lead" if items else "appendices.no_references")
    marks = say.paragraph("common.source_marks")
    return Section(
        id="references",
        title=say("appendices.references"),
        blocks=(lead, BulletList(tuple(items), numbered=True), marks) if items else (lead, marks),
        numbering="appendix",
    )
