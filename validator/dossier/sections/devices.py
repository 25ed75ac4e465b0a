"""Devices: how far results depend on which one is used, and how long one may be used."""

from __future__ import annotations

from typing import TYPE_CHECKING

from validator import numbers
from validator.dossier.document import Block, Paragraph, Section
from validator.dossier.sections.context import (
    Context,
    Item,
    estimate_text,
    open_caveats,
    percent_level,
    refusals,
    section_of,
    value_text,
)
from validator.dossier.sections.judging import judged
from validator.dossier.sections.matrix import significance_text, t_text
from validator.dossier.sections.pictures_of_comparisons import uses_figure
from validator.dossier.wording import Col, Mid, Num, table_of
from validator.evaluation.results import (
    ConfigurationRecord,
    DeclineRecord,
    DeviceToDeviceRecord,
    EstimateRecord,
    NotAssessed,
    RepeatedUseRecord,
    SignificanceRecord,
)

if TYPE_CHECKING:
    from collections.abc import Sequence

    from validator.dossier.inline import Content


def devices(context: Context) -> Section | None:
    """One subsection for each analyte and configuration with several devices or repeated uses."""
    return section_of(context, "devices", lambda item: item.configuration, _item)


def _item(context: Context, item: Item, found: ConfigurationRecord) -> tuple[Block, ...]:
    blocks: list[Block] = []
    between, used = found.device_to_device, found.repeated_use
    if not isinstance(between, NotAssessed):
        blocks.extend(judged(context, ("device_to_device",), item.cell))
        blocks.extend(_between(context, item, between))
    if not isinstance(used, NotAssessed):
        blocks.extend(judged(context, ("repeated_use",), item.cell))
        blocks.extend(_used(context, item, used))
    if blocks:
        blocks.extend(open_caveats(context, ("device_to_device", "repeated_use"), item.cell))
    return tuple(blocks)


def _between(context: Context, item: Item, records: Sequence[DeviceToDeviceRecord]) -> tuple[Block, ...]:
    say, first = context.say, records[0]
    unit = item.analyte.unit if first.axis == "concentration" else item.analyte.signal_unit
    return (
        say.paragraph(f"devices.from.{first.source.replace(' ', '_')}"),
        table_of(
            say,
            "devices.between",
            records,
            Num("level", lambda record: numbers.as_given(record.level), item.analyte.unit),
            Mid("devices", lambda record: numbers.counts(record.devices, record.n)),
            Num("mean", lambda record: value_text(record.mean), unit),
            Col("spread", lambda record: estimate_text(record.device_rsd), "%"),
            Col("between_rsd", lambda record: estimate_text(record.between_rsd), "%"),
            Col("within_rsd", lambda record: estimate_text(record.within_rsd), "%"),
            Col("total_rsd", lambda record: estimate_text(record.total_rsd), "%"),
            Col("test", lambda record: f_text(record.test)),
            id=item.id("between-table"),
            name=item.name,
            level=percent_level(item.record.confidence),
        ),
        *(
            say.paragraph("devices.confounded", with_=text)
            for text in dict.fromkeys(one.confounded_with for one in records)
            if text
        ),
        *_excluded(context, [(len(one.excluded), one.with_excluded) for one in records]),
    )


def f_text(test: SignificanceRecord | None) -> str:
    """``F = 3.1, ν = 3, 12, p = 0.07``; a dash where there is no test."""
    if test is None:
        return numbers.MISSING
    return significance_text("F", test.statistic, test.df, test.p)


def _excluded(
    context: Context, entries: Sequence[tuple[int, EstimateRecord | NotAssessed | None]]
) -> tuple[Block, ...]:
    return tuple(
        context.say.paragraph("devices.with_excluded", count=count, with_=estimate_text(beside, "%"))
        for count, beside in entries
        if count
    )


def _used(context: Context, item: Item, record: RepeatedUseRecord) -> tuple[Block, ...]:
    say, signal = context.say, item.analyte.signal_unit
    blocks: list[Block] = [
        table_of(
            say,
            "devices.uses",
            record.by_device,
            Col("device", lambda one: one.device, width=26),
            Mid("count", lambda one: numbers.count(len(one.uses))),
            Num("device_mean", lambda one: numbers.significant(one.mean, 4), signal),
            Num("first", lambda one: numbers.significant(one.signals[0], 4), signal),
            Num("last", lambda one: numbers.significant(one.signals[-1], 4), signal),
            Num("rsd", lambda one: numbers.significant(one.rsd, 2), "%"),
            id=item.id("uses-table"),
            name=item.name,
            rsd=estimate_text(record.rsd, "%"),
        )
    ]
    decline = record.decline
    if isinstance(decline, NotAssessed):
        blocks.extend(refusals((say.text("devices.uses", name=item.name), decline)))
    else:
        blocks.extend(Paragraph(text) for text in _decline(context, item, record, decline))
        blocks.extend(uses_figure(context, item, record, decline))
    blocks.extend(_excluded(context, [(len(record.excluded), record.with_excluded)]))
    return tuple(blocks)


def _decline(
    context: Context, item: Item, record: RepeatedUseRecord, decline: DeclineRecord
) -> tuple[Content, ...]:
    say, alpha = context.say, context.study.analysis_for(item.cell.analyte).alpha
    found = [
        say(
            "devices.decline",
            decline=estimate_text(decline.decline_per_use, "%"),
            test=t_text(decline.test),
            method=decline.method,
            last=record.last_use,
            remaining=estimate_text(decline.remaining_percent, "%"),
        ),
        _life(context, decline),
    ]
    if decline.extrapolated:
        found.append(say("devices.extrapolated"))
    if decline.homogeneity is not None and decline.homogeneity.p < alpha:
        found.append(say("devices.unlike", test=f_text(decline.homogeneity)))
    if decline.curvature is not None and decline.curvature.p < alpha:
        found.append(say("devices.bends", test=t_text(decline.curvature)))
    return tuple(found)


def _life(context: Context, decline: DeclineRecord) -> Content:
    say, shown = context.say, numbers.count(decline.shown_uses)
    until = decline.uses_until_loss
    if until is None or until.value is None:
        return say("devices.no_decline", shown=shown)
    by = say.text("devices.by_customary" if decline.loss_by == "customary" else "devices.by_study")
    given = {
        "loss": numbers.as_given(decline.loss_percent),
        "by": by,
        "uses": estimate_text(until),
        "shown": shown,
    }
    if decline.uses_at_least is None:
        return say("devices.life_open", **given)
    return say("devices.life", least=numbers.significant(decline.uses_at_least, 2), **given)
