"""Many small pictures of curves on one sheet: each with its baseline, its reading and its number.

Written as SVG directly: two hundred pictures drawn as figures of their own take longer than the dossier.
"""

from __future__ import annotations

from html import escape
from typing import TYPE_CHECKING

import numpy as np
from msgspec import Struct

from validator.dossier import figure_style as look
from validator.dossier.figures.curves import DrawnCurve, thinned
from validator.dossier.figures.parts import numbers_of

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

ACROSS = 5
DOWN = 8
"""Pictures on a sheet; a sheet of this height is a page."""
_WIDTH, _HEIGHT, _HEAD, _GAP = 32.0, 24.0, 6.4, 1.6
_POINTS = 160
_TEXT = 2.2
"""In millimetres, as all lengths here."""


class SmallCurve(Struct, frozen=True, kw_only=True):
    """One picture.

    Attributes:
        name: what the curve is called.
        number: what was read from it, with its unit.
        at: abscissa and ordinates of the reading, from the baseline to the curve; None for an area.
        marked: settings of its own.
    """

    curve: DrawnCurve
    name: str
    number: str
    at: tuple[float, float, float] | None
    marked: bool = False


def sheet_of_curves(curves: Sequence[SmallCurve]) -> str:
    """The *curves* side by side, each on scales of its own."""
    rows = -(-len(curves) // ACROSS)
    height = rows * (_HEIGHT + _GAP)
    pictures = "".join(
        _picture(one, (index % ACROSS) * _WIDTH, (index // ACROSS) * (_HEIGHT + _GAP))
        for index, one in enumerate(curves)
    )
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {ACROSS * _WIDTH:g} {height:g}" '
        f'width="{ACROSS * _WIDTH:g}mm" height="{height:g}mm" '
        f'font-family="Dossier Figure, Dossier Signs" font-size="{_TEXT}">'
        f"{pictures}</svg>"
    )


def _picture(one: SmallCurve, left: float, top: float) -> str:
    x, y = thinned(numbers_of(one.curve.x), numbers_of(one.curve.y), _POINTS)
    base_x, base_y = thinned(numbers_of(one.curve.baseline_x), numbers_of(one.curve.baseline_y), _POINTS)
    across = _Scale(float(x.min()), float(x.max()), left, left + _WIDTH - 2 * _GAP)
    ends = np.concatenate([y, base_y])
    up = _Scale(float(ends.min()), float(ends.max()), top + _HEIGHT, top + _HEAD)
    base = _path(across(base_x), up(base_y))
    colour = look.VERMILLION if one.curve.excluded else look.BLUE
    parts = [
        f'<text x="{left:.2f}" y="{top + _TEXT:.2f}" fill="{look.INK}">{escape(one.name)}</text>',
        f'<text x="{left:.2f}" y="{top + 2.25 * _TEXT:.2f}" fill="{look.INK}">{escape(one.number)}</text>',
        f'<path d="{_path(across(x), up(y))}" fill="none" stroke="{colour}" stroke-width="0.22"/>',
        f'<path d="{base}" fill="none" stroke="{look.INK}" stroke-width="0.14"/>',
    ]
    if one.at is not None:
        place, foot, summit = one.at
        d = _path(across(np.array([place, place])), up(np.array([foot, summit])))
        parts.append(f'<path d="{d}" fill="none" stroke="{look.VERMILLION}" stroke-width="0.3"/>')
    if one.marked:
        frame = (left - 0.5, top + _HEAD - 0.8, _WIDTH - 2 * _GAP + 1, _HEIGHT - _HEAD + 1.2)
        x0, y0, width, height = (f"{length:.2f}" for length in frame)
        parts.append(
            f'<rect x="{x0}" y="{y0}" width="{width}" height="{height}" fill="none" '
            f'stroke="{look.SOFT}" stroke-width="0.2" stroke-dasharray="0.8 0.8"/>'
        )
    return f"<g>{''.join(parts)}</g>"


class _Scale:
    def __init__(self, low: float, high: float, start: float, end: float) -> None:
        self._low, self._start = low, start
        self._by = (end - start) / (high - low) if high > low else 0.0

    def __call__(self, values: NDArray[np.float64]) -> NDArray[np.float64]:
        return self._start + (values - self._low) * self._by


def _path(xs: NDArray[np.float64], ys: NDArray[np.float64]) -> str:
    return "M" + "L".join(f"{x:.2f} {y:.2f}" for x, y in zip(xs, ys, strict=True))
