"""A sample of independent results, in series or not: mean, median, variance, and how variances combine."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np
from msgspec import Struct
from numpy.typing import ArrayLike, NDArray
from scipy import special

from validator.errors import NotEstimable
from validator.statistics.interval import Estimate, Interval

if TYPE_CHECKING:
    from collections.abc import Hashable, Iterable, Sequence


Vector = NDArray[np.float64]

# Equal numbers that went through different arithmetic differ in their last bits; that is not scatter.
_ROUNDING = 8 * float(np.finfo(np.float64).eps)


class Sample(Struct, frozen=True, kw_only=True):
    """Independent results of one thing.

    Attributes:
        n: number of results.
        mean: arithmetic mean.
        variance: s² with n − 1 degrees of freedom, 0 when the results are equal, None when n = 1.
    """

    n: int
    mean: float
    variance: float | None

    @property
    def sd(self) -> float | None:
        """Sample standard deviation; None for a single result."""
        return None if self.variance is None else math.sqrt(self.variance)

    @property
    def variance_of_mean(self) -> float | None:
        """s²/n; None for a single result."""
        return None if self.variance is None else self.variance / self.n

    @property
    def degrees_of_freedom(self) -> int:
        """One less than the number of results."""
        return self.n - 1


def vector(values: ArrayLike, name: str, *, size: int | None = None) -> Vector:
    """*values* as a one-dimensional array of finite numbers, stretched to *size* if it is a single number.

    Raises:
        ValueError: not finite, not one-dimensional, or of another length than *size*.
    """
    array = np.asarray(values, dtype=np.float64)
    if array.ndim == 0:
        array = np.full(1 if size is None else size, float(array))
    if array.ndim != 1:
        message = f"{name} must be one-dimensional"
        raise ValueError(message)
    if size is not None and array.size != size:
        message = f"{name} has {array.size} values where {size} are expected"
        raise ValueError(message)
    if not np.isfinite(array).all():
        message = f"{name} must be finite numbers"
        raise ValueError(message)
    return array


def summarise(values: ArrayLike, name: str = "values") -> Sample:
    """Size, mean and variance of at least one result.

    One value is subtracted first, so that leading digits common to all results cost no precision.

    Raises:
        ValueError: no values, or values that are not finite.
    """
    x = vector(values, name)
    if x.size == 0:
        message = f"{name} are empty"
        raise ValueError(message)
    shift = float(x[0])
    d = x - shift
    mean_d = float(d.sum()) / x.size
    mean = shift + mean_d
    if x.size == 1:
        return Sample(n=1, mean=mean, variance=None)
    smallest, largest = float(x.min()), float(x.max())
    if largest - smallest <= _ROUNDING * max(-smallest, largest):
        return Sample(n=x.size, mean=mean, variance=0.0)
    return Sample(n=x.size, mean=mean, variance=float(((d - mean_d) ** 2).sum()) / (x.size - 1))


def without_rounding(derived: Vector, operands: Vector) -> Vector:
    """*derived* values, made equal when they differ by no more than the rounding of their *operands*.

    0.3 − 0.2 and 10.3 − 10.2 are the same difference, but not in binary.
    """
    if derived.size and float(np.ptp(derived)) <= _ROUNDING * float(np.abs(operands).max()):
        return np.full(derived.size, float(derived[0]))
    return derived


def effective_degrees_of_freedom(components: Iterable[tuple[float, float]]) -> float:
    r"""Welch–Satterthwaite degrees of freedom of a sum of variances.

    .. math:: \nu = \left(\sum v_i\right)^2 / \sum v_i^2 / \nu_i

    Args:
        components: (variance, degrees of freedom) of each independent term; infinite ones are allowed.

    Returns:
        ν, infinite when no term of finite ν contributes.

    References:
        JCGM 100:2008, G.4.1, equation (G.2b).
    """
    terms = [(v, nu) for v, nu in components if v > 0]
    total = sum(v for v, _ in terms)
    # Shares instead of squares: variances of 1e-300 would otherwise vanish when squared.
    inverse = sum((v / total) ** 2 / nu for v, nu in terms)
    return 1 / inverse if inverse > 0 else math.inf


def mean_of_series(
    values: Vector, labels: Sequence[Hashable] | None
) -> tuple[float, float | None, float | None, str]:
    r"""Mean, its standard error and degrees of freedom when results of one series belong together.

    With labels of m > 1 series the series are the independent units, whatever their sizes:

    .. math:: \bar x = \frac1m\sum_j \bar x_j, \qquad u^2 = \frac{1}{m(m-1)}\sum_j(\bar x_j-\bar x)^2,
              \qquad \nu = m-1

    which is unbiased for u² with any sizes and any between-series variance.  Without labels, or with one
    series, u = s/√n with ν = n − 1.

    Returns:
        mean, standard error and ν (None for a single unit, standard error 0 without scatter), method.
    """
    groups = series_rows(labels, values.size)
    if len(groups) in (1, values.size):
        sample = summarise(values)
        method = (
            "independent results"
            if labels is None or len(groups) > 1
            else "one series; between-series variation not included"
        )
    else:
        sample = summarise([float(values[rows].mean()) for rows in groups])
        method = f"mean of {len(groups)} series means (series as independent units)"
    if sample.variance_of_mean is None:
        return sample.mean, None, None, method
    return sample.mean, math.sqrt(sample.variance_of_mean), sample.degrees_of_freedom, method


def series_rows(labels: Sequence[Hashable] | None, n: int) -> list[list[int]]:
    """Rows of each series in order of first appearance; every row by itself without labels."""
    if labels is None:
        return [[i] for i in range(n)]
    if len(labels) != n:
        message = f"{len(labels)} series labels for {n} results"
        raise ValueError(message)
    rows: dict[Hashable, list[int]] = {}
    for i, label in enumerate(labels):
        rows.setdefault(label, []).append(i)
    return list(rows.values())


def weights_of_series(labels: Sequence[Hashable] | None, n: int) -> Vector:
    """Weight of each result in the mean of series means; they add up to 1."""
    groups = series_rows(labels, n)
    weights = np.empty(n)
    for rows in groups:
        weights[rows] = 1 / (len(groups) * len(rows))
    return weights


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
