"""Consistency of laboratories: Mandel's h and k by laboratory and level."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np
from msgspec import Struct

from validator.dossier import figure_style as look
from validator.dossier.figures.parts import finite, group_axis, set_scale
from validator.dossier.words import words_for

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

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
