"""What all adapters are, and data with a given scatter."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Any, TypeAlias

import numpy as np
from numpy.typing import NDArray

Inputs: TypeAlias = Mapping[str, Any]
Figures: TypeAlias = dict[str, float]
Adapter: TypeAlias = Callable[[Inputs], Figures]


def spread(n: int, sd: float = 1.0, mean: float = 0.0) -> NDArray[np.float64]:
    """*n* values with this mean and standard deviation: for sources that print these and no data."""
    z = np.arange(n, dtype=float) - (n - 1) / 2
    values: NDArray[np.float64] = mean + sd * z / np.std(z, ddof=1)
    return values
