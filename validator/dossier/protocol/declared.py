"""What is declared beforehand: criteria, choices of data treatment, the design."""

from __future__ import annotations

from typing import TYPE_CHECKING

from validator.assessment.design import demands
from validator.dossier import numbers
from validator.dossier.document import Block, Paragraph, Section, Table
from validator.dossier.inline import Outcome, Text
from validator.dossier.protocol.parts import variant_title
from validator.dossier.sections.context import percent_level, row
from validator.dossier.wording import Col, Mid, table_of
from validator.sources import has_marks
from validator.study.models.plan import PLANNED_BLOCKS

if TYPE_CHECKING:
    from collections.abc import Iterator

    from validator.dossier.document import Row
    from validator.dossier.protocol.parts import Parts
    from validator.evaluation.results import DesignFinding
    from validator.study.models.plan import PlannedBlock


UNBROKEN = "\N{WORD JOINER}"
"""Keeps a unit in one line where levels are listed."""

_CHOICES = (
    *("confidence", "errors", "model", "weighting", "replicates"),
    *("detection_limit", "quantification_limit", "rule"),
)


def criteria(parts: Parts) -> Section:
    """The criteria with their sources, and the choices that decide how they are judged."""
    say = parts.say
    blocks: list[Block | Section] = [
        Paragraph(say(f"decision.lead.{parts.protocol.study.analysis.decision_rule}"), role="lead")
    ]
    rows = tuple(_criteria_rows(parts))
    if rows:
        blocks.append(
            table_of(
                say,
                "planning.criteria.caption",
                rows,
                Col("characteristic", width=16),
                Col("of", width=11),
                Col("at", width=24),
                Col("requirement", width=20),
                Col("runs", width=9),
                Col("source"),
                id="criteria",
                note=say("planning.criteria.note"),
            )
        )
    else:
        blocks.append(Paragraph(say("planning.criteria.nothing")))
    blocks.append(_choices(parts))
    sources = [one.cited for one in parts.context.assessment.findings]
    sources += [one.cited for one in parts.protocol.design]
    if has_marks("".join(sources)):
        blocks.append(Paragraph(say("common.source_marks")))
    return Section(id="criteria-declared", title=say("planning.criteria.title"), blocks=tuple(blocks))


def _criteria_rows(parts: Parts) -> Iterator[Row]:
    for prediction in parts.protocol.predictions:
        groups: dict[tuple[str, str, str, bool], list[str]] = {}
        for chance in (*prediction.chances, *prediction.unanswered):
            key = chance.key
            group = (key.characteristic, key.criterion, key.source, chance.is_answered)
            groups.setdefault(group, []).append(parts.at(chance, prediction.analyte))
        for (characteristic, criterion, source, is_answered), at in groups.items():
            yield row(
                parts.context.characteristic(characteristic),
                parts.analyte(prediction.analyte).name,
                "; ".join(at).replace("/", f"/{UNBROKEN}"),
                criterion,
                parts.say.text(f"planning.criteria.{'with' if is_answered else 'without'}_runs"),
                source,
            )


def _choices(parts: Parts) -> Table:
    say = parts.say
    study = parts.protocol.study
    of_analytes = [_choices_of(parts, one.id) for one in study.method.analytes]
    return table_of(
        say,
        "planning.criteria.choices",
        (
            row(say.text(f"planning.criteria.{name}"), *(one[name] for one in of_analytes))
            for name in _CHOICES
        ),
        Col("choice", width=36),
        *(Col(Text(one.name)) for one in study.method.analytes),
        id="choices",
        size="normal",
    )


def _choices_of(parts: Parts, analyte: str) -> dict[str, str]:
    choices = parts.protocol.study.analysis_for(analyte)
    silent = parts.say.text("planning.criteria.not_declared")
    detection, quantification = choices.detection_limit, choices.quantification_limit
    return {
        "confidence": percent_level(choices.confidence),
        "errors": f"{numbers.as_given(choices.alpha)}; {numbers.as_given(choices.beta)}",
        "model": parts.say.text(f"names.model.{choices.calibration.model}"),
        "weighting": numbers.with_powers(choices.calibration.weighting),
        "replicates": numbers.count(choices.calibration.replicates_for_sample),
        "detection_limit": variant_title(detection.variant) if detection else silent,
        "quantification_limit": variant_title(quantification.variant) if quantification else silent,
        "rule": choices.decision_rule,
    }


