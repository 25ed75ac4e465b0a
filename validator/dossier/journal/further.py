"""What else was found, a sentence each: matrix, another method, conditions, time, devices, uncertainty."""

from __future__ import annotations

from typing import TYPE_CHECKING

from validator.dossier import numbers
from validator.dossier.sections.context import Context, Item, estimate_text, percent_level
from validator.dossier.sections.pictures import level_label
from validator.evaluation.results import LevelUncertaintyRecord, NotAssessed

if TYPE_CHECKING:
    from collections.abc import Iterator

    from validator.dossier.inline import Content


def further(context: Context, item: Item) -> Iterator[Content]:
    """Sentences on the characteristics that few methods are validated for; none for what is not assessed."""
    yield from _matrix(context, item)
    yield from _additions(context, item)
    yield from _methods(context, item)
    yield from _robustness(context, item)
    yield from _stability(context, item)
    yield from _carry_over(context, item)
    yield from _devices(context, item)
    yield from _uncertainty(context, item)
    yield from _accuracy(context, item)


def _matrix(context: Context, item: Item) -> Iterator[Content]:
    records = item.configuration.matrix_effect
    for record in () if isinstance(records, NotAssessed) else records:
        if not isinstance(record.slope_ratio, NotAssessed):
            ratio = estimate_text(record.slope_ratio)
            yield context.say("journal.found_matrix", matrix=record.matrix, ratio=ratio)


def _additions(context: Context, item: Item) -> Iterator[Content]:
    records = item.configuration.standard_addition
    for record in () if isinstance(records, NotAssessed) else records:
        if not isinstance(record.concentration, NotAssessed):
            content = estimate_text(record.concentration, item.analyte.unit)
            yield context.say("journal.found_addition", sample=record.sample, content=content)


def _methods(context: Context, item: Item) -> Iterator[Content]:
    record = item.configuration.comparison
    if isinstance(record, NotAssessed) or isinstance(record.paired, NotAssessed):
        return
    yield context.say(
        "journal.found_methods",
        n=numbers.count(record.n),
        difference=estimate_text(record.paired.mean_difference, item.analyte.unit),
    )


def _robustness(context: Context, item: Item) -> Iterator[Content]:
    record = item.configuration.robustness
    if isinstance(record, NotAssessed):
        return
    named = {"count": numbers.count(len({effect.factor for effect in record.effects}))}
    named["design"] = context.say.maybe(f"robustness.design.{record.design}", record.design)
    if record.to_control:
        yield context.say("journal.found_robust", names="; ".join(record.to_control), **named)
    elif record.standard_error is not None or record.allowed_percent is not None:
        yield context.say("journal.found_robust_none", **named)


def _stability(context: Context, item: Item) -> Iterator[Content]:
    records = item.configuration.stability
    for record in () if isinstance(records, NotAssessed) else records:
        if not isinstance(record.remaining_percent, NotAssessed):
            yield context.say(
                "journal.found_stability",
                time=numbers.quantity(numbers.as_given(record.last_time), record.time_unit),
                condition=record.condition,
                remaining=estimate_text(record.remaining_percent, "%"),
            )


def _carry_over(context: Context, item: Item) -> Iterator[Content]:
    records = item.configuration.carry_over
    for record in () if isinstance(records, NotAssessed) else records:
        percent = estimate_text(record.percent_of_high, "%", digits=2)
        yield context.say("journal.found_carry_over", percent=percent)


def _devices(context: Context, item: Item) -> Iterator[Content]:
    used = item.configuration.repeated_use
    if not isinstance(used, NotAssessed) and not isinstance(used.rsd, NotAssessed):
        yield context.say(
            "journal.found_uses",
            devices=numbers.count(used.devices),
            n=numbers.count(used.n),
            rsd=estimate_text(used.rsd, "%", digits=2),
        )
    records = item.configuration.device_to_device
    for record in () if isinstance(records, NotAssessed) else records:
        if not isinstance(record.device_rsd, NotAssessed):
            rsd = estimate_text(record.device_rsd, "%", digits=2)
            yield context.say("journal.found_devices", devices=numbers.count(record.devices), rsd=rsd)


def _uncertainty(context: Context, item: Item) -> Iterator[Content]:
    record = item.configuration.uncertainty
    if not isinstance(record, NotAssessed) and record.levels:
        figures = "; ".join(_expanded(context, item, one) for one in record.levels)
        yield context.say("journal.found_uncertainty", figures=figures)


def _expanded(context: Context, item: Item, one: LevelUncertaintyRecord) -> str:
    budget = one.budget
    if budget.expanded_percent is not None:
        figure = numbers.percent(budget.expanded_percent, 2)
    else:
        unit = "%" if budget.relative else item.analyte.unit
        figure = numbers.quantity(numbers.significant(budget.expanded_uncertainty, 2), unit)
    factor = numbers.significant(budget.coverage_factor, 2)
    if one.level is None:
        return context.say.text("journal.uncertainty_anywhere", figure=figure, factor=factor)
    level = level_label(item, one.level)
    return context.say.text("journal.uncertainty_at", figure=figure, level=level, factor=factor)


def _accuracy(context: Context, item: Item) -> Iterator[Content]:
    record = item.configuration.accuracy_profile
    if isinstance(record, NotAssessed):
        return
    named = {
        "accepted": numbers.quantity(numbers.as_given(record.acceptance_percent), "%"),
        "share": percent_level(record.beta),
        "interval": record.decided_by,
    }
    if record.valid_range is None:
        yield context.say("journal.found_no_accuracy", **named)
        return
    lower, upper = record.valid_range
    reach = numbers.quantity(numbers.significant(upper), item.analyte.unit)
    ends = {"lower": numbers.significant(lower), "upper": reach}
    yield context.say("journal.found_accuracy", **named, **ends)
