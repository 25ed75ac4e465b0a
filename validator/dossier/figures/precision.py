"""Figures of precision: values by series and level, components of scatter, h and k of laboratories."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, Literal

import numpy as np
from msgspec import Struct

from validator.dossier import figure_style as look
from validator.dossier.figures.parts import (
    Measured,
    all_ends,
    draw_interval,
    finite,
    group_axis,
    numbers_of,
    set_scale,
)
from validator.dossier.wording import sentence, words_for

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from matplotlib.axes import Axes
    from matplotlib.figure import Figure
    from numpy.typing import ArrayLike


Groups = Literal["series", "laboratory"]
"""What the results of one level are grouped by."""

_BARS: dict[str, dict[str, Any]] = {
    "repeatability": {"facecolor": look.BLUE, "hatch": ""},
    "between": {"facecolor": "#ffffff", "hatch": "////"},
    "intermediate": {"facecolor": look.SKY, "hatch": "\\\\\\\\"},
    "reproducibility": {"facecolor": look.SKY, "hatch": "xxx"},
}


class PrecisionLevel(Struct, frozen=True, kw_only=True):
    """The single values of one level, series by series, and the level's mean."""

    label: str
    mean: float
    series: tuple[ArrayLike, ...]


class PrecisionComponents(Struct, frozen=True, kw_only=True):
    """Relative standard deviations, in percent, of one level; what was not assessed is None."""

    label: str
    repeatability: Measured | None = None
    between: Measured | None = None
    intermediate: Measured | None = None
    reproducibility: Measured | None = None


def precision_figure(
    levels: Sequence[PrecisionLevel],
    *,
    groups: Groups = "series",
    x_title: str = "",
    width: look.Width = "text",
    language: str = "en",
) -> Figure:
    """Single values and means of the *groups* at every level, in percent of the level's mean."""
    words = words_for(language, "figures")
    relative = [[100 * numbers_of(one) / level.mean for one in level.series] for level in levels]
    with look.style():
        figure = look.new_figure(width, 58)
        axes = figure.add_subplot()
        axes.axhline(100, color=look.INK, linewidth=look.HAIR_WIDTH)
        for position, series in enumerate(relative):
            for offset, values in zip(_offsets(len(series), 0.3), series, strict=True):
                axes.plot([position + offset] * values.size, values, **look.SINGLE)
                axes.plot([position + offset], [float(np.mean(values))], **look.SERIES_MEAN)
        axes.plot([], [], label=words["single_value"], **look.SINGLE)
        axes.plot([], [], label=words[f"{groups}_mean"], **look.SERIES_MEAN)
        group_axis(axes, [level.label for level in levels], x_title)
        shown = np.concatenate([np.array([100.0]), *(values for series in relative for values in series)])
        set_scale(axes, "y", shown, log=False)
        axes.set_ylabel(sentence(words["relative_to_mean"]))
        look.legend_above(figure, axes)
        return figure


def precision_components_figure(
    levels: Sequence[PrecisionComponents],
    *,
    groups: Groups = "series",
    limit_percent: float | None = None,
    x_title: str = "",
    width: look.Width = "text",
    language: str = "en",
) -> Figure:
    """Bars of the relative standard deviations by level, with intervals and the limit drawn in."""
    words = words_for(language, "figures")
    components = [_components(level) for level in levels]
    kinds = [kind for kind in _BARS if any(kind in found for found in components)]
    with look.style():
        figure = look.new_figure(width, 58)
        axes = figure.add_subplot()
        known = [one for found in components for one in found.values()]
        set_scale(axes, "y", [0.0, *_shown(known, limit_percent)], log=False)
        axes.set_ylim(bottom=0)
        group_axis(axes, [level.label for level in levels], x_title)
        bar_width = 0.72 / max(len(kinds), 1)
        for kind, offset in zip(kinds, _offsets(len(kinds), 0.36 - bar_width / 2), strict=True):
            bars = {at + offset: found[kind] for at, found in enumerate(components) if kind in found}
            label = words[f"between_{groups}" if kind == "between" else kind]
            _draw_bars(axes, bars, bar_width * 0.92, _BARS[kind], label)
        if limit_percent is not None:
            axes.axhline(limit_percent, label=words["limit"], **look.LIMIT | {"zorder": 2.4})
        axes.set_ylabel(sentence(words["rsd"]))
        look.legend_above(figure, axes)
        return figure


