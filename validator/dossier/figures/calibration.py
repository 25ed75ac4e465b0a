"""Figures of a calibration: the line, its residuals and response factors."""

from __future__ import annotations

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
from validator.numbers import as_given

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure
    from numpy.typing import ArrayLike, NDArray


_TALL: dict[look.Width, float] = {"text": 68, "column": 72, "half": 60}
_LOWEST_MM = 46
_LOW: dict[look.Width, float] = {"text": 52, "column": 54, "half": 52}


class Line(Struct, frozen=True, kw_only=True):
    """A fitted line over a grid of levels; bands are (lower, upper) arrays of the grid's length."""

    x: ArrayLike
    y: ArrayLike
    confidence: tuple[ArrayLike, ArrayLike] | None = None
    prediction: tuple[ArrayLike, ArrayLike] | None = None
    band_level: str = "95 %"


def calibration_figure(
    levels: ArrayLike,
    signals: ArrayLike,
    line: Line,
    *,
    x: AxisText,
    y: AxisText,
    excluded: tuple[ArrayLike, ArrayLike] | None = None,
    linear_range: tuple[float, float] | None = None,
    width: look.Width = "text",
    language: str = "en",
) -> Figure:
    """Every preparation by level, the line with its bands, the linear range; excluded points are struck."""
    words = words_for(language, "figures")
    with look.style():
        figure = look.new_figure(width, _TALL[width])
        axes = figure.add_subplot()
        _draw_bands(axes, line, words)
        axes.plot(numbers_of(line.x), numbers_of(line.y), color=look.INK, label=words["line"], zorder=3)
        axes.plot(numbers_of(levels), numbers_of(signals), label=words["points"], **look.POINT)
        if excluded is not None:
            _draw_excluded(axes, *excluded, words["excluded"])
        _limit_axes(axes, levels, signals, line, excluded)
        if linear_range is not None:
            mark_range(axes, linear_range, words["linear_range"])
        axes.set_xlabel(str(x))
        axes.set_ylabel(str(y))
        look.legend_above(figure, axes, 3 if width == "text" else 2)
        return figure


def calibration_and_residuals_figure(
    levels: ArrayLike,
    signals: ArrayLike,
    standardised_residuals: ArrayLike,
    line: Line,
    *,
    x: AxisText,
    y: AxisText,
    language: str = "en",
) -> Figure:
    """The line with its bands and, beside it, the standardised residuals: one low figure for one of many."""
    words = words_for(language, "figures")
    residuals = numbers_of(standardised_residuals)
    with look.style():
        figure = look.new_figure("text", _LOWEST_MM)
        left, right = figure.subplots(1, 2, width_ratios=(3, 2))
        _draw_bands(left, line, words)
        left.plot(numbers_of(line.x), numbers_of(line.y), color=look.INK, label=words["line"], zorder=3)
        left.plot(numbers_of(levels), numbers_of(signals), label=words["points"], **look.POINT)
        _limit_axes(left, levels, signals, line, None)
        left.set_ylabel(str(y))
        right.axhline(0, color=look.INK, linewidth=look.HAIR_WIDTH)
        for end in (-2, 2):
            right.axhline(end, **look.LIMIT)
        right.plot(numbers_of(levels), residuals, **look.POINT)
        set_scale(right, "x", numbers_of(levels), log=spans_decades(numbers_of(levels)))
        largest = max(3.0, _largest(residuals))
        set_scale(right, "y", (-largest, largest), log=False)
        right.set_ylabel(sentence(words["standardised_residual"]))
        for axes in (left, right):
            axes.set_xlabel(str(x))
        look.legend_above(figure, left)
        return figure


def residual_figure(
    levels: ArrayLike,
    standardised_residuals: ArrayLike,
    *,
    x: AxisText,
    width: look.Width = "text",
    language: str = "en",
) -> Figure:
    """Standardised residuals by level with lines at ±2."""
    words = words_for(language, "figures")
    residuals = numbers_of(standardised_residuals)
    with look.style():
        figure, axes = _by_level(width, levels, x)
        axes.axhline(0, color=look.INK, linewidth=look.HAIR_WIDTH)
        axes.axhline(2, label=words["two_limits"], **look.LIMIT)
        axes.axhline(-2, **look.LIMIT)
        axes.plot(numbers_of(levels), residuals, label=words["points"], **look.POINT)
        largest = max(3.0, _largest(residuals))
        set_scale(axes, "y", (-largest, largest), log=False)
        axes.set_ylabel(sentence(words["standardised_residual"]))
        look.legend_above(figure, axes)
        return figure


