"""From what a certificate, a specification or a judgement states to a standard uncertainty (type B)."""

from __future__ import annotations

import math
from typing import Literal

from msgspec import Struct

from validator.statistics.distributions import normal_quantile

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
