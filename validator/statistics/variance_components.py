r"""Splitting the scatter of a one-way layout into sums of squares between and within groups.

All work is done on differences from one of the readings, so that a large common value
(1000000.4, 1000000.3, ...) costs no digits.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, TypeAlias

import numpy as np
from msgspec import Struct
from numpy.typing import NDArray

from validator.errors import NotEstimable

if TYPE_CHECKING:
    from collections.abc import Sequence

FloatArray: TypeAlias = NDArray[np.float64]


class OneWayLayout(Struct, frozen=True, kw_only=True):
    """The sums of a one-way layout.

    Attributes:
        n: number of readings N.
        counts: readings in each group n_i, shape (groups,).
        group_means: mean of each group, shape (groups,).
        centred_means: group means less the grand mean, computed from differences, shape (groups,).
        variance_of_means: variance of the group means, each counting once; NaN with one group.
        harmonic_mean: of the counts.
        mean: arithmetic mean of all readings.
        ss_between, ss_within: sums of squares.
        df_between, df_within: their degrees of freedom, groups - 1 and N - groups.
        n0: readings per group in the expectation of the between mean square,
            n0 = (N - Σ n_i²/N) / (groups - 1); None with one group.
    """

    n: int
    counts: FloatArray
    group_means: FloatArray
    centred_means: FloatArray
    variance_of_means: float
    harmonic_mean: float
    mean: float
    ss_between: float
    ss_within: float
    df_between: int
    df_within: int
    n0: float | None

    @property
    def groups(self) -> int:
        """Number of groups."""
        return len(self.counts)

    @property
    def is_balanced(self) -> bool:
        """True when every group holds the same number of readings."""
        return bool(np.all(self.counts == self.counts[0]))

    @property
    def ms_between(self) -> float | None:
        """Mean square between groups; None with one group."""
        return self.ss_between / self.df_between if self.df_between else None

    @property
    def ms_within(self) -> float | None:
        """Mean square within groups; None when no group holds two readings."""
        return self.ss_within / self.df_within if self.df_within else None


def checked_readings(values: Sequence[float] | FloatArray) -> FloatArray:
    """The readings as a one-dimensional array of finite doubles.

    Raises:
        NotEstimable: a reading is not a finite number.
    """
    readings = np.asarray(values, dtype=np.float64).ravel()
    if not np.isfinite(readings).all():
        raise NotEstimable("a reading is not a finite number", "finite readings only")
    return readings


def differences_from_one(readings: FloatArray) -> tuple[FloatArray, float]:
    """Differences from the middle reading, and that reading; exact where readings share leading digits."""
    origin = float(np.sort(readings)[len(readings) // 2])
    return readings - origin, origin


def one_way_layout(groups: Sequence[Sequence[float] | FloatArray]) -> OneWayLayout:
    r"""Sums of squares of a one-way layout, balanced or not; empty groups are left out.

    .. math::
        SS_W = \sum_i \sum_j (y_{ij} - \bar y_i)^2, \qquad SS_B = \sum_i n_i (\bar y_i - \bar y)^2

    Raises:
        NotEstimable: fewer than two readings, or one that is not finite.
    """
    arrays = [array for array in map(checked_readings, groups) if len(array)]
    if sum(map(len, arrays)) < 2:
        raise NotEstimable("fewer than 2 readings", "at least 2 readings")
    counts = np.array([len(array) for array in arrays], dtype=np.float64)
    differences, origin = differences_from_one(np.concatenate(arrays))
    code = np.repeat(np.arange(len(arrays)), counts.astype(np.intp))
    n = len(differences)
    shifted_means = np.bincount(code, differences) / counts
    residuals = differences - shifted_means[code]
    correction = np.bincount(code, residuals) / counts  # what rounding left in the group means
    shifted_means, residuals = shifted_means + correction, residuals - correction[code]
    constant = np.array([array.min() == array.max() for array in arrays])
    residuals[constant[code]] = 0.0  # equal readings have no scatter, whatever rounding says
    shifted_mean = float(np.dot(counts, shifted_means)) / n
    centred = shifted_means - shifted_mean
    return OneWayLayout(
        n=n,
        counts=counts,
        group_means=origin + shifted_means,
        centred_means=centred,
        variance_of_means=float(np.var(centred, ddof=1)) if len(arrays) > 1 else math.nan,
        harmonic_mean=len(arrays) / float(np.sum(1 / counts)),
        mean=origin + shifted_mean,
        ss_between=float(np.dot(counts, centred**2)),
        ss_within=float(np.dot(residuals, residuals)),
        df_between=len(arrays) - 1,
        df_within=n - len(arrays),
        n0=None if len(arrays) < 2 else (n - float(np.dot(counts, counts)) / n) / (len(arrays) - 1),
    )