def response_factor_figure(
    levels: ArrayLike,
    response_factors: ArrayLike,
    reference: float,
    *,
    x: AxisText,
    y: AxisText,
    tolerance_percent: float = 5.0,
    width: look.Width = "text",
    language: str = "en",
) -> Figure:
    """Response factors by level against the slope (*reference*) with a band of ± *tolerance_percent*."""
    words = words_for(language, "figures")
    positions, factors = numbers_of(levels), numbers_of(response_factors)
    band = sorted(reference * (1 + sign * tolerance_percent / 100) for sign in (-1, 1))
    with look.style():
        figure, axes = _by_level(width, levels, x)
        label = f"±{as_given(tolerance_percent)} %"
        axes.axhspan(band[0], band[1], color=look.ACCEPTED, linewidth=0, label=label, zorder=0)
        axes.axhline(reference, color=look.INK, linewidth=1.0, label=words["slope"], zorder=1)
        axes.plot(positions, factors, label=words["points"], **look.POINT)
        distinct = np.unique(positions)
        means = [float(np.mean(factors[positions == level])) for level in distinct]
        axes.plot(distinct, means, label=words["level_mean"], **look.MEAN | {"markerfacecolor": "white"})
        set_scale(axes, "y", [*factors, *band], log=False, room=0.08)
        axes.set_ylabel(str(y))
        look.legend_above(figure, axes)
        return figure


def _by_level(width: look.Width, levels: ArrayLike, x: AxisText) -> tuple[Figure, Axes]:
    figure = look.new_figure(width, _LOW[width])
    axes = figure.add_subplot()
    positions = numbers_of(levels)
    set_scale(axes, "x", positions, log=spans_decades(positions))
    axes.set_xlabel(str(x))
    return figure, axes


def _largest(values: NDArray[np.float64]) -> float:
    return max((abs(value) for value in finite(values.tolist())), default=0.0)


def _draw_excluded(axes: Axes, x: ArrayLike, y: ArrayLike, label: str) -> None:
    places = numbers_of(x), numbers_of(y)
    axes.plot(*places, "o", color=look.VERMILLION, markerfacecolor="white", markersize=5.4, zorder=4)
    axes.plot(*places, "x", color=look.VERMILLION, markersize=7.0, label=label, zorder=5)


def _draw_bands(axes: Axes, line: Line, words: dict[str, str]) -> None:
    grid = numbers_of(line.x)
    outlined: dict[str, Any] = {"edgecolor": look.SOFT, "linewidth": 0.6, "linestyle": (0, (4, 3))}
    if line.prediction is not None:
        low, high = (numbers_of(side) for side in line.prediction)
        label = words["prediction_band"].format(level=line.band_level)
        axes.fill_between(grid, low, high, facecolor=look.PALE_BAND, label=label, zorder=1, **outlined)
    if line.confidence is not None:
        low, high = (numbers_of(side) for side in line.confidence)
        label = words["confidence_band"].format(level=line.band_level)
        axes.fill_between(grid, low, high, facecolor=look.BAND, edgecolor="none", label=label, zorder=2)


def _limit_axes(
    axes: Axes,
    levels: ArrayLike,
    signals: ArrayLike,
    line: Line,
    excluded: tuple[ArrayLike, ArrayLike] | None,
) -> None:
    bands = [side for band in (line.confidence, line.prediction) if band is not None for side in band]
    extra_x, extra_y = excluded if excluded is not None else ((), ())
    all_x = np.concatenate([numbers_of(values) for values in (levels, line.x, extra_x)])
    all_y = np.concatenate([numbers_of(values) for values in (signals, line.y, extra_y, *bands)])
    set_scale(axes, "x", all_x, log=False, room=0.03)
    set_scale(axes, "y", all_y, log=False, room=0.08)
