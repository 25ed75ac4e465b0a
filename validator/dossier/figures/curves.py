"""Figures over an abscissa: recorded curves with their baselines, trends, accuracy profiles."""

from __future__ import annotations

from itertools import pairwise
from typing import TYPE_CHECKING, Any

import numpy as np
from msgspec import Struct

from validator.dossier import figure_style as look
from validator.dossier.figures.parts import (
    AxisText,
    finite,
    mark_range,
    numbers_of,
    set_scale,
    spans_decades,
)
from validator.dossier.wording import sentence, words_for

if TYPE_CHECKING:
    from collections.abc import Sequence

    from matplotlib.axes import Axes
    from matplotlib.figure import Figure
    from numpy.typing import ArrayLike, NDArray


MOST_POINTS = 60_000
"""Points drawn in one figure; longer curves are thinned to their highest and lowest points."""
_FEWEST_OF_A_CURVE = 60


class DrawnCurve(Struct, frozen=True, kw_only=True):
    """A curve, the part of its baseline that is shown, and what kind of sample it is."""

    group: str
    x: ArrayLike
    y: ArrayLike
    baseline_x: ArrayLike
    baseline_y: ArrayLike
    excluded: bool = False


def curves_figure(
    curves: Sequence[DrawnCurve],
    *,
    x: AxisText,
    y: AxisText,
    window: tuple[float, float],
    at: float | None = None,
    language: str = "en",
) -> Figure:
    """Every curve, coloured by kind of sample, with its baseline; the window of the peak is shaded."""
    words = words_for(language, "figures")
    groups = list(dict.fromkeys(one.group for one in curves))
    budget = max(_FEWEST_OF_A_CURVE, MOST_POINTS // max(len(curves), 1))
    with look.style():
        figure = look.new_figure("text", 96)
        axes = figure.add_subplot()
        axes.axvspan(*window, color=look.ACCEPTED, linewidth=0, label=words["peak_window"], zorder=0)
        if at is not None:
            axes.axvline(at, label=words["read_at"], **look.LIMIT | {"color": look.SOFT})
        for one in curves:
            _draw(axes, one, look.SERIES[groups.index(one.group) % len(look.SERIES)], budget)
        for index, group in enumerate(groups):
            series = look.SERIES[index % len(look.SERIES)]
            axes.plot([], [], color=series.colour, linestyle=series.dash, label=group)
        axes.plot([], [], color=look.INK, linewidth=look.HAIR_WIDTH, label=words["baseline"])
        if any(one.excluded for one in curves):
            axes.plot([], [], color=look.VERMILLION, linestyle=":", label=words["excluded"])
        ends = [end for one in curves for end in _extent(one.x)]
        set_scale(axes, "x", ends, log=False, room=0.01)
        set_scale(axes, "y", [end for one in curves for end in _extent(one.y)], log=False)
        axes.set_xlabel(str(x))
        axes.set_ylabel(str(y))
        look.legend_above(figure, axes, 4)
        return figure


def _draw(axes: Axes, one: DrawnCurve, series: look.SeriesLook, budget: int) -> None:
    line: dict[str, Any] = {"color": series.colour, "linestyle": series.dash, "linewidth": 0.6, "alpha": 0.8}
    if one.excluded:
        line |= {"color": look.VERMILLION, "linestyle": ":"}
    axes.plot(*thinned(numbers_of(one.x), numbers_of(one.y), budget), zorder=2, **line)
    baseline = thinned(numbers_of(one.baseline_x), numbers_of(one.baseline_y), budget)
    axes.plot(*baseline, color=look.INK, linewidth=0.35, alpha=0.6, zorder=3)


def _extent(values: ArrayLike) -> tuple[float, float]:
    numbers = numbers_of(values)
    return float(numbers.min()), float(numbers.max())


def thinned(
    x: NDArray[np.float64], y: NDArray[np.float64], budget: int
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """At most *budget* points: the lowest and the highest of each stretch, so that no peak is lost."""
    if x.size <= budget:
        return x, y
    edges = np.linspace(0, x.size, budget // 2 + 1).astype(int)
    stretches = [slice(first, after) for first, after in pairwise(edges)]
    kept = sorted({one.start + int(place(y[one])) for one in stretches for place in (np.argmin, np.argmax)})
    return x[kept], y[kept]


def accuracy_profile_figure(
    levels: ArrayLike,
    bias_percent: ArrayLike,
    tolerance_percent: tuple[ArrayLike, ArrayLike],
    *,
    acceptance_percent: float,
    x: AxisText,
    valid_range: tuple[float, float] | None = None,
    width: look.Width = "text",
    language: str = "en",
) -> Figure:
    """Relative bias by level with its tolerance interval against ± *acceptance_percent*."""
    words = words_for(language, "figures")
    positions, bias = numbers_of(levels), numbers_of(bias_percent)
    lower, upper = (numbers_of(side) for side in tolerance_percent)
    with look.style():
        figure = look.new_figure(width, 60)
        axes = figure.add_subplot()
        set_scale(axes, "x", positions, log=spans_decades(positions))
        ends = np.concatenate([bias, lower, upper, [-acceptance_percent, acceptance_percent]])
        set_scale(axes, "y", ends, log=False, room=0.1)
        outline: dict[str, Any] = {"facecolor": look.PALE_BAND, "edgecolor": look.BLUE, "linewidth": 0.9}
        axes.fill_between(positions, lower, upper, label=words["tolerance_interval"], zorder=1, **outline)
        axes.axhline(0, color=look.INK, linewidth=look.HAIR_WIDTH, zorder=1.5)
        axes.axhline(acceptance_percent, label=words["acceptance_limit"], **look.LIMIT)
        axes.axhline(-acceptance_percent, **look.LIMIT)
        axes.plot(positions, bias, "o-", color=look.INK, label=words["bias_of_level"], zorder=3)
        if valid_range is not None:
            mark_range(axes, valid_range, words["valid_range"])
        axes.set_xlabel(str(x))
        axes.set_ylabel(sentence(words["bias"]))
        look.legend_above(figure, axes, 5 if width == "text" else 2)
        return figure


def trend_figure(
    times: ArrayLike,
    responses: ArrayLike,
    *,
    x: AxisText,
    y: AxisText,
    line: tuple[ArrayLike, ArrayLike] | None = None,
    band: tuple[ArrayLike, ArrayLike] | None = None,
    limits: tuple[float | None, float | None] = (None, None),
    width: look.Width = "text",
    language: str = "en",
) -> Figure:
    """A response over time or use.

    *line* is (times, fitted), *band* its (lower, upper) interval, *limits* the (least, most) allowed.
    """
    words = words_for(language, "figures")
    points_x, points_y = numbers_of(times), numbers_of(responses)
    fits = [numbers_of(part) for part in (*(line or ()), *(band or ()))]
    allowed = finite(limits)
    with look.style():
        figure = look.new_figure(width, 54)
        axes = figure.add_subplot()
        set_scale(axes, "x", np.concatenate([points_x, *fits[:1]]), log=False, room=0.03)
        set_scale(axes, "y", np.concatenate([points_y, *fits[1:], np.array(allowed)]), log=False)
        if len(fits) == 4:
            axes.fill_between(
                fits[0], fits[2], fits[3], color=look.BAND, linewidth=0, label=words["band"], zorder=1
            )
        if fits:
            axes.plot(fits[0], fits[1], color=look.INK, label=words["trend"], zorder=2)
        for position, limit in enumerate(allowed):
            axes.axhline(limit, label=None if position else words["limit"], **look.LIMIT)
        axes.plot(points_x, points_y, label=words["single_value"], **look.POINT)
        axes.set_xlabel(str(x))
        axes.set_ylabel(str(y))
        look.legend_above(figure, axes)
        return figure
