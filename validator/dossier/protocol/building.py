"""A protocol as document, as PDF with its tables, and as a table on the terminal."""

from __future__ import annotations

import datetime as dt
from typing import TYPE_CHECKING

from validator import numbers
from validator.dossier.console import aligned
from validator.dossier.document import Block, Document, KeyFacts
from validator.dossier.inline import plain
from validator.dossier.pdf import Attachment, write_pdf
from validator.dossier.protocol.sections import Parts, criteria, design, expected, percent, share
from validator.dossier.protocol.work import order, record, smallest
from validator.dossier.sections.context import Context, percent_level, row
from validator.dossier.sections.purpose import purpose
from validator.dossier.sections.summary import signatures
from validator.dossier.wording import Col, Mid, table_of, wording
from validator.evaluation.chosen_guidance import profiles_of

if TYPE_CHECKING:
    from validator.dossier.document import Row
    from validator.dossier.inline import Content
    from validator.planning import Prediction, Protocol


def build_protocol(protocol: Protocol, *, language: str = "en") -> Document:
    """The document of *protocol*."""
    context = Context(protocol.study, protocol.results, wording(language))
    parts = Parts(protocol, context)
    say, identity = context.say, protocol.study.study
    return Document(
        title=identity.title,
        identifier=identity.id or protocol.study.folder.resolve().name,
        version=identity.version or "",
        kind=say.text("planning.kind"),
        language=language,
        key_facts=_key_facts(parts),
        summary=_summary(parts),
        sections=(
            purpose(context),
            criteria(parts),
            design(parts),
            expected(parts),
            smallest(parts),
            order(parts),
            record(parts),
        ),
        authors=tuple(person.name for person in identity.people if person.role == "prepared"),
        keywords=(say.text("dossier.keyword"), *(one.name for one in protocol.study.method.analytes)),
        subject=say.text("planning.subject", use=identity.intended_use or ""),
        date=identity.period.start.isoformat() if identity.period else "",
    )


def _key_facts(parts: Parts) -> KeyFacts:
    say, study = parts.say, parts.protocol.study
    optional: tuple[tuple[str, str | None], ...] = (
        ("matrix", study.study.matrix),
        ("method", study.method.title),
        ("configuration", parts.context.configuration_name(study.validated_configuration)),
        ("laboratory", study.study.laboratory),
        ("guidance", ", ".join(one.short_title for one in profiles_of(study))),
    )
    facts: list[tuple[str, Content]] = [
        (say.text("summary.analytes"), ", ".join(one.name for one in study.method.analytes))
    ]
    facts.extend((say.text(f"summary.{name}"), value) for name, value in optional if value)
    facts.append(
        (
            say.text("planning.facts.probability"),
            percent_level(parts.protocol.plan.probability),
        )
    )
    return KeyFacts(tuple(facts))


def _summary(parts: Parts) -> tuple[Block, ...]:
    say = parts.say
    simulations = max(one.simulations for one in parts.protocol.predictions)
    return (
        say.paragraph("planning.lead", count=simulations, role="lead"),
        table_of(
            say,
            "planning.overview.caption",
            (_overview(parts, one) for one in parts.protocol.predictions),
            Col("analyte", width=12),
            Mid("preparations", width=13),
            Col("all", width=19),
            Col("least"),
            Col("smallest", width=24),
            id="overview",
            note=say("planning.overview.note"),
            size="normal",
        ),
        say.paragraph("planning.record.hash", sha256=parts.protocol.record.sha256),
        say.paragraph("planning.responsibility", role="small"),
        signatures(parts.context),
    )


def _overview(parts: Parts, prediction: Prediction) -> Row:
    validated = parts.protocol.study.validated_configuration
    preparations = sum(
        one.analyte == prediction.analyte and one.configuration == validated
        for run in parts.protocol.runs
        for one in run.parts
    )
    return row(
        parts.analyte(prediction.analyte).name,
        numbers.count(preparations),
        numbers.MISSING if prediction.all_met is None else percent(prediction.all_met),
        _least(parts, prediction),
        _reach(parts, prediction),
    )


def _least(parts: Parts, prediction: Prediction) -> Content:
    if not prediction.chances:
        return parts.say("planning.overview.nothing")
    chance = min(prediction.chances, key=lambda one: one.meets)
    at = parts.at(chance, prediction.analyte)
    return f"{parts.criterion(chance)}, {at}: {percent(chance.probability)}"


def _reach(parts: Parts, prediction: Prediction) -> Content:
    if prediction.smallest is None:
        return numbers.MISSING
    probability = percent_level(parts.protocol.plan.probability)
    missed = len(prediction.smallest.out_of_reach)
    if missed == 1:
        return parts.say("planning.overview.one_not_reached", probability=probability)
    if missed:
        return parts.say("planning.overview.not_reached", count=missed, probability=probability)
    return parts.say("planning.overview.reached", probability=probability)


def chances_table(protocol: Protocol, *, language: str = "en") -> str:
    """Every criterion in a line with the shares met, inconclusive and not met; then all of them together."""
    parts = Parts(protocol, Context(protocol.study, protocol.results, wording(language)))
    say = parts.say
    lines: list[str] = []
    for prediction in protocol.predictions:
        lines.append(parts.analyte(prediction.analyte).name)
        rows = [
            (
                parts.criterion(one),
                parts.at(one, prediction.analyte),
                f"{say.text('planning.expected.meets').lower()} {share(one.meets, one.n)}",
                f"{say.text('planning.expected.open').lower()} {share(one.open + one.unanswered, one.n)}",
                f"{say.text('planning.expected.fails').lower()} {share(one.fails, one.n)}",
            )
            for one in prediction.chances
        ]
        lines.extend(f"  {line}" for line in aligned(rows))
        if prediction.all_met is not None:
            lines.append(
                f"  {say.text('planning.expected.all_met', probability=percent(prediction.all_met))}"
            )
        else:
            lines.append(f"  {plain(say('planning.overview.nothing'))}")
    return "\n".join(lines).replace("\N{SOFT HYPHEN}", "")


RECORD_FILE = "plan.json"
"""Name of the record of a plan, in the protocol and beside the data-entry tables."""


def protocol_pdf(page: str, protocol: Protocol) -> bytes:
    """The protocol as PDF with the record of the plan attached.

    Raises:
        EnvironmentProblem: the PDF engine cannot be loaded.
    """
    record = Attachment(
        name=RECORD_FILE,
        content=protocol.record.to_json().encode("utf-8"),
        mime_type="application/json",
        relationship="Source",
        description="record of the plan: what its hash fixes",
    )
    period = protocol.study.study.period
    date = dt.datetime.combine(period.start, dt.time(), tzinfo=dt.UTC) if period else None
    return write_pdf(page, attachments=[record], date=date)
