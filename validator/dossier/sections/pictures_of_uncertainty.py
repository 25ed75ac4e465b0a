"""Figures of uncertainty budgets and accuracy profiles."""

from __future__ import annotations

from typing import TYPE_CHECKING

from validator.dossier import figures, numbers
from validator.dossier.document import Figure
from validator.dossier.sections.context import Context, Item, percent_level
from validator.dossier.sections.pairing import not_of_many
from validator.dossier.sections.pictures import level_axis

if TYPE_CHECKING:
    from validator.evaluation.results import AccuracyProfileRecord, BudgetRecord

FEW_BARS = 2
"""A budget of fewer rows than this needs no picture."""


@not_of_many
def contribution_figures(
    context: Context, item: Item, budget: BudgetRecord, at: str, name: str
) -> tuple[Figure, ...]:
    """Shares of the variance, largest first."""
    say = context.say
    rows = sorted(budget.contributions, key=lambda one: -(one.share_percent or 0.0))
    if len(rows) < FEW_BARS:
        return ()
    drawn = figures.contribution_figure(
        [one.name for one in rows], [one.share_percent or 0.0 for one in rows], language=say.language
    )
    return (
        Figure(
            id=item.id(name),
            svg=figures.to_svg(drawn),
            caption=say("uncertainty.figure", name=item.name, at=at),
            alternative_text=say.text(
                "uncertainty.figure_alt",
                name=item.name,
                count=numbers.count(len(rows)),
                largest=rows[0].name,
                share=numbers.percent(rows[0].share_percent, 2),
            ),
        ),
    )


@not_of_many
def profile_figures(context: Context, item: Item, record: AccuracyProfileRecord) -> tuple[Figure, ...]:
    """Bias and tolerance interval by level within the acceptance limits; two levels make a profile."""
    say = context.say
    if len(record.levels) < FEW_BARS:
        return ()
    intervals = [
        one.expectation if record.decided_by == "expectation" else one.content for one in record.levels
    ]
    drawn = figures.accuracy_profile_figure(
        [one.level for one in record.levels],
        [one.relative_bias_percent for one in record.levels],
        ([lower or 0.0 for lower, _ in intervals], [upper or 0.0 for _, upper in intervals]),
        acceptance_percent=record.acceptance_percent,
        x=level_axis(context, item),
        valid_range=record.valid_range,
        language=say.language,
    )
    return (
        Figure(
            id=item.id("figure-profile"),
            svg=figures.to_svg(drawn),
            caption=say(
                "accuracy_profile.figure",
                name=item.name,
                interval=say.text(f"accuracy_profile.{record.decided_by}", share=percent_level(record.beta)),
                acceptance=numbers.as_given(record.acceptance_percent),
            ),
            alternative_text=say.text(
                "accuracy_profile.figure_alt",
                name=item.name,
                levels=numbers.count(len(record.levels)),
                inside=numbers.count(sum(one.inside for one in record.levels)),
            ),
        ),
    )
