"""Figures with a row or a group per thing: recovery, interference, ratios, contributions to uncertainty."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, Literal

import numpy as np
from msgspec import Struct

from validator.dossier import figure_style as look
from validator.dossier.figures.parts import (
    AxisText,
    Measured,
    all_ends,
    draw_interval,
    finite,
    group_axis,
    label_room,
    numbers_of,
    positive,
    row_labels,
    set_scale,
)
from validator.dossier.numbers import as_given, significant
from validator.dossier.words import sentence, words_for

if TYPE_CHECKING:
    from collections.abc import Sequence

    from matplotlib.axes import Axes
    from matplotlib.figure import Figure
    from numpy.typing import ArrayLike

Side = Literal["inside", "undecided", "outside"]

_SIDES: dict[Side, dict[str, Any]] = {
    "inside": look.POINT,
    "undecided": look.MEAN | {"markerfacecolor": "white"},
    "outside": look.POINT | {"marker": "s", "color": look.VERMILLION},
}


class RecoveryLevel(Struct, frozen=True, kw_only=True):
    """Recoveries of one level in percent, their mean with its interval, and what is accepted there."""

    label: str
    values: ArrayLike
    mean: Measured
    acceptance: tuple[float, float] | None = None


class InterferenceRow(Struct, frozen=True, kw_only=True):
    """Change of the response, in percent, by one interferent at one ratio."""

    label: str
    change: Measured
    side: Side


class RatioRow(Struct, frozen=True, kw_only=True):
    """A ratio with its interval and the way it is written in the text."""

    label: str
    ratio: Measured
    text: str = ""


def recovery_figure(
    levels: Sequence[RecoveryLevel],
    *,
    x_title: str = "",
    interval_level: str = "95 %",
    width: look.Width = "text",
    language: str = "en",
) -> Figure:
    """Single recoveries and their mean with its interval at every level, over the accepted band."""
    words = words_for(language, "figures")
    with look.style():
        figure = look.new_figure(width, 58 if width == "text" else 68)
        axes = figure.add_subplot()
        accepted = [end for level in levels if level.acceptance for end in level.acceptance]
        singles = [value for level in levels for value in numbers_of(level.values).tolist()]
        set_scale(
            axes, "y", [100.0, *accepted, *singles, *all_ends(level.mean for level in levels)], log=False
        )
        group_axis(axes, [level.label for level in levels], x_title)
        axes.axhline(100, color=look.INK, linewidth=look.HAIR_WIDTH, zorder=1)
        for position, level in enumerate(levels):
            _draw_recovery(axes, position, level)
        if accepted:
            axes.fill_between([], [], color=look.ACCEPTED, label=words["acceptance"])
        axes.plot([], [], label=words["single_value"], **look.SINGLE)
        axes.plot([], [], label=words["mean_with_interval"].format(level=interval_level), **look.MEAN)
        axes.set_ylabel(sentence(words["recovery"]))
        look.legend_above(figure, axes)
        return figure


def interference_figure(
    rows: Sequence[InterferenceRow],
    *,
    limit_percent: float,
    interval_level: str = "95 %",
    width: look.Width = "text",
    language: str = "en",
) -> Figure:
    """Change by interferent and ratio with its interval against ± *limit_percent*; the mark tells."""
    words = words_for(language, "figures")
    with look.style():
        figure = look.new_figure(width, min(24 + 5.4 * len(rows), look.TALLEST_MM))
        axes = figure.add_subplot()
        set_scale(
            axes, "x", [*all_ends(row.change for row in rows), -limit_percent, limit_percent], log=False
        )
        row_labels(axes, [row.label for row in rows], characters=label_room(width))
        band = f"±{as_given(limit_percent)} %"
        axes.axvspan(-limit_percent, limit_percent, color=look.ACCEPTED, linewidth=0, label=band, zorder=0)
        axes.axvline(0, color=look.INK, linewidth=look.HAIR_WIDTH, zorder=1)
        for position, row in enumerate(rows):
            draw_interval(axes, position, row.change, across="x")
            axes.plot([row.change.value], [position], **_SIDES[row.side])
        for side in _SIDES:
            if any(row.side == side for row in rows):
                axes.plot([], [], label=words[side], **_SIDES[side])
        estimate = words["estimate_with_interval"].format(level=interval_level)
        between = ", " if width == "text" else ",\n"  # a column is narrower than the sentence
        axes.set_xlabel(f"{sentence(words['relative_change'])}{between}{estimate}")
        look.legend_above(figure, axes)
        return figure


def ratio_forest_figure(
    rows: Sequence[RatioRow],
    *,
    x: AxisText,
    reference: float = 1.0,
    width: look.Width = "text",
    language: str = "en",
) -> Figure:
    """Ratios with intervals, one row each, against the line of no difference; written out at the right."""
    words = words_for(language, "figures")
    ends = [*all_ends(row.ratio for row in rows), reference]
    with look.style():
        figure = look.new_figure(width, min(20 + 6.4 * len(rows), look.TALLEST_MM))
        axes = figure.add_subplot()
        set_scale(axes, "x", ends, log=len(positive(ends)) == len(finite(ends)))
        row_labels(axes, [row.label for row in rows], characters=label_room(width))
        axes.axvline(reference, label=words["equal"], **look.LIMIT | {"color": look.SOFT})
        for position, row in enumerate(rows):
            axes.axhline(position + 0.5, color=look.HAIR, linewidth=0.4, zorder=0)
            draw_interval(axes, position, row.ratio, across="x")
            axes.plot([row.ratio.value], [position], **look.POINT)
            _write_at_the_right(axes, position, row.text)
        axes.set_xlabel(str(x))
        look.legend_above(figure, axes)
        return figure


def contribution_figure(
    labels: Sequence[str], shares_percent: ArrayLike, *, width: look.Width = "text", language: str = "en"
) -> Figure:
    """Shares of the combined variance, in percent, in the order given."""
    words = words_for(language, "figures")
    shares = numbers_of(shares_percent)
    with look.style():
        figure = look.new_figure(width, min(16 + 5.2 * len(labels), look.TALLEST_MM))
        axes = figure.add_subplot()
        set_scale(axes, "x", [0.0, float(shares.max(initial=1.0))], log=False, room=0.08)
        axes.set_xlim(left=0)
        row_labels(axes, labels, characters=label_room(width))
        bars = axes.barh(
            range(len(labels)), shares, 0.62, facecolor=look.BAND, edgecolor=look.INK, linewidth=0.6
        )
        axes.bar_label(bars, [_share(share) for share in shares], padding=3, fontsize=7.5)
        axes.set_xlabel(sentence(words["contribution"]))
        return figure


def _draw_recovery(axes: Axes, position: int, level: RecoveryLevel) -> None:
    values = numbers_of(level.values)
    if level.acceptance is not None:
        sides = [position - 0.42, position + 0.42]
        axes.fill_between(sides, *level.acceptance, color=look.ACCEPTED, linewidth=0, zorder=0)
    spread = np.linspace(-0.26, -0.1, values.size) if values.size > 1 else np.full(values.size, -0.18)
    axes.plot(position + spread, values, **look.SINGLE)
    draw_interval(axes, position + 0.1, level.mean, across="y")
    axes.plot([position + 0.1], [level.mean.value], **look.MEAN)


def _write_at_the_right(axes: Axes, position: int, text: str) -> None:
    axes.annotate(
        text,
        (1.0, position),
        xycoords=axes.get_yaxis_transform(),
        xytext=(6, 0),
        textcoords="offset points",
        va="center",
        annotation_clip=False,
    )


def _share(share: float) -> str:
    return "< 1" if 0 < share < 1 else significant(share, 2)
