"""Figures along a level or along time: accuracy profile, trend of a response."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

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
    from matplotlib.figure import Figure
    from numpy.typing import ArrayLike


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
