"""Calibration points by level, and repeated readings reduced to one value per preparation."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
from msgspec import Struct

from validator.errors import NotEstimable
from validator.statistics.sample import Vector, vector

if TYPE_CHECKING:
    from collections.abc import Hashable, Sequence

    from numpy.typing import ArrayLike, NDArray

# 0.1 + 0.05 and 0.15 are one level.
_SAME_LEVEL = 1e-12
# Deviations this small beside the values come from the arithmetic, not from scatter.
_ROUNDING = 8 * float(np.finfo(np.float64).eps)


class Levels(Struct, frozen=True, kw_only=True, eq=False):
    """Points grouped by level, ascending.

    Attributes:
        level: (k,) distinct levels.
        n: (k,) points at each.
        mean: (k,) mean signal.
        variance: (k,) s² within the level, n − 1 degrees of freedom; 0 where n = 1.
        index: (n,) position in ``level`` of every point, in the order given.
    """

    level: NDArray[np.float64]
    n: NDArray[np.intp]
    mean: NDArray[np.float64]
    variance: NDArray[np.float64]
    index: NDArray[np.intp]

    @property
    def k(self) -> int:
        """Number of levels."""
        return int(self.level.size)

    @property
    def degrees_of_freedom(self) -> NDArray[np.intp]:
        """(k,) n − 1."""
        return self.n - 1


def level_index(x: ArrayLike) -> tuple[NDArray[np.float64], NDArray[np.intp]]:
    """Distinct levels, ascending, and the position among them of every point.

    Levels that differ by less than 1e-12 of the largest are one: they were computed, not chosen, apart.

    Returns:
        (k,) levels; (n,) positions.
    """
    levels = vector(x, "x")
    if levels.size == 0:
        return levels, np.zeros(0, dtype=np.intp)
    order = np.argsort(levels, kind="stable")
    ordered = levels[order]
    is_new = np.diff(ordered) > _SAME_LEVEL * float(np.abs(ordered).max())
    index = np.empty(levels.size, dtype=np.intp)
    index[order] = np.concatenate(([0], np.cumsum(is_new)))
    return ordered[np.concatenate(([True], is_new))], index


def by_level(x: ArrayLike, y: ArrayLike) -> Levels:
    """Group the signals *y* by their levels *x*, both (n,).

    Raises:
        ValueError: arrays that do not match or are not finite.
    """
    level, index = level_index(x)
    signals = vector(y, "y", size=index.size)
    n = np.bincount(index, minlength=level.size)
    shift = np.zeros(level.size)
    shift[index] = signals
    mean = shift + np.bincount(index, weights=signals - shift[index], minlength=level.size) / np.maximum(n, 1)
    squares = np.bincount(index, weights=(signals - mean[index]) ** 2, minlength=level.size)
    variance = squares / np.maximum(n - 1, 1)
    variance[variance <= (_ROUNDING * np.abs(mean)) ** 2] = 0.0
    variance[n == 1] = 0.0
    return Levels(level=level, n=n, mean=mean, variance=variance, index=index)


class AveragedReadings(Struct, frozen=True, kw_only=True, eq=False):
    """One value per independent preparation.

    Attributes:
        x: (n,) level of each preparation, in order of first appearance.
        y: (n,) mean of its readings.
    """

    x: NDArray[np.float64]
    y: NDArray[np.float64]


def average_repeated_readings(
    x: ArrayLike, y: ArrayLike, preparation: Sequence[Hashable]
) -> AveragedReadings:
    """Average the readings that share a preparation, so that they add no degrees of freedom.

    Args:
        x: (N,) level of each reading.
        y: (N,) signal of each reading.
        preparation: (N,) which independent preparation each reading belongs to.

    Raises:
        NotEstimable: no readings.
        ValueError: arrays that do not match, or readings of one preparation at different levels.

    References:
        The independent preparation is the unit of replication: Eurachem, The Fitness for Purpose of
        Analytical Methods, 2nd ed. 2014, clause 6.6 (from memory).
    """
    levels = vector(x, "x")
    signals = vector(y, "y", size=levels.size)
    if len(preparation) != levels.size:
        message = f"preparation has {len(preparation)} values where {levels.size} are expected"
        raise ValueError(message)
    if levels.size == 0:
        raise NotEstimable("no readings", "at least one reading")
    position: dict[Hashable, int] = {}
    index = np.array([position.setdefault(name, len(position)) for name in preparation], dtype=np.intp)
    grouped = by_level(index, signals)
    level = np.empty(grouped.k)
    level[index] = levels
    if bool((np.abs(levels - level[index]) > _SAME_LEVEL * np.abs(levels).max()).any()):
        message = "readings of one preparation must have one level"
        raise ValueError(message)
    return AveragedReadings(x=level, y=grouped.mean)


def pooled_variance(levels: Levels) -> float:
    r"""Pooled variance within levels, :math:`\sum ν_i s_i^2 / \sum ν_i`.

    Raises:
        NotEstimable: no level has more than one point.
    """
    nu: Vector = levels.degrees_of_freedom.astype(np.float64)
    if not nu.any():
        raise NotEstimable(
            "no level was measured in replicate", "at least 2 independent preparations at some level"
        )
    return float(nu @ levels.variance / nu.sum())
