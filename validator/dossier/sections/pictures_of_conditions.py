"""From records to figures: matrix, another method, conditions, time, devices, laboratories."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from validator.dossier import figures, numbers
from validator.dossier.document import Figure
from validator.dossier.figures import AxisText
from validator.dossier.sections.context import Context, Item, percent_level
from validator.dossier.sections.pictures import (
    CURVE_POINTS,
    level_axis,
    level_label,
    measured,
    refitted,
    signal_axis,
)
from validator.errors import NotEstimable
from validator.evaluation.results import (
    ComparisonRecord,
    DeclineRecord,
    EstimateRecord,
    MatrixEffectRecord,
    NotAssessed,
    PrecisionRecord,
    RepeatedUseRecord,
    RobustnessRecord,
    StabilityRecord,
    StandardAdditionRecord,
)
from validator.statistics.regression import fit

if TYPE_CHECKING:
    from collections.abc import Sequence

COLUMN_MM = 84.0


def matrix_figure(context: Context, item: Item, records: Sequence[MatrixEffectRecord]) -> tuple[Figure, ...]:
    """The calibration and the lines in matrix on the same axes."""
    say, calibration = context.say, item.configuration.calibration
    if isinstance(calibration, NotAssessed):
        return ()
    line = refitted(calibration, item.record.confidence)
    grid = np.linspace(min(0.0, line.x.min()), line.x.max(), CURVE_POINTS)
    lines = [
        figures.ConfigurationLine(
            label=say.text("matrix.calibration"),
            levels=line.x,
            signals=line.y,
            line_x=grid,
            line_y=line.predict(grid),
        )
    ]
    for record in records:
        slope, intercept = _value(record.slope), _value(record.intercept)
        if slope is None or intercept is None:
            continue
        levels = np.array([point.level for point in record.points])
        ends = np.array([0.0, levels.max()])
        lines.append(
            figures.ConfigurationLine(
                label=say.text("matrix.in_matrix", matrix=record.matrix),
                levels=levels,
                signals=np.array([point.signal for point in record.points]),
                line_x=ends,
                line_y=intercept + slope * ends,
            )
        )
    if len(lines) < 2:
        return ()
    drawn = figures.overlay_figure(lines, x=level_axis(context, item), y=signal_axis(item))
    return (
        Figure(
            id=item.id("figure-matrix"),
            svg=figures.to_svg(drawn),
            caption=say("matrix.overlay", name=item.name),
            alternative_text=say.text(
                "matrix.overlay_alt", name=item.name, count=numbers.count(len(lines) - 1)
            ),
        ),
    )


def _value(estimate: EstimateRecord | NotAssessed | None) -> float | None:
    return estimate.value if isinstance(estimate, EstimateRecord) else None


def additions_figure(
    context: Context, item: Item, records: Sequence[StandardAdditionRecord]
) -> tuple[Figure, ...]:
    """Signal against addition, each line drawn back to signal zero."""
    say = context.say
    lines = []
    for record in records:
        slope, intercept = _value(record.slope), _value(record.intercept)
        if not slope or intercept is None:
            continue
        added = np.array([point.added for point in record.points])
        ends = np.array([min(-intercept / slope, 0.0), added.max()])
        lines.append(
            figures.ConfigurationLine(
                label=record.sample,
                levels=added,
                signals=np.array([point.signal for point in record.points]),
                line_x=ends,
                line_y=intercept + slope * ends,
            )
        )
    if not lines:
        return ()
    axis = AxisText(say.text("matrix.added", analyte=item.analyte.name), item.analyte.unit)
    drawn = figures.overlay_figure(lines, x=axis, y=signal_axis(item))
    return (
        Figure(
            id=item.id("figure-additions"),
            svg=figures.to_svg(drawn),
            caption=say("matrix.additions_figure", name=item.name),
            alternative_text=say.text(
                "matrix.additions_alt", name=item.name, count=numbers.count(len(lines))
            ),
        ),
    )


def comparison_figures(context: Context, item: Item, record: ComparisonRecord) -> tuple[Figure, ...]:
    """Scatter plot with Deming's line, and the differences against the means."""
    say, unit = context.say, item.analyte.unit
    pairs = np.array(
        [
            (sample.reference_method, sample.this_method)
            for sample in record.samples
            if sample.left_out is None
        ],
        dtype=np.float64,
    ).reshape(-1, 2)
    found: list[Figure] = []
    count = numbers.count(len(pairs))
    line = record.deming
    if not isinstance(line, NotAssessed) and line.slope.value and line.intercept.value is not None:
        drawn = figures.method_comparison_figure(
            pairs[:, 0],
            pairs[:, 1],
            intercept=line.intercept.value,
            slope=line.slope.value,
            x=AxisText(say.text("method_comparison.reference_axis"), unit),
            y=AxisText(say.text("method_comparison.this_axis"), unit),
            language=say.language,
        )
        found.append(
            Figure(
                id=item.id("figure-methods"),
                svg=figures.to_svg(drawn),
                caption=say("method_comparison.scatter", name=item.name),
                alternative_text=say.text("method_comparison.scatter_alt", n=count),
                width_mm=COLUMN_MM,
            )
        )
    limits = record.bland_altman
    if not isinstance(limits, NotAssessed):
        bias, lower, upper = measured(limits.bias), measured(limits.lower), measured(limits.upper)
        if bias and lower and upper:
            drawn = figures.difference_figure(
                pairs.mean(axis=1),
                pairs[:, 1] - pairs[:, 0],
                bias=bias,
                lower_limit=lower,
                upper_limit=upper,
                x=AxisText(say.text("method_comparison.mean_axis"), unit),
                y=AxisText(say.text("method_comparison.difference_axis"), unit),
                language=say.language,
            )
            level = percent_level(item.record.confidence)
            found.append(
                Figure(
                    id=item.id("figure-differences"),
                    svg=figures.to_svg(drawn),
                    caption=say("method_comparison.difference_figure", name=item.name, level=level),
                    alternative_text=say.text("method_comparison.difference_alt", n=count),
                )
            )
    return tuple(found)


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
    return (
        Figure(
            id=item.id("figure-effects"),
            svg=figures.to_svg(drawn),
            caption=say("robustness.figure", name=item.name, level=percent_level(item.record.confidence)),
            alternative_text=say.text(
                "robustness.figure_alt", name=item.name, count=numbers.count(len(rows))
            ),
        ),
    )


