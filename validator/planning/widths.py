"""Expected half-widths of intervals."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
from msgspec import Struct

from validator.statistics.sample import median

if TYPE_CHECKING:
    from collections.abc import Sequence

    from validator.planning.figures import Figure, FigureKey
    from validator.planning.trials import Trial
    from validator.statistics.interval import Estimate

RANGE = (0.05, 0.95)
"""Quantiles between which nine of ten studies fall."""


class Width(Struct, frozen=True, kw_only=True):
    """Half-widths of the interval of one figure in simulated studies.

    Attributes:
        key: which figure.
        typical: median of the figure itself.
        half_width: median half-width, with the simulation's own interval.
        low, high: 5 % and 95 % quantile of the half-width.
        closed: in how many studies the interval was bounded on both sides; those are counted above.
        n: in how many studies there was an interval.
    """

    key: FigureKey
    typical: float
    half_width: Estimate | None
    low: float | None
    high: float | None
    closed: int
    n: int


def widths(trials: Sequence[Trial]) -> tuple[Width, ...]:
    """The half-widths of every figure, in the order of the figures."""
    found: dict[FigureKey, list[Figure]] = {}
    for trial in trials:
        for key, figure in trial.figures.items():
            found.setdefault(key, []).append(figure)
    return tuple(_width(key, members) for key, members in found.items())


def _width(key: FigureKey, members: Sequence[Figure]) -> Width:
    halves = [half for one in members if (half := one.half_width) is not None]
    low, high = (float(end) for end in np.quantile(halves, RANGE)) if halves else (None, None)
    return Width(
        key=key,
        typical=float(np.median([one.value for one in members])),
        half_width=median(halves) if halves else None,
        low=low,
        high=high,
        closed=len(halves),
        n=len(members),
    )
