"""Effects of factors changed on purpose, against the margin of chance and what is allowed."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from msgspec import Struct

from validator.dossier import figure_style as look
from validator.dossier.figures.parts import (
    Measured,
    all_ends,
    draw_interval,
    label_room,
    row_labels,
    set_scale,
)
from validator.dossier.numbers import as_given
from validator.dossier.words import sentence, words_for

if TYPE_CHECKING:
    from collections.abc import Sequence

    from matplotlib.figure import Figure

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
