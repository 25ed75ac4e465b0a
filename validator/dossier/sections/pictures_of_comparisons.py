"""From records to figures that set two things side by side: matrix and calibration, two methods."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from validator import numbers
from validator.dossier import figures
from validator.dossier.figures import AxisText
from validator.dossier.sections.context import Context, Item, percent_level
from validator.dossier.sections.pairing import not_of_many, paired, picture
from validator.dossier.sections.pictures import (
    CURVE_POINTS,
    level_axis,
    measured,
    signal_axis,
)
from validator.evaluation.results import (
    ComparisonRecord,
    MatrixEffectRecord,
    NotAssessed,
    StandardAdditionRecord,
    value_of,
)

if TYPE_CHECKING:
    from collections.abc import Sequence

    from validator.dossier.document import Figure, FigurePair
    from validator.dossier.figure_style import Width


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
