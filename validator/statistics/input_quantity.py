"""An input quantity of a measurement model: its estimate, its distribution, its Type B evaluation."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Literal

import numpy as np
from msgspec import Struct

from validator.errors import NotEstimable
from validator.numbers import counted
from validator.statistics.distributions import normal_quantile
from validator.statistics.sample import Vector, mean_of_series

if TYPE_CHECKING:
    from collections.abc import Hashable, Sequence

    from numpy.typing import ArrayLike


Evaluation = Literal["A", "B"]

# An eigenvalue this far below zero is more than rounding: no quantities can be correlated like that.
_NEGATIVE = -1e-8


class InputQuantity(Struct, frozen=True, kw_only=True):
    """What is known of one input.

    A normal quantity with finite ν stands for a mean of readings: propagation by simulation draws it from
    the scaled and shifted t distribution.

    Attributes:
        name: as it stands in the measurement model.
        value: estimate.
        standard_uncertainty: u, in the unit of the value; 0 for a quantity taken as exact.
        distribution: what the quantity follows.
        degrees_of_freedom: ν of u, infinite for a u that is taken as known.
        evaluation: "A" by statistics, "B" by other means.
        divisor: what the stated figure was divided by to give u.
    """

    name: str
    value: float
    standard_uncertainty: float
    distribution: Distribution = "normal"
    degrees_of_freedom: float = math.inf
    evaluation: Evaluation = "B"
    divisor: float = 1.0

    def __post_init__(self) -> None:
        if not (math.isfinite(self.value) and math.isfinite(self.standard_uncertainty)):
            message = f"{self.name}: value and standard uncertainty must be finite numbers"
            raise ValueError(message)
        if self.standard_uncertainty < 0 or not self.degrees_of_freedom > 0:
            message = f"{self.name}: standard uncertainty below 0, or degrees of freedom not above 0"
            raise ValueError(message)


def from_readings(name: str, values: ArrayLike, *, series: Sequence[Hashable] | None = None) -> InputQuantity:
    """A mean of readings, (n,): u = s/√n with ν = n − 1 (type A).

    Readings of one series belong together; with labels the series are the independent units.

    Raises:
        NotEstimable: fewer than two independent readings.

    References:
        JCGM 100:2008, 4.2.3.
    """
    readings = np.asarray(values, dtype=np.float64)
    if readings.size == 0:
        raise NotEstimable(f"no readings were provided for {name}", "at least 2 independent readings")
    mean, u, nu, _ = mean_of_series(readings, series)
    if u is None or nu is None:
        raise NotEstimable(f"{name} has {counted(readings.size, 'reading')}", "at least 2 readings")
    return InputQuantity(name=name, value=mean, standard_uncertainty=u, degrees_of_freedom=nu, evaluation="A")


def from_statement(
    name: str,
    value: float,
    stated: float,
    kind: Kind = "standard",
    *,
    k: float | None = None,
    distribution: Distribution | None = None,
    coverage: float = 0.95,
    relative: bool = False,
    degrees_of_freedom: float = math.inf,
) -> InputQuantity:
    """A quantity whose uncertainty is stated by a certificate, a specification or a judgement (type B).

    Args:
        name: as it stands in the measurement model.
        value: estimate.
        stated: the figure, in the unit of the value, or in percent of it where *relative* is true.
        kind: standard or expanded uncertainty, or half-width of a tolerance.
        k: coverage factor of an expanded uncertainty.
        distribution: of a tolerance, rectangular unless named.
        coverage: share of the values within a tolerance with a normal distribution.
        relative: the figure is in percent of the value.
        degrees_of_freedom: ν of the standard uncertainty.

    Raises:
        ValueError: a figure that cannot be converted.
    """
    conversion = to_standard_uncertainty(stated, kind, k=k, distribution=distribution, coverage=coverage)
    per_unit = abs(value) / 100 if relative else 1.0
    return InputQuantity(
        name=name,
        value=value,
        standard_uncertainty=conversion.standard_uncertainty * per_unit,
        distribution=conversion.distribution,
        degrees_of_freedom=degrees_of_freedom,
        divisor=conversion.divisor,
    )


def correlation_of_readings(readings: ArrayLike) -> Vector:
    r"""Correlations of the means of quantities read together.

    .. math:: r(\bar q, \bar r) = \frac{\sum_k (q_k - \bar q)(r_k - \bar r)}
              {\sqrt{\sum_k (q_k - \bar q)^2 \sum_k (r_k - \bar r)^2}}

    Args:
        readings: (n, quantities), one row for each set that was read at the same time.

    Returns:
        (quantities, quantities).

    Raises:
        NotEstimable: fewer than two rows, or a quantity whose readings do not differ.

    References:
        JCGM 100:2008, 5.2.3, equation (17).
    """
    table = np.asarray(readings, dtype=np.float64)
    if table.ndim != 2 or len(table) < 2:
        raise NotEstimable(
            "fewer than 2 sets of simultaneous readings",
            "at least 2, preferably 5 or more, sets of simultaneous readings",
        )
    centred = table - table[0]
    centred = centred - centred.mean(axis=0)
    size = np.abs(centred).max(axis=0)
    if not (size > 0).all():
        raise NotEstimable(
            "the readings of a quantity are identical", "readings recorded with sufficient resolution"
        )
    scaled = centred / size
    norm = np.sqrt((scaled**2).sum(axis=0))
    r: Vector = np.clip((scaled.T @ scaled) / np.outer(norm, norm), -1.0, 1.0)
    np.fill_diagonal(r, 1.0)
    return r


def checked_correlation(correlation: ArrayLike | None, n: int) -> Vector:
    """The correlation matrix of *n* inputs, (n, n); the unit matrix where none is given.

    Raises:
        ValueError: of another size, not symmetric, no ones on the diagonal, or no quantities could be
            correlated like that (a negative eigenvalue).
    """
    if correlation is None:
        return np.eye(n)
    r = np.asarray(correlation, dtype=np.float64)
    if r.shape != (n, n) or not np.isfinite(r).all():
        message = f"the correlation matrix of {n} inputs has {n} rows and columns of finite numbers"
        raise ValueError(message)
    if not np.allclose(r, r.T, rtol=0, atol=1e-12) or not np.allclose(np.diag(r), 1.0, rtol=0, atol=1e-12):
        message = "a correlation matrix is symmetric with ones on its diagonal"
        raise ValueError(message)
    if float(np.linalg.eigvalsh(r).min()) < _NEGATIVE:
        message = "no quantities can be correlated like that: the matrix has a negative eigenvalue"
        raise ValueError(message)
    return r


Distribution = Literal["normal", "rectangular", "triangular", "u_shaped"]
Kind = Literal["standard", "expanded", "tolerance"]

DIVISORS: dict[Distribution, float] = {
    "rectangular": math.sqrt(3),
    "triangular": math.sqrt(6),
    "u_shaped": math.sqrt(2),
}
"""Half-width over standard deviation, for distributions that end at the limits."""


class Conversion(Struct, frozen=True, kw_only=True):
    """How a stated figure became a standard uncertainty.

    Attributes:
        standard_uncertainty: u, in the unit of the stated figure.
        divisor: stated figure over u.
        distribution: what the quantity is taken to follow.
    """

    standard_uncertainty: float
    divisor: float
    distribution: Distribution


def to_standard_uncertainty(
    stated: float,
    kind: Kind,
    *,
    k: float | None = None,
    distribution: Distribution | None = None,
    coverage: float = 0.95,
) -> Conversion:
    r"""Standard uncertainty behind a stated figure.

    .. math:: u = U/k \;\text{(expanded)}, \qquad
        u = a/\sqrt3,\; a/\sqrt6,\; a/\sqrt2,\; a/z_{(1+p)/2} \;\text{(tolerance ±a)}

    for a rectangular, triangular, U-shaped and normal distribution; the limits of the normal one hold the
    share p of the values.

    Args:
        stated: standard uncertainty, expanded uncertainty or half-width a of a tolerance; not negative.
        kind: which of these it is.
        k: coverage factor of an expanded uncertainty.
        distribution: of a tolerance, rectangular unless named; other kinds are normal.
        coverage: p, for a tolerance with a normal distribution.

    Raises:
        ValueError: a negative or infinite figure, an expanded uncertainty without k > 0, a coverage outside
            (0, 1).

    References:
        JCGM 100:2008, 4.3.3 to 4.3.9; arcsine (U-shaped): JCGM 101:2008, 6.4.6; Eurachem/CITAC CG 4, 3rd ed.
        2012, 8.1 (all from memory).
    """
    if not math.isfinite(stated) or stated < 0:
        message = "a stated uncertainty must be a number that is not negative"
        raise ValueError(message)
    if kind == "standard":
        return Conversion(standard_uncertainty=stated, divisor=1.0, distribution="normal")
    if kind == "expanded":
        if k is None or not math.isfinite(k) or k <= 0:
            message = "an expanded uncertainty needs its coverage factor k > 0"
            raise ValueError(message)
        return Conversion(standard_uncertainty=stated / k, divisor=k, distribution="normal")
    shape = distribution or "rectangular"
    divisor = DIVISORS[shape] if shape != "normal" else _normal_divisor(coverage)
    return Conversion(standard_uncertainty=stated / divisor, divisor=divisor, distribution=shape)


def _normal_divisor(coverage: float) -> float:
    if not 0 < coverage < 1:
        message = "the share of values between the limits must lie between 0 and 1"
        raise ValueError(message)
    return normal_quantile(0.5 + coverage / 2)
