"""Accuracy profile: where future results keep the error that the use allows for."""

from __future__ import annotations

from typing import TYPE_CHECKING

from validator.dossier import numbers
from validator.dossier.document import Block, Column, NotAssessedList, Paragraph, Section, Table
from validator.dossier.sections.context import (
    Context,
    Item,
    open_caveats,
    percent_level,
    refused,
    row,
)
from validator.dossier.sections.judging import judged
from validator.dossier.sections.pictures_of_uncertainty import profile_figures
from validator.evaluation.results import AccuracyProfileRecord, NotAssessed

if TYPE_CHECKING:
    from validator.dossier.inline import Content
    from validator.evaluation.results import Interval

CHARACTERISTICS = ("accuracy_profile",)


def accuracy_profile(context: Context) -> Section | None:
    """One subsection for each analyte and configuration with a profile."""
    say = context.say
    sections = [
        _item(context, item, record)
        for item in context.items()
        if not isinstance(record := item.configuration.accuracy_profile, NotAssessed)
    ]
    if not sections:
        return None
    return Section(
        id="accuracy-profile",
        title=say("accuracy_profile.title"),
        blocks=(Paragraph(say("accuracy_profile.lead"), role="lead"), *sections),
    )


def _item(context: Context, item: Item, record: AccuracyProfileRecord) -> Section:
    say = context.say
    blocks: list[Block | Section] = [
        Paragraph(
            say(
                "accuracy_profile.done",
                data=say.text(f"accuracy_profile.data.{record.data}"),
                interval=say.text(f"accuracy_profile.{record.decided_by}", share=percent_level(record.beta)),
                acceptance=numbers.quantity(f"±{numbers.as_given(record.acceptance_percent)}", "%"),
            )
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
                    refused(numbers.quantity(numbers.as_given(one.level), item.analyte.unit), one.reason)
                    for one in record.refused
                )
            )
        )
    blocks.extend(open_caveats(context, CHARACTERISTICS, item.cell))
    return Section(id=item.id("accuracy-profile"), title=item.name, blocks=tuple(blocks))


def _table(context: Context, item: Item, record: AccuracyProfileRecord) -> Table:
    say, unit = context.say, item.analyte.unit
    rows = [
        row(
            numbers.as_given(one.level),
            f"{numbers.count(one.n)} / {numbers.count(one.series)}",
            numbers.significant(one.relative_bias_percent, 2),
            numbers.significant(one.intermediate_sd, 2),
            _interval(one.expectation),
            _interval(one.content),
            _risk(one.risk_outside),
            say.text(f"accuracy_profile.{'inside' if one.inside else 'outside'}"),
        )
        for one in record.levels
    ]
    return Table(
        id=item.id("accuracy-table"),
        caption=say("accuracy_profile.table", name=item.name),
        columns=(
            Column(say.text("accuracy_profile.level"), unit=unit, align="decimal"),
            Column(say.text("accuracy_profile.n"), align="centre"),
            Column(say.text("accuracy_profile.bias"), unit="%", align="decimal"),
            Column(say("accuracy_profile.s_i"), unit=unit, align="decimal"),
            Column(say.text("accuracy_profile.expectation", share=percent_level(record.beta)), unit="%"),
            Column(
                say.text(
                    "accuracy_profile.content_head",
                    share=percent_level(record.beta),
                    confidence=percent_level(record.gamma),
                ),
                unit="%",
            ),
            Column(say.text("accuracy_profile.risk"), unit="%", align="decimal"),
            Column(say.text("accuracy_profile.answer"), width=12),
        ),
        rows=tuple(rows),
        note=say("accuracy_profile.note"),
        size="small",
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
        upper=numbers.quantity(numbers.significant(upper), item.analyte.unit),
    )
