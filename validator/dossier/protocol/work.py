"""The smallest design, the run order, and the record of the plan."""

from __future__ import annotations

from typing import TYPE_CHECKING

from validator import numbers
from validator.dossier.document import (
    Block,
    BulletList,
    Paragraph,
    Section,
    Table,
    identifier,
)
from validator.dossier.inline import Code
from validator.dossier.protocol.sections import percent
from validator.dossier.sections.context import percent_level, row
from validator.dossier.wording import Col, Mid, table_of
from validator.planning.carrying import carrying_block
from validator.planning.predicting import MOST_TO_VERIFY
from validator.planning.smallest import MOST
from validator.study.models.plan import PLANNED_BLOCKS

if TYPE_CHECKING:
    from collections.abc import Iterator

    from validator.dossier.document import Row
    from validator.dossier.inline import Content
    from validator.dossier.protocol.sections import Parts
    from validator.planning import PlannedRun
    from validator.planning.carrying import Size
    from validator.planning.preparations import Preparation


def smallest(parts: Parts) -> Section:
    """The smallest design found, block by block, and what it cannot reach."""
    say, plan = parts.say, parts.protocol.plan
    rows = tuple(_size_rows(parts))
    if not rows:
        nothing: tuple[Block, ...] = (say.paragraph("planning.smallest.none"),)
        return Section(id="smallest", title=say("planning.smallest.title"), blocks=nothing)
    blocks: list[Block | Section] = [
        say.paragraph(
            "planning.smallest.lead",
            probability=percent_level(plan.probability),
            count=min(plan.simulations, MOST_TO_VERIFY),
        ),
        table_of(
            say,
            "planning.smallest.caption",
            rows,
            Col("analyte", width=14),
            Col("block", width=16),
            Mid("planned", width=10),
            Mid("smallest", width=13),
            Col("decided_by"),
            id="smallest-design",
            note=say("planning.smallest.note"),
            size="normal",
        ),
    ]
    blocks += [
        say.paragraph(
            "planning.smallest.all_met",
            name=parts.analyte(prediction.analyte).name,
            probability=percent(prediction.smallest.all_met),
        )
        for prediction in parts.protocol.predictions
        if prediction.smallest is not None and prediction.smallest.all_met is not None
    ]
    beyond = tuple(_out_of_reach(parts))
    if beyond:
        blocks += [say.paragraph("planning.smallest.out_of_reach"), BulletList(beyond)]
    return Section(id="smallest", title=say("planning.smallest.title"), blocks=tuple(blocks))


def _size_rows(parts: Parts) -> Iterator[Row]:
    say = parts.say
    for prediction in parts.protocol.predictions:
        if prediction.smallest is None:
            continue
        for one in prediction.smallest.sizes:
            beyond = {carrying_block(lost.chance) for lost in prediction.smallest.out_of_reach}
            key = "see_below" if one.block in beyond else "no_criterion"
            decided = say.text(f"planning.smallest.{key}")
            if one.decided_by is not None:
                at = parts.at(one.decided_by, prediction.analyte)
                decided = f"{parts.criterion(one.decided_by)}, {at}"
            yield row(
                parts.analyte(prediction.analyte).name,
                parts.block(one.block),
                _size(parts, one.planned),
                numbers.MISSING if one.smallest is None else _size(parts, one.smallest),
                decided,
            )


def _size(parts: Parts, size: Size) -> str:
    return parts.say.text(
        "planning.smallest.size",
        series=size.series,
        replicates=size.replicates,
    )


def _out_of_reach(parts: Parts) -> Iterator[Content]:
    for prediction in parts.protocol.predictions:
        for one in prediction.smallest.out_of_reach if prediction.smallest else ():
            yield parts.say(
                f"planning.smallest.cause.{one.cause}",
                name=parts.criterion(one.chance),
                of=parts.analyte(prediction.analyte).name,
                at=parts.at(one.chance, prediction.analyte),
                probability=percent(one.chance.probability),
                most=MOST,
                size=_size(parts, one.largest) if one.largest else numbers.MISSING,
                reason=one.chance.reason or "",
                needs=one.chance.needs or numbers.MISSING,
            )


def order(parts: Parts) -> Section:
    """Every measurement in its order, block by block."""
    say = parts.say
    blocks: list[Block | Section] = [
        say.paragraph("planning.order.lead", seed=str(parts.protocol.study.analysis.seed))
    ]
    for name in PLANNED_BLOCKS:
        runs = [run for run in parts.protocol.runs if run.block == name]
        if runs:
            blocks.append(_order_table(parts, name, runs))
    blocks.append(say.paragraph("planning.order.tables"))
    return Section(id="order", title=say("planning.order.title"), blocks=tuple(blocks), new_page=True)


def _order_table(parts: Parts, block: str, runs: list[PlannedRun]) -> Table:
    say, several = parts.say, parts.context.has_several_configurations
    return table_of(
        say,
        "planning.order.caption",
        runs,
        Mid("place", lambda run: numbers.count(run.order), width=9),
        Col("series", lambda run: run.series, width=9),
        Col("sample", lambda run: run.sample, width=13),
        *(
            [Col("with", lambda run: parts.context.configuration_name(run.configuration), width=22)]
            if several
            else []
        ),
        Col("contents", lambda run: _contents(parts, run)),
        id=identifier("order", block),
        block=parts.block(block),
    )


def _contents(parts: Parts, run: PlannedRun) -> str:
    text = "; ".join(_content(parts, one) for one in run.parts)
    matrix = run.parts[0].material.matrix
    return text if matrix is None else f"{text} {parts.say.text('planning.order.in_matrix', matrix=matrix)}"


def _content(parts: Parts, one: Preparation) -> str:
    analyte, material = parts.analyte(one.analyte), one.material
    if material.level is None:
        return parts.say.text("planning.order.blank", name=analyte.name)
    key = "reference" if material.is_reference else "part"
    level = numbers.as_given(material.level, analyte.unit)
    return parts.say.text(f"planning.order.{key}", name=analyte.name, level=level)


def record(parts: Parts) -> Section:
    """The hash of the plan and the text that is hashed."""
    say, made_by = parts.say, parts.protocol.results.software
    return Section(
        id="record",
        title=say("planning.record.title"),
        blocks=(
            say.paragraph("planning.record.lead"),
            say.paragraph("planning.record.hash", sha256=parts.protocol.record.sha256),
            say.paragraph(
                "planning.record.software",
                name=made_by.name,
                version=made_by.version,
                numpy=made_by.numpy,
                scipy=made_by.scipy,
                seed=str(parts.protocol.study.analysis.seed),
            ),
            say.paragraph("planning.record.content"),
            Paragraph(Code(parts.protocol.record.text), role="small"),
        ),
        numbering="appendix",
    )
