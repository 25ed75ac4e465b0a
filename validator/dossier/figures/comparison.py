"""Figures that set two or more things against each other: configurations, methods."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np
from msgspec import Struct

from validator.dossier import figure_style as look
from validator.dossier.figures.parts import AxisText, Measured, all_ends, numbers_of, set_scale
from validator.dossier.wording import words_for

if TYPE_CHECKING:
    from collections.abc import Sequence

    from matplotlib.axes import Axes
    from matplotlib.figure import Figure
    from numpy.typing import ArrayLike


_OVERLAY_MM: dict[look.Width, float] = {"text": 68, "column": 74, "half": 62}


class ConfigurationLine(Struct, frozen=True, kw_only=True):
    """The calibration of one configuration: its points and its fitted line over a grid."""

    label: str
    levels: ArrayLike
    signals: ArrayLike
    line_x: ArrayLike
    line_y: ArrayLike


def overlay_figure(
    configurations: Sequence[ConfigurationLine], *, x: AxisText, y: AxisText, width: look.Width = "text"
) -> Figure:
    """Calibrations of several configurations on the same axes, told apart by mark, dash and colour."""
    with look.style():
        figure = look.new_figure(width, _OVERLAY_MM[width])
        axes = figure.add_subplot()
        for index, one in enumerate(configurations):
            _draw_configuration(axes, one, look.SERIES[index % len(look.SERIES)])
        levels = [level for one in configurations for level in _flat(one.levels, one.line_x)]
        signals = [signal for one in configurations for signal in _flat(one.signals, one.line_y)]
        set_scale(axes, "x", levels, log=False, room=0.03)
        set_scale(axes, "y", signals, log=False)
        axes.set_xlabel(str(x))
        axes.set_ylabel(str(y))
        look.legend_above(figure, axes, 3 if width == "text" else 1)
        return figure


def _flat(*parts: ArrayLike) -> list[float]:
    return [number for part in parts for number in numbers_of(part).tolist()]


def _draw_configuration(axes: Axes, one: ConfigurationLine, series: look.SeriesLook) -> None:
    marks: dict[str, Any] = {
        "marker": series.marker,
        "markerfacecolor": series.colour if series.filled else "white",
        "markersize": look.MARKER + 0.6,
        "color": series.colour,
    }
    line: dict[str, Any] = {"color": series.colour, "linestyle": series.dash}
    axes.plot(numbers_of(one.line_x), numbers_of(one.line_y), zorder=2, **line)
    axes.plot(numbers_of(one.levels), numbers_of(one.signals), zorder=3, **marks | {"linestyle": "none"})
    axes.plot([], [], label=one.label, **line | marks)


def method_comparison_figure(
    reference: ArrayLike,
    tested: ArrayLike,
    *,
    intercept: float,
    slope: float,
    x: AxisText,
    y: AxisText,
    width: look.Width = "column",
    language: str = "en",
) -> Figure:
    """Results of two methods on the same samples with the line of identity and the fitted line."""
    words = words_for(language, "figures")
    first, second = numbers_of(reference), numbers_of(tested)
    with look.style():
        figure = look.new_figure(width, 72 if width == "half" else 80)
        axes = figure.add_subplot()
        everything = np.concatenate([first, second])
        set_scale(axes, "x", everything, log=False)
        set_scale(axes, "y", everything, log=False)
        ends = np.asarray(axes.get_xlim())
        axes.plot(
            ends, ends, color=look.SOFT, linewidth=0.9, dashes=(4, 3), label=words["identity"], zorder=1
        )
        axes.plot(ends, intercept + slope * ends, color=look.INK, label=words["fitted_line"], zorder=2)
        axes.plot(first, second, **look.POINT)
        axes.set_aspect("equal")
        axes.set_xlabel(str(x))
        axes.set_ylabel(str(y))
        look.legend_above(figure, axes, 2)
        return figure


def difference_figure(
    means: ArrayLike,
    differences: ArrayLike,
    *,
    bias: Measured,
    lower_limit: Measured,
    upper_limit: Measured,
    x: AxisText,
    y: AxisText,
    width: look.Width = "text",
    language: str = "en",
) -> Figure:
    """Differences between two methods against their means, with bias and limits of agreement."""
    words = words_for(language, "figures")
    values = numbers_of(differences)
    with look.style():
        figure = look.new_figure(width, 72 if width == "half" else 62)
        axes = figure.add_subplot()
        set_scale(axes, "x", numbers_of(means), log=False)
        ends = all_ends((bias, lower_limit, upper_limit))
        set_scale(axes, "y", [0.0, *values.tolist(), *ends], log=False)
        axes.axhline(0, color=look.SOFT, linewidth=look.HAIR_WIDTH, zorder=1)
        for one in (bias, lower_limit, upper_limit):
            if one.lower is not None and one.upper is not None:
                axes.axhspan(one.lower, one.upper, color=look.ACCEPTED, linewidth=0, zorder=0)
        axes.axhline(bias.value, color=look.INK, label=words["mean_difference"], zorder=2)
        axes.axhline(upper_limit.value, label=words["limits_of_agreement"], **look.LIMIT)
        axes.axhline(lower_limit.value, **look.LIMIT)
        axes.plot(numbers_of(means), values, **look.POINT)
        axes.set_xlabel(str(x))
        axes.set_ylabel(str(y))
        look.legend_above(figure, axes)
        return figure
