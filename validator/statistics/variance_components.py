r"""Splitting scatter into variance components: mean squares of a one-way layout, and REML.

All work is done on differences from one of the readings, so that a large common value
(1000000.4, 1000000.3, ...) costs no digits.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, TypeAlias

import numpy as np
from numpy.typing import NDArray

from validator.errors import NotEstimable

if TYPE_CHECKING:
    from collections.abc import Sequence

FloatArray: TypeAlias = NDArray[np.float64]


@dataclass(frozen=True, slots=True, kw_only=True)
class OneWayLayout:
    """The sums of a one-way layout.

    Attributes:
        n: number of readings N.
        counts: readings in each group n_i, shape (groups,).
        group_means: mean of each group, shape (groups,).
        centred_means: group means less the grand mean, computed from differences, shape (groups,).
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
        mean=origin + shifted_mean,
        ss_between=float(np.dot(counts, centred**2)),
        ss_within=float(np.dot(residuals, residuals)),
        df_between=len(arrays) - 1,
        df_within=n - len(arrays),
        n0=None if len(arrays) < 2 else (n - float(np.dot(counts, counts)) / n) / (len(arrays) - 1),
    )


def one_way_reml(layout: OneWayLayout) -> tuple[float, float]:
    r"""Within and between variance of a one-way layout by restricted maximum likelihood.

    With :math:`\rho = \sigma_b^2/\sigma_r^2`, :math:`w_i = n_i/(1 + n_i\rho)`,
    :math:`\hat\mu = \sum w_i\bar y_i/\sum w_i` and
    :math:`Q(\rho) = SS_W + \sum w_i(\bar y_i - \hat\mu)^2` the profile deviance is

    .. math:: d(\rho) = (N-1)\ln Q + \sum\ln(1+n_i\rho) + \ln\sum w_i,
        \qquad \hat\sigma_r^2 = Q(\hat\rho)/(N-1), \quad \hat\sigma_b^2 = \hat\rho\,\hat\sigma_r^2

    minimised over :math:`\rho \ge 0`. For a balanced layout it equals the analysis of variance with
    negative components set to zero and the sums pooled.

    Returns:
        (σ_r², σ_b²), squared unit of the data.

    Raises:
        NotEstimable: no scatter within the groups, so the ratio has no finite maximum.

    References:
        H.D. Patterson, R. Thompson, Biometrika 58 (1971) 545; S.R. Searle, G. Casella, C.E. McCulloch,
        Variance Components (1992), ch. 6 (from memory; checked against an independent REML in the tests).
    """
    from scipy import optimize  # slow to import, and only unbalanced layouts come here

    if layout.df_within < 1 or layout.ss_within <= 0:
        raise NotEstimable("no scatter within the groups", "groups with two or more differing readings")
    counts, means, n = layout.counts, layout.centred_means, layout.n

    def weighted(rho: float) -> tuple[FloatArray, FloatArray, float]:
        w = counts / (1 + counts * rho)
        deviations = means - np.dot(w, means) / w.sum()
        return w, deviations, layout.ss_within + float(np.dot(w, deviations**2))

    def deviance(rho: float) -> float:
        w, _, Q = weighted(rho)
        return float((n - 1) * np.log(Q) + np.log1p(counts * rho).sum() + np.log(w.sum()))

    def slope(rho: float) -> float:
        w, deviations, Q = weighted(rho)
        return float(w.sum() - np.dot(w, w) / w.sum() - (n - 1) * np.dot(w**2, deviations**2) / Q)

    # The deviance may have several stationary points: scan, then close in on each root of its slope.
    largest = 1e3 * max(1.0, layout.ss_between / layout.ss_within * n)
    scan = np.concatenate(([0.0], np.geomspace(1e-9, largest, 200)))
    slopes = [slope(rho) for rho in scan]
    candidates = [0.0] + [
        float(optimize.brentq(slope, low, high, xtol=1e-300, rtol=1e-14))
        for low, high, s_low, s_high in zip(scan[:-1], scan[1:], slopes[:-1], slopes[1:], strict=True)
        if s_low < 0 <= s_high
    ]
    rho = min(candidates, key=deviance)
    sigma_r2 = weighted(rho)[2] / (n - 1)
    return sigma_r2, rho * sigma_r2
