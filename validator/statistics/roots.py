"""Where a function of one variable crosses zero, by repeated grids.

The functions of this package take arrays, so a grid costs little more than a point; and importing
``scipy.optimize`` for a scalar root finder would cost more than a whole evaluation.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from collections.abc import Callable

    from numpy.typing import NDArray

    Array = NDArray[np.float64]

_POINTS = 65
_REFINEMENTS = 10
"""64^10 = 1e18 takes a bracket as wide as its upper end down to the last digit of a double."""


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
    return above
