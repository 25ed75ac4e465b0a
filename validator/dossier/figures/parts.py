"""Pieces that several figures share: intervals with open ends, ticks, labels, scales."""

from __future__ import annotations

import math
import textwrap
from typing import TYPE_CHECKING, Any, Literal

import numpy as np
from msgspec import Struct

from validator.dossier.figure_style import HAIR_WIDTH, INK, RANGE, shortened
from validator.numbers import as_given

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

    from matplotlib.axes import Axes
    from numpy.typing import ArrayLike, NDArray

    from validator.dossier.figure_style import Width


_DECADES_FOR_A_LOG_SCALE = 2.0
_SMALLEST_ON_A_LOG_SCALE = 1e-99
_LABEL_CHARACTERS = 30
WIDE_LABEL_CHARACTERS = 44
"""In a figure as wide as the text."""
_MOST_LINES = 5
_LINES_OF_A_ROW = 2
_LONGEST_AXIS = 90


class Measured(Struct, frozen=True):
    """A value with the ends of its interval; an open end is None."""

    value: float
    lower: float | None = None
    upper: float | None = None


class AxisText(Struct, frozen=True):
    """What an axis shows: ``AxisText("Level", "µg/L")`` is printed as "Level (µg/L)"."""

    quantity: str
    unit: str = ""

    def __str__(self) -> str:
        quantity, unit = (shortened(text, _LONGEST_AXIS) for text in (self.quantity, self.unit))
        return f"{quantity} ({unit})" if unit else quantity


def numbers_of(values: ArrayLike) -> NDArray[np.float64]:
    """*values* as a flat array of floats."""
    return np.asarray(values, dtype=np.float64).ravel()


def finite(values: Iterable[float | None]) -> list[float]:
    """Those of *values* that are numbers."""
    return [value for value in values if value is not None and math.isfinite(value)]


def spans_decades(values: Iterable[float]) -> bool:
    """True for positive values that cover two decades or more: they want a logarithmic scale."""
    known = finite(values)
    if not known or len(positive(known)) < len(known):
        return False
    return math.log10(max(known)) - math.log10(min(known)) >= _DECADES_FOR_A_LOG_SCALE


def wrapped(label: str, characters: int = _LABEL_CHARACTERS) -> str:
    """*label* in lines that leave room for the figure; what is longer than a few lines is cut."""
    lines = textwrap.wrap(label, characters, max_lines=_MOST_LINES, placeholder=" …")
    return "\n".join(lines) or label


def set_scale(
    axes: Axes, axis: Literal["x", "y"], values: Iterable[float | None], *, log: bool, room: float = 0.06
) -> None:
    """Limits that leave *room* around *values*, and ticks in the number format of the dossier."""
    known = finite(values)
    lower, upper = (min(known), max(known)) if known else (0.0, 1.0)
    target = axes.xaxis if axis == "x" else axes.yaxis
    if log:
        lower, upper = _log_limits(lower, upper, room)
    else:
        margin = room * ((upper - lower) or abs(upper)) or room  # a part of the smallest double is 0
        lower, upper = lower - margin, upper + margin
    (axes.set_xscale if axis == "x" else axes.set_yscale)("log" if log else "linear")
    (axes.set_xlim if axis == "x" else axes.set_ylim)(lower, upper)
    if log:
        from matplotlib.ticker import FixedLocator, NullLocator

        target.set_major_locator(FixedLocator(_log_ticks(lower, upper)))
        target.set_minor_locator(NullLocator())
        target.set_major_formatter(lambda value, _position: as_given(value))
    else:
        from validator.dossier.figures.tick_labels import SameDecimals

        target.set_major_formatter(SameDecimals())


def _log_limits(lower: float, upper: float, room: float) -> tuple[float, float]:
    low, high = math.log10(lower), math.log10(upper)
    margin = room * max(high - low, 0.3)
    return 10 ** (low - margin), 10 ** (high + margin)


def _log_ticks(lower: float, upper: float) -> list[float]:
    """Decades; with 1, 2, 5 steps where fewer than three decades are shown."""
    decades = range(math.floor(math.log10(lower)), math.ceil(math.log10(upper)) + 1)
    few = math.log10(upper / lower)
    steps = (1, 2, 3, 5, 7) if few < 0.8 else (1, 2, 5) if few < 3.2 else (1,)
    every = max(1, round(len(decades) / 8)) if steps == (1,) else 1
    ticks = [step * 10.0**decade for decade in decades[::every] for step in steps]
    return [tick for tick in ticks if lower <= tick <= upper]


