"""Detection and quantification limits of all variants side by side."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from msgspec import Struct

from validator.dossier import figure_style as look
from validator.dossier.figures.parts import (
    AxisText,
    Measured,
    all_ends,
    draw_interval,
    label_room,
    positive,
    row_labels,
    set_scale,
)
from validator.dossier.words import words_for

if TYPE_CHECKING:
    from collections.abc import Sequence

    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

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
