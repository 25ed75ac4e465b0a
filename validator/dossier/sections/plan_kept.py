"""Whether the study kept to its plan: the hash of the plan, and every difference."""

from __future__ import annotations

from typing import TYPE_CHECKING

from validator.dossier import numbers
from validator.dossier.document import Block, Paragraph, Section
from validator.dossier.sections.context import Context, row
from validator.dossier.wording import Col, table_of

if TYPE_CHECKING:
    from validator.dossier.document import Row
    from validator.evaluation.results import PlanDifference


BREAK = "\N{ZERO WIDTH SPACE}"
"""Where the path of a declaration may go on in the next line."""


def plan_kept(context: Context) -> Section | None:
    """The comparison of the study with its plan; nothing where it has none."""
    plan = context.results.plan
    if plan is None:
        return None
    say = context.say
    verdict = f"planning.kept.{'kept' if plan.kept else 'departed'}"
    basis = "planning.kept.recorded" if plan.recorded else "planning.kept.not_recorded"
    blocks: list[Block | Section] = [
        Paragraph(say(verdict, count=numbers.count(len(plan.differences))), role="lead"),
        Paragraph(say(basis, sha256=plan.sha256)),
    ]
    if plan.differences:
        blocks.append(
            table_of(
                say,
                "planning.kept.caption",
                (_row(context, one) for one in plan.differences),
                Col("subject", width=27),
                Col("of", width=16),
                Col("at", width=14),
                Col("what", width=17),
                Col("planned"),
                Col("done"),
                id="plan-differences",
            )
        )
    blocks.append(Paragraph(say("planning.kept.scope"), role="small"))
    return Section(id="plan-kept", title=say("planning.kept.title"), blocks=tuple(blocks))


def _row(context: Context, one: PlanDifference) -> Row:
    say = context.say
    unit = context.study.analyte(one.analyte).unit if one.analyte else ""
    level = numbers.quantity(numbers.as_given(one.level), unit) if one.level is not None else ""
    return row(
        say.maybe(f"design.block.{one.subject}", one.subject.replace(".", f".{BREAK}")),
        context.title_of(one.analyte, one.configuration) if one.analyte else numbers.MISSING,
        ", ".join(text for text in (level, one.matrix) if text) or numbers.MISSING,
        say.text(f"planning.kept.what_name.{one.what}"),
        _value(context, one.planned),
        _value(context, one.done),
    )


def _value(context: Context, value: int | str | None) -> str:
    if value is None:
        return context.say.text("planning.kept.absent")
    return value if isinstance(value, str) else numbers.count(value)