def design(parts: Parts) -> Section:
    """The planned runs, and what the chosen guidance asks of them."""
    say = parts.say
    blocks: list[Block | Section] = [
        Paragraph(say("planning.design.lead"), role="lead"),
        table_of(
            say,
            "planning.design.caption",
            _planned_rows(parts),
            Col("block", width=14),
            Col("analyte", width=11),
            Col("levels"),
            Mid("series", width=8),
            Mid("replicates", width=12),
            Mid("total", width=8),
            Col("with", width=18),
            id="planned",
        ),
    ]
    blocks.extend(_requirements(parts))
    return Section(id="design", title=say("planning.design.title"), blocks=tuple(blocks))


def _planned_rows(parts: Parts) -> Iterator[Row]:
    study = parts.protocol.study
    for name in PLANNED_BLOCKS:
        for analyte in study.method.analytes:
            plan: PlannedBlock | None = getattr(parts.protocol.plan.for_analyte(analyte.id), name)
            if plan is None:
                continue
            configurations = plan.configurations or (study.validated_configuration,)
            yield row(
                parts.block(name),
                analyte.name,
                _materials(parts, plan, analyte.unit),
                numbers.count(plan.series),
                numbers.count(plan.replicates),
                numbers.count(plan.preparations * len(configurations)),
                parts.devices(configurations),
            )


def _materials(parts: Parts, plan: PlannedBlock, unit: str) -> str:
    say = parts.say
    by_matrix: dict[str | None, list[str]] = {}
    references = []
    for material in plan.materials:
        if material.level is None:
            return say.text("planning.design.blank")
        if material.is_reference:
            references.append(numbers.as_given(material.level))
        else:
            by_matrix.setdefault(material.matrix, []).append(numbers.as_given(material.level))
    texts = [numbers.quantity(", ".join(levels), unit) for levels in list(by_matrix.values())[:1]]
    matrices = [matrix for matrix in by_matrix if matrix is not None]
    if texts and matrices:
        texts = [say.text("planning.design.materials", levels=texts[0], matrices=", ".join(matrices))]
    if references:
        values = numbers.quantity(", ".join(references), unit)
        texts.append(say.text("planning.design.references", values=values))
    return "; ".join(texts)


def _requirements(parts: Parts) -> tuple[Block, ...]:
    say, context = parts.say, parts.context
    asked = demands(parts.protocol.design)
    if not asked:
        return (Paragraph(say("planning.design.none")),)
    held = [one.strictest for one in asked if one.provided is not None]
    other = [context.characteristic(one.characteristic) for one in asked if one.provided is None]
    short = [one.strictest.requirement for one in asked if one.is_short]
    blocks: list[Block] = []
    if held:
        sentence = (
            say("planning.design.short", names="; ".join(dict.fromkeys(short)))
            if short
            else say("planning.design.sufficient")
        )
        blocks += [Paragraph(sentence), _requirements_table(parts, held)]
    if other:
        blocks.append(
            Paragraph(say("planning.design.not_planned", names=", ".join(dict.fromkeys(other)).lower()))
        )
    return tuple(blocks)


def _requirements_table(parts: Parts, found: list[DesignFinding]) -> Table:
    say = parts.say
    return table_of(
        say,
        "planning.design.requirements",
        found,
        Col("requirement", lambda one: one.requirement),
        Col("analyte", lambda one: parts.context.analyte_name(one.analyte), width=12),
        Mid("asked", lambda one: numbers.stated(one.required), width=8),
        Mid("planned", lambda one: numbers.stated(one.provided), width=9),
        Col("outcome", lambda one: Outcome(one.outcome), width=15),
        Col("source", lambda one: one.cited, width=28),
        id="requirements",
    )
