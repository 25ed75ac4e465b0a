"""Where a function of one variable crosses zero: by repeated grids, or point by point where a point is dear.

Most functions of this package take arrays, so a grid costs little more than a point; and importing
``scipy.optimize`` for a scalar root finder would cost more than a whole evaluation.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from collections.abc import Callable

    from numpy.typing import NDArray

    Array = NDArray[np.float64]

_POINTS = 513
_REFINEMENTS = 7
"""512^7 = 1e19 takes a bracket as wide as its upper end down to the last digit of a double."""


def crossing(function: Callable[[Array], Array], below: float, above: float) -> float:
    """First point of the bracket at which *function* is no longer negative.

    Args:
        function: array in, array of the same shape out.
        below: lower end of a bracket, where the function is negative.
        above: its upper end, where it was found not to be.

    Returns:
        The upper end of the bracket once it is as narrow as the arithmetic allows.
    """
    for _ in range(_REFINEMENTS):
        grid = np.linspace(below, above, _POINTS)
        # the last point passed before; rounding must not make it fail now
        first = int(np.argmax(np.append(function(grid[:-1]) >= 0, True)))
        below, above = float(grid[max(first - 1, 0)]), float(grid[first])
        if above <= math.nextafter(below, math.inf):
            break
    return above


def falling_root(function: Callable[[float], float], low: float, high: float) -> float:
    """Root of a smooth falling *function* that takes one value at a time, to 1e-12 of the bracket's width.

    False position; an end that stays twice has its ordinate halved (the "Illinois" rule).

    Args:
        function: positive at *low*, not positive at *high*.
        low: lower end of the bracket.
        high: its upper end.

    References:
        M. Dowell, P. Jarratt, BIT 11 (1971) 168 (from memory).
    """
    at_low, at_high, stayed, narrow = function(low), function(high), "", 1e-12 * (high - low)
    while high - low > narrow:
        x = (low * at_high - high * at_low) / (at_high - at_low)
        x = min(max(x, low + narrow / 2), high - narrow / 2)
        y = function(x)
        if y > 0:
            low, at_low = x, y
            at_high /= 2 if stayed == "high" else 1
            stayed = "high"
        else:
            high, at_high = x, y
            at_low /= 2 if stayed == "low" else 1
            stayed = "low"
    return (low + high) / 2
