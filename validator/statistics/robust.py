"""Robust mean and standard deviations that a few outlying values do not move: algorithms A and S."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np
from msgspec import Struct
from scipy import special

from validator.errors import NotEstimable
from validator.statistics.distributions import chi2_quantile
from validator.statistics.variance_components import FloatArray, checked_readings, differences_from_one

if TYPE_CHECKING:
    from collections.abc import Sequence

_ITERATIONS = 1000
_TOLERANCE = 1e-10
_WINSOR = 1.5
_CONSISTENT_MAD = 1.483
_CONSISTENT_WINSORISED = 1.134


class RobustEstimate(Struct, frozen=True, kw_only=True):
    """Outcome of algorithm A.

    Attributes:
        n: number of values.
        mean: robust average x*.
        sd: robust standard deviation s*.
        standard_error: 1.25·s*/√n.
        iterations: rounds until both stood still.
    """

    n: int
    mean: float
    sd: float
    standard_error: float
    iterations: int


def algorithm_a(values: Sequence[float] | FloatArray) -> RobustEstimate:
    r"""Robust average and standard deviation by winsorising at 1.5 s*.

    Start with x* the median and s* = 1.483·median|x - x*|; then, until both stand still to 10 digits,
    values beyond x* ± 1.5 s* are set to those limits and

    .. math:: x^* = \frac1n\sum x_i^*, \qquad s^* = 1.134\sqrt{\sum (x_i^* - x^*)^2/(n-1)}

    Raises:
        NotEstimable: fewer than three values, more than half of them equal, or no convergence.

    References:
        ISO 13528:2015, C.3.1; ISO 5725-5:1998, 6.2 (from memory).
    """
    x = checked_readings(values)
    n = len(x)
    if n < 3:
        raise NotEstimable(f"only {n} values", "at least 3, preferably 7 or more, values")
    x, origin = differences_from_one(x)
    centre = float(np.median(x))
    spread = _CONSISTENT_MAD * float(np.median(np.abs(x - centre)))
    if spread == 0:
        raise NotEstimable(
            "more than half of the values are identical", "values recorded with higher resolution"
        )
    for iteration in range(1, _ITERATIONS + 1):
        limit = _WINSOR * spread
        winsorised = np.clip(x, centre - limit, centre + limit)
        new_centre = float(winsorised.mean())
        new_spread = _CONSISTENT_WINSORISED * float(np.std(winsorised, ddof=1))
        still = max(abs(new_centre - centre), abs(new_spread - spread)) <= _TOLERANCE * spread
        centre, spread = new_centre, new_spread
        if still:
            return RobustEstimate(
                n=n,
                mean=origin + centre,
                sd=spread,
                standard_error=1.25 * spread / math.sqrt(n),
                iterations=iteration,
            )
    raise NotEstimable("the robust mean does not converge", "more values with fewer ties")


def algorithm_s(sds: Sequence[float] | FloatArray, nu: float) -> float:
    r"""Robust pooled value of standard deviations (shape (p,)) with ν degrees of freedom each.

    Start with the median; then, until it stands still, values above η·w* are set to η·w* and
    :math:`w^* = \xi\sqrt{\sum w_i^{*2}/p}`, where :math:`\eta^2 = \chi^2_{0.9,\nu}/\nu` and
    :math:`\xi^{-2} = P(\chi^2_{\nu+2} < \nu\eta^2) + 0.1\,\eta^2`.

    Raises:
        NotEstimable: no standard deviation is available, more than half of them zero, or no convergence.

    References:
        ISO 5725-5:1998, 6.3; ISO 13528:2015, C.4 (from memory; the factors of its table are a test).
    """
    w = checked_readings(sds)
    if len(w) == 0:
        raise NotEstimable("no standard deviation is available", "cells with replicates")
    eta, xi = algorithm_s_factors(nu)
    pooled = float(np.median(w))
    if pooled <= 0:
        raise NotEstimable(
            "more than half of the cells have a standard deviation of zero",
            "readings recorded with higher resolution",
        )
    for _ in range(_ITERATIONS):
        new = xi * math.sqrt(float(np.mean(np.minimum(w, eta * pooled) ** 2)))
        if abs(new - pooled) <= _TOLERANCE * pooled:
            return new
        pooled = new
    raise NotEstimable("the robust standard deviation does not converge", "more cells with replicates")


def algorithm_s_factors(nu: float) -> tuple[float, float]:
    """Limit factor η and adjustment factor ξ of algorithm S."""
    eta2 = chi2_quantile(0.9, nu) / nu
    xi2 = 1 / (float(special.chdtr(nu + 2, nu * eta2)) + 0.1 * eta2)
    return math.sqrt(eta2), math.sqrt(xi2)
