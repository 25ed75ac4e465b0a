"""Decision limit and detection capability of residue control: one table for all analytes."""

from __future__ import annotations

from typing import TYPE_CHECKING

from validator.dossier import numbers
from validator.dossier.document import Block, Paragraph, Section, Table
from validator.dossier.sections.context import Context, Item, open_caveats, refusals, row
from validator.dossier.sections.judging import judged
from validator.dossier.wording import Col, Num, table_of
from validator.evaluation.results import NotAssessed, ResidueLimitRecord

if TYPE_CHECKING:
    from validator.dossier.document import Row

CHARACTERISTICS = ("decision_limit", "detection_capability")


def decision_limits(context: Context) -> Section | None:
    """What the study asks for, by analyte; why a limit could not be assessed."""
    say = context.say
    rows: list[Row] = []
    told: list[Block] = []
    for item in context.validated_items():
        told.extend(judged(context, CHARACTERISTICS, item.cell))
        refused = []
        for name in CHARACTERISTICS:
            found = getattr(item.configuration, name)
            if isinstance(found, ResidueLimitRecord):
                rows.append(_row(context, item, name, found))
            elif isinstance(found, NotAssessed):
                title = context.characteristic(name)
                refused.append((f"{item.name}: {title}" if context.has_several_analytes else title, found))
        told.extend(refusals(*refused))
        told.extend(open_caveats(context, CHARACTERISTICS, item.cell))
    if not rows and not told:
        return None
    return Section(
        id="decision-limits",
        title=say("decision_limits.title"),
        blocks=(
            Paragraph(say("decision_limits.lead"), role="lead"),
            *((_table(context, rows),) if rows else ()),
            *told,
        ),
    )


def _table(context: Context, rows: list[Row]) -> Table:
    say = context.say
    return table_of(
        say,
        "decision_limits.table",
        rows,
        *((Col("analyte"),) if context.has_several_analytes else ()),
        Col("quantity", width=20),
        Col("base", width=18),
        Num("factor"),
        Num("reproducibility"),
        Num("bias"),
        Num("u"),
        Col("limit"),
        Col("unit"),
        id="decision-limits-table",
        note=say("decision_limits.note"),
    )


def _row(context: Context, item: Item, name: str, record: ResidueLimitRecord) -> Row:
    say = context.say
    quantity = say.text(f"decision_limits.{name}")
    base = say.text(f"decision_limits.{record.base_is}", level=numbers.as_given(record.base))
    lower, upper = record.value.ci or (None, None)
    return row(
        *((item.name,) if context.has_several_analytes else ()),
        quantity,
        base,
        numbers.as_given(record.factor),
        numbers.significant(record.reproducibility_sd, 2),
        numbers.significant((record.bias**2 + record.bias_uncertainty**2) ** 0.5, 2),
        numbers.significant(record.standard_uncertainty, 2),
        numbers.with_interval(record.value.value, lower, upper),
        item.analyte.unit,
    )
