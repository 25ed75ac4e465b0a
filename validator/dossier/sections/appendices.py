"""Appendices: every datum, formulas with sources, cross-reference, software, inputs, references."""

from __future__ import annotations

import platform
from importlib.metadata import PackageNotFoundError, version
from typing import TYPE_CHECKING

from msgspec.structs import replace

from validator.assessment.guidance_findings import profiles_of
from validator.dossier import numbers
from validator.dossier.document import (
    Block,
    BulletList,
    Column,
    Formula,
    Paragraph,
    Section,
    Table,
    identifier,
)
from validator.dossier.inline import Code, Content, Outcome, OutcomeWord, Reference, pieces
from validator.dossier.sections.context import Context, row
from validator.dossier.sections.data import data
from validator.dossier.sections.formula_list import formulas_used

if TYPE_CHECKING:
    from collections.abc import Iterator

    from validator.guidance import Profile


LIBRARIES = ("numpy", "scipy", "pydantic", "msgspec", "matplotlib", "weasyprint", "jinja2", "PyYAML")


def appendices(context: Context) -> tuple[Section, ...]:
    """Appendices in order; each starts a page."""
    found = (
        data(context),
        _formulas(context),
        _cross_reference(context),
        _software(context),
        _references(context),
    )
    return tuple(section for section in found if section is not None)


# --- formulas ----------------------------------------------------------------------------------------


def _formulas(context: Context) -> Section:
    say = context.say
    blocks: list[Block | Section] = [Paragraph(say("appendices.formulas_lead"))]
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

_ANSWERED_IN = {
    "calibration": ("linearity", "lack_of_fit", "residual_pattern", "working_range", "sensitivity"),
    "limits": ("detection_limit", "quantification_limit"),
    "decision-limits": ("decision_limit", "detection_capability"),
    "precision": ("repeatability", "intermediate_precision", "reproducibility"),
    "trueness": ("trueness", "recovery"),
    "selectivity": ("selectivity", "interference"),
    "matrix": ("matrix_effect",),
    "method-comparison": ("method_comparison",),
    "robustness": ("robustness",),
    "stability": ("stability", "carry_over"),
    "devices": ("device_to_device", "repeated_use"),
    "uncertainty": ("uncertainty",),
    "accuracy-profile": ("accuracy_profile",),
}


def _cross_reference(context: Context) -> Section | None:
    from validator.assessment.rules import rules_for

    say = context.say
    present = {element.id for element in context.sections_present}
    kept = {element.id for element in context.sections_printed}

    def home(section: str) -> str:
        return section if section in kept else "by-analyte"

    blocks: list[Block | Section] = []
    for profile in profiles_of(context.study):
        rows = []
        for rule in rules_for(context.study, profile):
            section = next(
                (
                    name
                    for name, covered in _ANSWERED_IN.items()
                    if rule.characteristic.value in covered and name in present
                ),
                None,
            )
            rows.append(
                row(
                    context.characteristic(rule.characteristic.value),
                    rule.text,
                    rule.clause,
                    Reference(home(section)) if section else numbers.MISSING,
                    Outcome(_outcome(context, rule.characteristic.value)),
                )
            )
        blocks.append(
            Table(
                id=identifier("cross", profile.id),
                caption=say("appendices.cross", title=profile.title, edition=profile.edition),
                columns=(
                    Column(say.text("appendices.characteristic"), width=16),
                    Column(say.text("appendices.rule")),
                    Column(say.text("appendices.clause"), width=12),
                    Column(say.text("appendices.answered"), width=11),
                    Column(say.text("appendices.outcome"), width=15),
                ),
                rows=tuple(rows),
                note=(*pieces(say("appendices.cross_note")), " ", *pieces(_particulars(context, profile))),
                size="small",
            )
        )
    if not blocks:
        return None
    return Section(
        id="cross-reference",
        title=say("appendices.cross_title"),
        blocks=tuple(blocks),
        numbering="appendix",
    )


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


def _outcome(context: Context, characteristic: str) -> OutcomeWord:
    outcomes = [
        *(one.outcome for one in context.assessment.findings if one.characteristic == characteristic),
        *(
            one.outcome
            for one in context.assessment.design
            if one.characteristic == characteristic and not one.recommended
        ),
    ]
    if "does not meet" in outcomes:
        return "does not meet"
    if "inconclusive" in outcomes:
        return "inconclusive"
    return "meets" if "meets" in outcomes else "not assessed"


# --- software and inputs -------------------------------------------------------------------------------


def _software(context: Context) -> Section:
    say, software = context.say, context.results.software
    versions = [row(software.name, software.version), row("Python", platform.python_version())]
    versions.extend(row(name, found) for name in LIBRARIES if (found := _version(name)) is not None)
    return Section(
        id="software",
        title=say("appendices.software"),
        blocks=(
            Paragraph(say("appendices.software_lead")),
            Table(
                id="versions",
                caption=say("appendices.versions"),
                columns=(
                    Column(say.text("appendices.name"), width=40),
                    Column(say.text("appendices.version")),
                ),
                rows=tuple(versions),
                size="small",
            ),
            Table(
                id="inputs",
                caption=say("appendices.inputs"),
                columns=(
                    Column(say.text("appendices.file"), width=26),
                    Column(say.text("appendices.role"), width=12),
                    Column("SHA-256"),
                ),
                rows=tuple(row(one.path, one.role, Code(one.sha256)) for one in context.results.inputs),
                note="; ".join(
                    f"{one.path}: {remark}" for one in context.results.inputs for remark in one.remarks or ()
                ),
                size="small",
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
    lead = Paragraph(say("appendices.references_lead" if items else "appendices.no_references"))
    marks = Paragraph(say("common.source_marks"))
    return Section(
        id="references",
        title=say("appendices.references"),
        blocks=(lead, BulletList(tuple(items), numbered=True), marks) if items else (lead, marks),
        numbering="appendix",
    )
