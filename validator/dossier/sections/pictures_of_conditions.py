"""From records to figures: robustness, time, devices, laboratories, uncertainty."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from validator import numbers
from validator.dossier import figures
from validator.dossier.figures import AxisText
from validator.dossier.sections.context import Context, Item, percent_level
from validator.dossier.sections.pairing import not_of_many, picture
from validator.dossier.sections.pictures import (
    CURVE_POINTS,
    level_axis,
    level_label,
    measured,
    signal_axis,
)
from validator.errors import NotEstimable
from validator.statistics.regression import fit

if TYPE_CHECKING:
    from collections.abc import Sequence

    from validator.dossier.document import Figure
    from validator.dossier.figure_style import Width
    from validator.evaluation.results import (
        AccuracyProfileRecord,
        BudgetRecord,
        DeclineRecord,
        PrecisionRecord,
        RepeatedUseRecord,
        RobustnessRecord,
        StabilityRecord,
    )


@not_of_many
def effects_figure(
    context: Context, item: Item, record: RobustnessRecord, labels: Sequence[str]
) -> tuple[Figure, ...]:
    """Effects in percent with intervals, the margin of chance and what is allowed."""
    say = context.say
    rows = [
        figures.EffectRow(label=label, effect=effect, significant=one.significant)
        for label, one in zip(labels, record.effects, strict=True)
        if (effect := measured(one.effect_percent)) is not None
    ]
    if not rows:
        return ()
    margin = None
    if record.margin is not None and record.mean:
        margin = 100 * record.margin / abs(record.mean)
    drawn = figures.effects_figure(
        rows, margin_percent=margin, allowed_percent=record.allowed_percent, language=say.language
    )
    return (picture(context, item, "figure-effects", "robustness.figure", drawn, count=len(rows)),)


@not_of_many
def stability_figure(
    context: Context, item: Item, record: StabilityRecord, position: int, *, width: Width = "text"
) -> tuple[Figure, ...]:
    """Results over time under one condition with the line, its band and the change allowed."""
    say, confidence = context.say, item.record.confidence
    times = np.array([point.time for point in record.points])
    values = np.array([point.value for point in record.points])
    try:
        line = fit(times, values, confidence=confidence)
    except NotEstimable:
        return ()
    grid = np.linspace(times.min(), times.max(), CURVE_POINTS)
    start = float(line.predict(grid[:1])[0])
    share = record.allowed_percent / 100
    least = None if record.direction == "increase" else start * (1 - share)
    most = None if record.direction == "decrease" else start * (1 + share)
    on_levels = record.axis == "concentration"
    drawn = figures.trend_figure(
        times,
        values,
        x=AxisText(say.text("stability.time"), record.time_unit),
        y=level_axis(context, item) if on_levels else signal_axis(item),
        line=(grid, line.predict(grid)),
        band=line.band(grid),
        limits=(least, most),
        width=width,
        language=say.language,
    )
    return (
        picture(
            context,
            item,
            ("figure-stability", str(position)),
            "stability.figure",
            drawn,
            width=width,
            condition=record.condition,
            at=_with_level(item, record),
            n=record.n,
            times=record.times,
        ),
    )


def _with_level(item: Item, record: StabilityRecord) -> str:
    if record.level is None:
        return record.condition
    return f"{record.condition}, {level_label(item, record.level)}"


@not_of_many
def uses_figure(
    context: Context, item: Item, record: RepeatedUseRecord, decline: DeclineRecord
) -> tuple[Figure, ...]:
    """Signals over the uses, each device about its own mean, with the mean decline."""
    say = context.say
    used = [one for one in record.by_device if len(set(one.uses)) > 1 and one.mean > 0]
    rate = decline.decline_per_use.value
    if not used or rate is None:
        return ()
    uses = np.array([use for one in used for use in one.uses], dtype=np.float64)
    relative = np.array([100 * signal / one.mean for one in used for signal in one.signals])
    first, middle = uses.min(), float(np.mean([np.mean(one.uses) for one in used]))
    grid = np.array([first, uses.max()])
    at_middle = 1 - rate / 100 * (middle - first)
    drawn = figures.trend_figure(
        uses,
        relative,
        x=AxisText(say.text("devices.use")),
        y=AxisText(say.text("devices.relative")),
        line=(grid, 100 * (1 - rate / 100 * (grid - first)) / at_middle),
        limits=((100 - decline.loss_percent) / at_middle, None),
        language=say.language,
    )
    return (
        picture(
            context,
            item,
            "figure-uses",
            "devices.figure",
            drawn,
            loss=numbers.as_given(decline.loss_percent),
            n=record.n,
            devices=record.devices,
        ),
    )


@not_of_many
def consistency_figure(
    context: Context, item: Item, records: Sequence[PrecisionRecord]
) -> tuple[Figure, ...]:
    """Mandel's h and k by laboratory and level."""
    say = context.say
    known = [
        (record, record.consistency)
        for record in records
        if record.consistency is not None and record.consistency.h_critical is not None
    ]
    if not known:
        return ()
    names = list(dict.fromkeys(lab.laboratory for _, found in known for lab in found.laboratories))
    levels = [
        figures.ConsistencyLevel(
            label=level_label(item, record.level),
            h={lab.laboratory: lab.h for lab in found.laboratories if lab.h is not None},
            k={lab.laboratory: lab.k for lab in found.laboratories if lab.k is not None},
        )
        for record, found in known
    ]
    # points follow the number of laboratories and of their results: the commonest are drawn, and the tables
    # judge every laboratory by its own
    of_h = [found.h_critical for _, found in known if found.h_critical is not None]
    of_k = [lab.k_critical for _, found in known for lab in found.laboratories if lab.k_critical is not None]
    drawn = figures.consistency_figure(
        names,
        levels,
        h_critical=max(of_h, key=of_h.count),
        k_critical=max(of_k, key=of_k.count, default=None),
        language=say.language,
    )
    return (
        picture(
            context,
            item,
            "figure-consistency",
            "interlaboratory.figure",
            drawn,
            laboratories=len(names),
            levels=len(levels),
        ),
    )


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
        picture(
            context,
            item,
            name,
            "uncertainty.figure",
            drawn,
            at=at,
            count=len(rows),
            largest=rows[0].name,
            share=numbers.percent(rows[0].share_percent, 2),
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
        picture(
            context,
            item,
            "figure-profile",
            "accuracy_profile.figure",
            drawn,
            interval=say.text(f"accuracy_profile.{record.decided_by}", share=percent_level(record.beta)),
            acceptance=numbers.as_given(record.acceptance_percent),
            levels=len(record.levels),
            inside=sum(one.inside for one in record.levels),
        ),
    )