def _components(level: PrecisionComponents) -> dict[str, Measured]:
    found: dict[str, Measured | None] = {kind: getattr(level, kind) for kind in _BARS}
    return {kind: one for kind, one in found.items() if one is not None}


def _draw_bars(
    axes: Axes, bars: dict[float, Measured], width: float, fill: dict[str, Any], label: str
) -> None:
    heights = [one.value for one in bars.values()]
    axes.bar(list(bars), heights, width, edgecolor=look.INK, linewidth=0.6, label=label, zorder=2, **fill)
    for at, one in bars.items():
        draw_interval(axes, at, one, across="y", order=3)


def _shown(known: Sequence[Measured], limit: float | None) -> list[float]:
    """Numbers the axis must show; an interval far wider than the rest may run out of it."""
    tallest = max([one.value for one in known], default=1.0)
    return [end for end in finite([*all_ends(known), limit]) if end <= 4 * max(tallest, limit or 0.0)]


def _offsets(how_many: int, half_width: float) -> list[float]:
    return [0.0] * how_many if how_many < 2 else np.linspace(-half_width, half_width, how_many).tolist()


_FILLS: tuple[dict[str, Any], ...] = (
    {"facecolor": look.BLUE, "hatch": ""},
    {"facecolor": "#ffffff", "hatch": "////"},
    {"facecolor": look.SKY, "hatch": "xxx"},
    {"facecolor": look.BAND, "hatch": "...."},
    {"facecolor": "#ffffff", "hatch": "\\\\\\\\"},
)
_GROUP = 0.78


class ConsistencyLevel(Struct, frozen=True, kw_only=True):
    """h and k of the laboratories at one level; what a laboratory did not measure is absent."""

    label: str
    h: Mapping[str, float]
    k: Mapping[str, float]


def consistency_figure(
    laboratories: Sequence[str],
    levels: Sequence[ConsistencyLevel],
    *,
    h_critical: tuple[float, float],
    k_critical: tuple[float, float] | None,
    width: look.Width = "text",
    language: str = "en",
) -> Figure:
    """Bars of h over bars of k, a group for each laboratory; lines at their 5 % and 1 % points."""
    words = words_for(language, "figures")
    with look.style():
        figure = look.new_figure(width, 104)
        upper, lower = figure.subplots(2, 1, sharex=True)
        _draw(upper, laboratories, [level.h for level in levels], [level.label for level in levels])
        _draw(lower, laboratories, [level.k for level in levels], [])
        _lines(upper, [*h_critical, *(-end for end in h_critical)], [level.h for level in levels])
        _lines(lower, list(k_critical or ()), [level.k for level in levels])
        upper.axhline(0, color=look.INK, linewidth=look.HAIR_WIDTH, zorder=1)
        lower.set_ylim(bottom=0)
        upper.plot([], [], label=words["critical_5"], **_LINES[0])
        upper.plot([], [], label=words["critical_1"], **_LINES[1])
        group_axis(lower, list(laboratories), words["laboratory"])
        upper.tick_params(axis="x", length=0)
        upper.set_ylabel(words["mandel_h"])
        lower.set_ylabel(words["mandel_k"])
        look.legend_above(figure, upper, 5)
        return figure


_LINES: tuple[dict[str, Any], dict[str, Any]] = (
    dict(look.LIMIT),
    look.LIMIT | {"linestyle": "-"},
)


def _draw(
    axes: Axes, laboratories: Sequence[str], values: Sequence[Mapping[str, float]], labels: Sequence[str]
) -> None:
    bar = _GROUP / max(len(values), 1)
    for index, found in enumerate(values):
        places = [at for at, name in enumerate(laboratories) if name in found]
        axes.bar(
            np.array(places) - _GROUP / 2 + bar * (index + 0.5),
            [found[laboratories[at]] for at in places],
            bar * 0.92,
            edgecolor=look.INK,
            linewidth=0.6,
            label=labels[index] if labels else None,
            zorder=2.2,
            **_FILLS[index % len(_FILLS)],
        )


def _lines(axes: Axes, ends: Sequence[float], values: Sequence[Mapping[str, float]]) -> None:
    """Lines at the critical values, given as 5 %, 1 % and their negatives; limits of the axis."""
    shown = [value for found in values for value in found.values()]
    set_scale(axes, "y", [0.0, *finite(shown), *ends], log=False)
    for position, end in enumerate(ends):
        axes.axhline(end, **_LINES[position % 2])
