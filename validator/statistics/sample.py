"""A sample of independent results: its size, mean and variance, and how variances combine."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np
from msgspec import Struct
from numpy.typing import ArrayLike, NDArray

if TYPE_CHECKING:
    from collections.abc import Iterable

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