def draw_interval(
    axes: Axes, at: float, measured: Measured, *, across: Literal["x", "y"], order: float = 2.5
) -> None:
    """The interval of *measured* along the *across* axis at position *at* of the other one, if it has one.

    An open end runs to the edge of the axes and carries an arrow head there. Limits of the axes must be set.
    """
    if measured.lower is None and measured.upper is None:
        return
    edges = axes.get_xlim() if across == "x" else axes.get_ylim()
    lower, lower_open = _drawn_end(measured.lower, edges[0], edges)
    upper, upper_open = _drawn_end(measured.upper, edges[1], edges)
    _plot(axes, across, [lower, upper], at, linewidth=0.9, solid_capstyle="butt", zorder=order)
    heads, cap = ("<>", "|") if across == "x" else ("v^", "_")
    for end, is_open, head in ((lower, lower_open, heads[0]), (upper, upper_open, heads[1])):
        marker, size = (head, 4.0) if is_open else (cap, 5.0)
        _plot(
            axes,
            across,
            [end],
            at,
            marker=marker,
            markersize=size,
            markeredgewidth=HAIR_WIDTH,
            zorder=order,
            clip_on=False,
        )


def _plot(axes: Axes, across: Literal["x", "y"], along: list[float], at: float, **look: Any) -> None:  # noqa: ANN401
    x, y = (along, [at] * len(along)) if across == "x" else ([at] * len(along), along)
    axes.plot(x, y, color=INK, **look)


def _drawn_end(end: float | None, edge: float, edges: tuple[float, float]) -> tuple[float, bool]:
    """Where an end is drawn, and whether it is open; ends beyond the axes count as open there."""
    if end is None or not math.isfinite(end) or not edges[0] <= end <= edges[1]:
        return edge, True
    return end, False


def all_ends(measured: Iterable[Measured]) -> list[float | None]:
    """Every value and end of interval, for finding limits of an axis."""
    return [number for one in measured for number in (one.value, one.lower, one.upper)]


def positive(values: Iterable[float | None]) -> list[float]:
    """Those of *values* that a logarithmic axis can show."""
    return [value for value in finite(values) if value > _SMALLEST_ON_A_LOG_SCALE]


def label_room(width: Width) -> int:
    """Characters of a row's label that one line holds."""
    return WIDE_LABEL_CHARACTERS if width == "text" else _LABEL_CHARACTERS


def row_labels(
    axes: Axes,
    labels: Sequence[str],
    *,
    emphasised: Sequence[bool] = (),
    characters: int = _LABEL_CHARACTERS,
) -> None:
    """Labels of horizontal rows, the first on top, in lines of *characters*; emphasised ones in semibold."""
    axes.set_yticks(range(len(labels)), [_in_a_row(label, characters) for label in labels])
    axes.set_ylim(max(len(labels), 1) - 0.5, -0.5)
    axes.tick_params(axis="y", length=0)
    axes.spines["left"].set_visible(False)
    for text, strong in zip(axes.get_yticklabels(), emphasised, strict=False):
        if strong:
            text.set_fontweight(600)


def _in_a_row(label: str, characters: int) -> str:
    """*label* in the lines that a row has room for; its middle goes, since its end tells how much it was."""
    if len(textwrap.wrap(label, characters)) <= _LINES_OF_A_ROW:
        return wrapped(label, characters)
    *words, end = label.split(" ")
    while words:
        lines = textwrap.wrap(" ".join((*words, "…", end)), characters)
        if len(lines) <= _LINES_OF_A_ROW:
            return "\n".join(lines)
        words.pop()
    return wrapped(label, characters)


def mark_range(axes: Axes, ends: tuple[float, float], label: str) -> None:
    """A range of levels as a bar along the foot of the axes."""
    axes.plot(ends, (0.025, 0.025), transform=axes.get_xaxis_transform(), label=label, **RANGE)


def group_axis(axes: Axes, labels: Sequence[str], title: str) -> None:
    """An axis of named groups, 0, 1, 2, ..."""
    axes.set_xticks(range(len(labels)), [wrapped(label, 18) for label in labels])
    axes.set_xlim(-0.6, len(labels) - 0.4)
    axes.tick_params(axis="x", length=0)
    axes.set_xlabel(title)
