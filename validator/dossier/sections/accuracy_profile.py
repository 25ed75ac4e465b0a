"""Accuracy profile: where future results keep the error that the use allows for."""

from __future__ import annotations

from typing import TYPE_CHECKING

from validator import numbers
from validator.dossier.document import Block, NotAssessedList, Paragraph, Section, Table
from validator.dossier.sections.context import (
    Context,
    Item,
    open_caveats,
    percent_level,
    refused,
    section_of,
)
from validator.dossier.sections.judging import judged
from validator.dossier.sections.pictures_of_comparisons import profile_figures
from validator.dossier.wording import Col, Mid, Num, table_of

if TYPE_CHECKING:
    from validator.dossier.inline import Content
    from validator.evaluation.results import AccuracyProfileRecord, Interval

CHARACTERISTICS = ("accuracy_profile",)


def accuracy_profile(context: Context) -> Section | None:
    """One subsection for each analyte and configuration with a profile."""
    return section_of(
        context,
        "accuracy_profile",
        lambda item: item.configuration.accuracy_profile,
        _item,
        id="accuracy-profile",
    )


def _item(context: Context, item: Item, record: AccuracyProfileRecord) -> tuple[Block, ...]:
    say = context.say
    blocks: list[Block] = [
        say.paragraph(
            "accuracy_profile.done",
            data=say.text(f"accuracy_profile.data.{record.data}"),
            interval=say.text(f"accuracy_profile.{record.decided_by}", share=percent_level(record.beta)),
            acceptance=numbers.quantity(f"±{numbers.as_given(record.acceptance_percent)}", "%"),
        ),
        *judged(context, CHARACTERISTICS, item.cell),
        _table(context, item, record),
        Paragraph(_range(context, item, record)),
        *profile_figures(context, item, record),
    ]
    if record.refused:
        blocks.append(
            NotAssessedList(
                tuple(
                    refused(numbers.as_given(one.level, item.analyte.unit), one.reason)
                    for one in record.refused
                )
            )
        )
    blocks.extend(open_caveats(context, CHARACTERISTICS, item.cell))
    return tuple(blocks)


def _table(context: Context, item: Item, record: AccuracyProfileRecord) -> Table:
    say, unit = context.say, item.analyte.unit
    return table_of(
        say,
        "accuracy_profile.table",
        record.levels,
        Num("level", lambda one: numbers.as_given(one.level), unit),
        Mid("n", lambda one: numbers.counts(one.n, one.series)),
        Num("bias", lambda one: numbers.significant(one.relative_bias_percent, 2), "%"),
        Num("s_i", lambda one: numbers.significant(one.intermediate_sd, 2), unit),
        Col(
            say("accuracy_profile.expectation", share=percent_level(record.beta)),
            lambda one: _interval(one.expectation),
            "%",
        ),
        Col(
            say(
                "accuracy_profile.content_head",
                share=percent_level(record.beta),
                confidence=percent_level(record.gamma),
            ),
            lambda one: _interval(one.content),
            "%",
        ),
        Num("risk", lambda one: _risk(one.risk_outside), "%"),
        Col(
            "answer",
            lambda one: say.text(f"accuracy_profile.{'inside' if one.inside else 'outside'}"),
            width=12,
        ),
        id=item.id("accuracy-table"),
        name=item.name,
    )


def _interval(interval: Interval) -> str:
    lower, upper = interval
    return numbers.interval(lower, upper)


def _risk(share: float) -> str:
    percent = 100 * share
    return "< 0.1" if percent < 0.1 else numbers.significant(percent, 2)


def _range(context: Context, item: Item, record: AccuracyProfileRecord) -> Content:
    say = context.say
    if record.valid_range is None:
        return say("accuracy_profile.no_range")
    lower, upper = record.valid_range
    key = "range_interrupted" if record.interrupted else "range"
    return say(
        f"accuracy_profile.{key}",
        lower=numbers.significant(lower),
        upper=numbers.significant(upper, unit=item.analyte.unit),
    )
