"""Figures with a row or a group per thing: limits, recovery, interference, effects, ratios, contributions."""

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
from validator.dossier.wording import sentence, words_for
from validator.numbers import as_given, significant

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


_SIGNIFICANT: dict[bool, dict[str, Any]] = {
    True: {"facecolor": look.BLUE, "hatch": ""},
    False: {"facecolor": "#ffffff", "hatch": "////"},
}


class EffectRow(Struct, frozen=True, kw_only=True):
    """Effect of one factor, in percent; whether it is beyond chance is None where nothing can tell."""

    label: str
    effect: Measured
    significant: bool | None


def effects_figure(
    rows: Sequence[EffectRow],
    *,
    margin_percent: float | None = None,
    allowed_percent: float | None = None,
    width: look.Width = "text",
    language: str = "en",
) -> Figure:
    """Bars of the effects with intervals; lines at ± *margin_percent*, a band over ± *allowed_percent*."""
    words = words_for(language, "figures")
    with look.style():
        figure = look.new_figure(width, min(24 + 6.0 * len(rows), look.TALLEST_MM))
        axes = figure.add_subplot()
        lines = [end for end in (margin_percent, allowed_percent) if end is not None]
        shown = [0.0, *all_ends(row.effect for row in rows), *lines, *(-end for end in lines)]
        set_scale(axes, "x", shown, log=False)
        row_labels(axes, [row.label for row in rows], characters=label_room(width))
        if allowed_percent is not None:
            label = f"{words['allowed_effect']} ±{as_given(allowed_percent)} %"
            axes.axvspan(
                -allowed_percent, allowed_percent, color=look.ACCEPTED, linewidth=0, label=label, zorder=0
            )
        axes.axvline(0, color=look.INK, linewidth=look.HAIR_WIDTH, zorder=1)
        if margin_percent is not None:
            axes.axvline(margin_percent, label=words["margin_of_chance"], **look.LIMIT)
            axes.axvline(-margin_percent, **look.LIMIT)
        for significant, fill in _SIGNIFICANT.items():
            kept = {at: row for at, row in enumerate(rows) if bool(row.significant) is significant}
            if kept:
                axes.barh(
                    list(kept),
                    [row.effect.value for row in kept.values()],
                    0.58,
                    edgecolor=look.INK,
                    linewidth=0.6,
                    label=words["beyond_chance" if significant else "not_beyond_chance"],
                    zorder=2.2,
                    **fill,
                )
        for at, row in enumerate(rows):
            draw_interval(axes, at, row.effect, across="x", order=3)
        axes.set_xlabel(sentence(words["effect_percent"]))
        look.legend_above(figure, axes)
        return figure


# kind -> marker, size, filled, offset within the row
_MARKS = {
    "critical_level": ("|", 9.0, True, -0.24),
    "detection_limit": ("o", 5.2, True, 0.0),
    "quantification_limit": ("s", 5.0, False, 0.24),
}

_ROW_MM: dict[look.Width, float] = {"text": 5.0, "column": 9.5, "half": 9.5}


class LimitRow(Struct, frozen=True, kw_only=True):
    """One variant with those of its limits that could be found."""

    label: str
    critical_level: Measured | None = None
    detection_limit: Measured | None = None
    quantification_limit: Measured | None = None
    declared: bool = False


def limits_figure(
    rows: Sequence[LimitRow],
    *,
    x: AxisText,
    lowest_calibrator: float | None = None,
    legal_limit: float | None = None,
    legal_label: str = "",
    width: look.Width = "text",
    language: str = "en",
) -> Figure:
    """A row per variant on a logarithmic axis: three marks with intervals, the declared row set apart."""
    words = words_for(language, "figures")
    with look.style():
        figure = look.new_figure(width, min(22 + _ROW_MM[width] * len(rows), look.TALLEST_MM))
        axes = figure.add_subplot()
        shown = [one for row in rows for one in _limits_of(row).values()]
        ends = [*all_ends(shown), lowest_calibrator, legal_limit]
        set_scale(axes, "x", positive(ends) or [1.0], log=True)
        labels, declared = [_label(row) for row in rows], [row.declared for row in rows]
        row_labels(axes, labels, emphasised=declared, characters=label_room(width))
        for position, row in enumerate(rows):
            _draw_row(axes, position, row)
        _draw_line(axes, lowest_calibrator, words["lowest_calibrator"], look.SOFT, (4, 2))
        _draw_line(axes, legal_limit, legal_label or words["limit"], look.VERMILLION, ())
        for kind, (marker, size, filled, _) in _MARKS.items():
            axes.plot([], [], linestyle="none", label=words[kind], **_mark(marker, size, filled))
        axes.set_xlabel(str(x))
        axes.grid(axis="x", color=look.HAIR, linewidth=0.4)
        look.legend_above(figure, axes, 5 if width == "text" else 2)
        return figure


def _limits_of(row: LimitRow) -> dict[str, Measured]:
    """The limits that were found, those a logarithmic axis can show."""
    limits: dict[str, Measured | None] = {kind: getattr(row, kind) for kind in _MARKS}
    return {kind: one for kind, one in limits.items() if one is not None and one.value > 0}


def _label(row: LimitRow) -> str:
    return f"▶ {row.label}" if row.declared else row.label


def _mark(marker: str, size: float, filled: bool) -> dict[str, Any]:
    return {
        "marker": marker,
        "markersize": size,
        "color": look.BLUE if filled else look.INK,
        "markerfacecolor": look.BLUE if filled else "white",
        "markeredgewidth": 1.8 if marker == "|" else 1.1,
    }


def _draw_row(axes: Axes, position: int, row: LimitRow) -> None:
    if row.declared:
        axes.axhspan(position - 0.46, position + 0.46, color=look.ACCEPTED, linewidth=0, zorder=0)
    axes.axhline(position + 0.5, color=look.HAIR, linewidth=0.4, zorder=0)
    for kind, measured in _limits_of(row).items():
        marker, size, filled, offset = _MARKS[kind]
        draw_interval(axes, position + offset, measured, across="x")
        axes.plot([measured.value], [position + offset], zorder=4, **_mark(marker, size, filled))


def _draw_line(axes: Axes, at: float | None, label: str, colour: str, dashes: tuple[float, ...]) -> None:
    if at is not None and at > 0:
        dash = (0, dashes) if dashes else "-"
        axes.axvline(at, color=colour, linewidth=1.2, linestyle=dash, label=label, zorder=1.5)
