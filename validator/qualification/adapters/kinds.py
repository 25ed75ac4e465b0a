"""What all adapters are, data with a given scatter, and figures that may be missing."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from typing import TYPE_CHECKING, Any, TypeAlias

import numpy as np

from validator.errors import NotEstimable

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from validator.records import EstimateRecord
    from validator.statistics.interval import Estimate

Inputs: TypeAlias = Mapping[str, Any]
Figures: TypeAlias = dict[str, float]
Adapter: TypeAlias = Callable[[Inputs], Figures]


def spread(n: int, sd: float = 1.0, mean: float = 0.0) -> NDArray[np.float64]:
    """*n* values with this mean and standard deviation: for sources that print these and no data."""
    z = np.arange(n, dtype=float) - (n - 1) / 2
    values: NDArray[np.float64] = mean + sd * z / np.std(z, ddof=1)
    return values


def known(value: float | None) -> float:
    """*value*, or NaN where there is none: a missing figure agrees with nothing."""
    return math.nan if value is None else float(value)


def value_of(estimate: Estimate | EstimateRecord | NotEstimable | None) -> float:
    """The value of an estimate, or NaN where there is none."""
    value = None if estimate is None or isinstance(estimate, NotEstimable) else estimate.value
    return math.nan if value is None else value
