"""The middle and the ends of a sample without assuming a distribution."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
from scipy import special

from validator.errors import NotEstimable
from validator.statistics.interval import Estimate, Interval

if TYPE_CHECKING:
    from numpy.typing import ArrayLike


def median(values: ArrayLike, *, level: float = 0.95) -> Estimate:
    r"""Median of *values*, shape (n,), with the interval between two order statistics.

    The interval :math:`[x_{(k+1)}, x_{(n-k)}]` takes the largest k with
    :math:`P(\mathrm{Bin}(n, 1/2) \le k) \le (1-\gamma)/2`: it covers the median of any continuous
    distribution with at least the stated level. Where n is too small for that, it is unbounded.

    Raises:
        NotEstimable: no value, or one that is not finite.

    References:
        H. A. David, H. N. Nagaraja, Order Statistics, 3rd ed. (2003), 7.1 (from memory).
    """
    x = np.sort(np.asarray(values, dtype=np.float64).ravel())
    if x.size == 0 or not bool(np.isfinite(x).all()):
        raise NotEstimable("values are missing or not finite", "finite values")
    n = x.size
    below = special.bdtr(np.arange(n, dtype=np.float64), n, 0.5)

    def limits(level: float) -> tuple[float, float]:
        outside = int(np.count_nonzero(below <= (1 - level) / 2))
        bounded = 0 < outside <= n // 2
        return (float(x[outside - 1]), float(x[n - outside])) if bounded else (-np.inf, np.inf)

    return Estimate(value=float(np.median(x)), interval=Interval.by(limits, level, "order statistics"))
