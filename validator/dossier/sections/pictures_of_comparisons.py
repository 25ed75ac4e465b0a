"""From records to figures: matrices, methods and configurations compared, conditions, uncertainty."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from validator import numbers
from validator.dossier import figures
from validator.dossier.figures import AxisText
from validator.dossier.sections.context import Context, Item, percent_level
from validator.dossier.sections.pictures import (
    CURVE_POINTS,
    calibration_line,
    level_axis,
    level_label,
    measured,
    not_of_many,
    paired,
    picture,
    signal_axis,
)
from validator.errors import NotEstimable
from validator.evaluation.results import (
    ComparedConfiguration,
    ComparisonRecord,
    MatrixEffectRecord,
    NotAssessed,
    StandardAdditionRecord,
    value_of,
)
from validator.statistics.regression import fit

if TYPE_CHECKING:
    from collections.abc import Sequence

    from matplotlib.figure import Figure as Drawing

    from validator.characteristics.robustness.results import RobustnessRecord
    from validator.characteristics.stability.results import StabilityRecord
    from validator.dossier.document import Figure, FigurePair
    from validator.dossier.figure_style import Width
    from validator.evaluation.results import (
        AccuracyProfileRecord,
        BudgetRecord,
        DeclineRecord,
        PrecisionRecord,
        RepeatedUseRecord,
    )


@not_of_many
def matrix_figure(
    context: Context, item: Item, records: Sequence[MatrixEffectRecord], *, width: Width = "text"
) -> tuple[Figure, ...]:
    """The calibration and the lines in matrix on the same axes."""
    say, calibration = context.say, item.configuration.calibration
    if isinstance(calibration, NotAssessed):
        return ()
    line = calibration.function_at(item.record.confidence)
    grid = np.linspace(min(0.0, line.x.min()), line.x.max(), CURVE_POINTS)
    lines = [
        figures.ConfigurationLine(
            label=say.text("matrix.calibration"),
            levels=line.x,
            signals=[point.signal for point in calibration.points],
            line_x=grid,
            line_y=line.predict(grid),
        )
    ]
    for record in records:
        slope, intercept = value_of(record.slope), value_of(record.intercept)
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
    drawn = figures.overlay_figure(lines, x=level_axis(context, item), y=signal_axis(item), width=width)
    return (
        picture(context, item, "figure-matrix", "matrix.overlay", drawn, width=width, count=len(lines) - 1),
    )


@not_of_many
def additions_figure(
    context: Context, item: Item, records: Sequence[StandardAdditionRecord], *, width: Width = "text"
) -> tuple[Figure, ...]:
    """Signal against addition, each line drawn back to signal zero."""
    say = context.say
    lines = []
    for record in records:
        slope, intercept = value_of(record.slope), value_of(record.intercept)
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
    drawn = figures.overlay_figure(lines, x=axis, y=signal_axis(item), width=width)
    return (
        picture(
            context,
            item,
            "figure-additions",
            "matrix.additions_figure",
            drawn,
            width=width,
            count=len(lines),
        ),
    )


@not_of_many
def comparison_figures(
    context: Context, item: Item, record: ComparisonRecord
) -> tuple[Figure | FigurePair, ...]:
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
            width="half",
            language=say.language,
        )
        found.append(
            picture(
                context, item, "figure-methods", "method_comparison.scatter", drawn, width="half", n=count
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
                width="half",
                language=say.language,
            )
            level = percent_level(item.record.confidence)
            found.append(
                picture(
                    context,
                    item,
                    "figure-differences",
                    "method_comparison.difference_figure",
                    drawn,
                    width="half",
                    level=level,
                    n=count,
                )
            )
    return paired(found)


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


def draw_overlay(context: Context, items: Sequence[Item], *, width: Width = "text") -> Drawing | None:
    """Calibrations of all configurations of one analyte in one plot; None where fewer than two have one."""
    lines = []
    for item in items:
        record = item.configuration.calibration
        if isinstance(record, NotAssessed):
            continue
        line = calibration_line(item, record)
        lines.append(
            figures.ConfigurationLine(
                label=context.configuration_name(item.cell.configuration) or item.name,
                levels=[point.level for point in record.points],
                signals=[point.signal for point in record.points],
                line_x=line.x,
                line_y=line.y,
            )
        )
    if len(lines) < 2:
        return None
    return figures.overlay_figure(
        lines, x=level_axis(context, items[0]), y=signal_axis(items[0]), width=width
    )


@not_of_many
def overlay_figure(
    context: Context, analyte: str, items: Sequence[Item], *, width: Width = "text"
) -> tuple[Figure, ...]:
    """Calibrations of all configurations of one analyte in one plot."""
    drawn = draw_overlay(context, items, width=width)
    if drawn is None:
        return ()
    count = sum(not isinstance(item.configuration.calibration, NotAssessed) for item in items)
    name = context.analyte_name(analyte)
    return (
        picture(
            context,
            items[0],
            "figure-overlay",
            "pictures.overlay",
            drawn,
            width=width,
            name=name,
            count=count,
        ),
    )


@not_of_many
def forest_figure(
    context: Context, compared: Sequence[tuple[str, ComparedConfiguration]]
) -> tuple[Figure, ...]:
    """Ratios of slopes and of detection limits, one row each."""
    say = context.say
    rows = []
    for name, one in compared:
        for key, estimate in (("slope", one.slope_ratio), ("limit", one.detection_limit_ratio)):
            ratio = measured(estimate)
            if ratio is not None:
                rows.append(
                    figures.RatioRow(
                        label=say.text(
                            f"pictures.ratio_{key}",
                            configuration=context.configuration_name(one.configuration),
                            analyte=name,
                        ),
                        ratio=ratio,
                        text=numbers.with_interval(ratio.value, ratio.lower, ratio.upper),
                    )
                )
    if not rows:
        return ()
    drawn = figures.ratio_forest_figure(
        rows, x=AxisText(say.text("pictures.ratio")), reference=1.0, language=say.language
    )
    return (picture(context, None, "figure-ratios", "pictures.forest", drawn, count=len(rows)),)