def stability_figure(
    context: Context, item: Item, record: StabilityRecord, position: int
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
        language=say.language,
    )
    return (
        Figure(
            id=item.id("figure-stability", str(position)),
            svg=figures.to_svg(drawn),
            caption=say(
                "stability.figure",
                name=item.name,
                condition=_with_level(item, record),
                level=percent_level(confidence),
            ),
            alternative_text=say.text(
                "stability.figure_alt",
                name=item.name,
                n=numbers.count(record.n),
                times=numbers.count(record.times),
                condition=record.condition,
            ),
        ),
    )


def _with_level(item: Item, record: StabilityRecord) -> str:
    if record.level is None:
        return record.condition
    return f"{record.condition}, {level_label(item, record.level)}"


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
        Figure(
            id=item.id("figure-uses"),
            svg=figures.to_svg(drawn),
            caption=say("devices.figure", name=item.name, loss=numbers.as_given(decline.loss_percent)),
            alternative_text=say.text(
                "devices.figure_alt",
                name=item.name,
                n=numbers.count(record.n),
                devices=numbers.count(record.devices),
            ),
        ),
    )


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
        Figure(
            id=item.id("figure-consistency"),
            svg=figures.to_svg(drawn),
            caption=say("interlaboratory.figure", name=item.name),
            alternative_text=say.text(
                "interlaboratory.figure_alt",
                laboratories=numbers.count(len(names)),
                levels=numbers.count(len(levels)),
            ),
        ),
    )
