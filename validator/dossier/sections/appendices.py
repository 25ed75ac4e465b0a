"""Appendices: every datum, formulas with sources, cross-reference, software, inputs, references."""

from __future__ import annotations

import platform
import re
from importlib.metadata import PackageNotFoundError, version
from typing import TYPE_CHECKING

from validator.dossier import numbers
from validator.dossier.document import (
    Block,
    BulletList,
    Column,
    Formula,
    Paragraph,
    Row,
    Section,
    Table,
    identifier,
)
from validator.dossier.inline import Code, Content, Outcome, OutcomeWord, Reference
from validator.dossier.sections.context import Context, row
from validator.dossier.sections.design import BLOCKS
from validator.dossier.sections.formula_list import formulas_used

if TYPE_CHECKING:
    from collections.abc import Iterator

    from validator.study.models.runs import Run

COMMON_FIELDS = {
    "analyte", "configuration", "preparation", "excluded", "note", "signals", "signal", "concentrations",
    "concentration", "found", "values", "result", "order", "preparation_id",
}  # fmt: skip
LIBRARIES = ("numpy", "scipy", "pydantic", "matplotlib", "weasyprint", "jinja2", "PyYAML")


def appendices(context: Context) -> tuple[Section, ...]:
    """Appendices in order; each starts a page."""
    found = (
        _data(context),
        _formulas(context),
        _cross_reference(context),
        _software(context),
        _references(context),
    )
    return tuple(section for section in found if section is not None)


# --- data ------------------------------------------------------------------------------------------


def _data(context: Context) -> Section | None:
    say = context.say
    tables = [table for name in BLOCKS if (table := _block(context, name)) is not None]
    if not tables:
        return None
    blocks: list[Block | Section] = [Paragraph(say("appendices.data_lead")), *tables]
    return Section(
        id="data",
        title=say("appendices.data"),
        blocks=tuple(blocks),
        numbering="appendix",
        new_page=True,
    )


def _block(context: Context, name: str) -> Table | None:
    block = getattr(context.study, name)
    runs: tuple[Run, ...] = getattr(block, "runs", ())
    if not runs:
        return None
    say = context.say
    fields = _fields(runs)
    several = len(context.study.analyte_ids) > 1
    configured = len(context.study.configuration_ids) > 1
    columns: list[Column] = []
    if several:
        columns.append(Column(say.text("appendices.analyte")))
    if configured:
        columns.append(Column(say.text("appendices.configuration")))
    columns.extend(
        Column(say.maybe(f"appendices.field.{field}", field.replace("_", " "))) for field in fields
    )
    columns.append(Column(say.text("appendices.readings"), width=40))

    groups: dict[tuple[str, ...], list[Run]] = {}
    for run in runs:
        cells = [context.analyte_name(run.analyte)] if several else []
        cells += [context.configuration_name(run.configuration)] if configured else []
        cells += [_cell(getattr(run, field)) for field in fields]
        groups.setdefault((run.excluded or "", *cells), []).append(run)
    rows = []
    for (cause, *cells), members in groups.items():
        readings = "; ".join(f"{_readings(run)} [{_number(run)}]" for run in members)
        rows.append(Row((*cells, readings), "struck" if cause else "plain"))
        if cause:
            rows.append(Row((say("appendices.cause", cause=cause), *("" for _ in cells)), "group"))
    notes = [say.text("appendices.places", file=runs[0].place.rpartition(" row ")[0] or "study.yaml")]
    if any(run.preparation == "repeated_reading" for run in runs):
        notes.append(say.text("appendices.repeated"))
    return Table(
        id=f"data-{name.replace('_', '-')}",
        caption=say("appendices.block", name=say.text(f"design.block.{name}")),
        columns=tuple(columns),
        rows=tuple(rows),
        note=" ".join(notes),
        size="small",
    )


def _number(run: Run) -> str:
    """Line or row of the file in which the run is written."""
    return re.split(r"[ :]", run.place)[-1]


def _fields(runs: tuple[Run, ...]) -> list[str]:
    return [
        field
        for field in type(runs[0]).model_fields
        if field not in COMMON_FIELDS and any(_has(getattr(run, field)) for run in runs)
    ]


def _has(value: object) -> bool:
    return value not in (None, "", ())


def _cell(value: object) -> str:
    match value:
        case None:
            return numbers.MISSING
        case bool():
            return str(value).lower()
        case float() | int():
            return numbers.as_given(value)
        case tuple():
            return ", ".join(_cell(one) for one in value)
        case _ if hasattr(value, "kind") and hasattr(value, "signal"):
            return f"{value.kind} {numbers.as_given(value.signal)}"
        case _:
            return str(value)


def _readings(run: Run) -> str:
    for name in ("readings", "values"):
        found = getattr(run, name, None)
        if found is not None:
            return ", ".join(_cell(one) for one in found)
    result = getattr(run, "result", None)
    return _cell(result) if result is not None else numbers.MISSING


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
        new_page=True,
    )


def _formula_blocks(formulas: tuple[tuple[Content, Formula], ...]) -> Iterator[Block]:
    for name, formula in formulas:
        yield Paragraph(name)
        yield formula


# --- cross-reference ----------------------------------------------------------------------------------

_ANSWERED_IN = {
    "calibration": ("linearity", "lack_of_fit", "residual_pattern", "working_range", "sensitivity"),
    "limits": ("detection_limit", "quantification_limit"),
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
    from validator.assessment.guidance_findings import profiles_of
    from validator.assessment.rules import rules_for

    say = context.say
    present = {element.id for element in context.sections_present}
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
                    Reference(section) if section else numbers.MISSING,
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
                note=say("appendices.cross_note"),
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
    from validator.assessment.guidance_findings import profiles_of

    for profile in profiles_of(context.study):
        items.setdefault(profile.reference or f"{profile.title}, {profile.edition}")
    for _, formulas in formulas_used(context):
        for _, formula in formulas:
            if formula.source:
                items.setdefault(str(formula.source))
    return Section(
        id="references",
        title=say("appendices.references"),
        blocks=(Paragraph(say("appendices.references_lead")), BulletList(tuple(items), numbered=True)),
        numbering="appendix",
    )
