r"""How far a limit can be trusted: chi-squared where only σ is in doubt, simulation where the slope is too.

A limit :math:`k\,\sigma/\beta` is estimated by :math:`k\,s/b`.  What is in doubt is the factor
:math:`f = (\sigma/\beta)/(s/b)`; k is a constant of the design.
"""

from __future__ import annotations

import math
from functools import lru_cache, partial
from typing import TYPE_CHECKING, Literal, NamedTuple

import numpy as np
from numpy.typing import NDArray

from validator.errors import NotEstimable
from validator.statistics.detection.scatter import Scatter, inverse
from validator.statistics.distributions import standard_deviation_interval
from validator.statistics.interval import Estimate, Interval

if TYPE_CHECKING:
    from collections.abc import Callable

    from validator.statistics.detection.result import LimitResult
    from validator.statistics.regression import CalibrationFit


Array = NDArray[np.float64]

DRAWS = 10_000
"""They place the ends of a 95 % interval to 1 or 2 % of their distance from the value, the upper one to 4 %
at two degrees of freedom (standard deviation over seeds): beside such an interval that does not matter."""
SLOPE_NEGLIGIBLE = 0.02
"""Relative standard error of the slope up to which its doubt is left out of the interval."""
NORMAL_QUARTILES = 1.349
"""Distance between the quartiles of a normal distribution, in standard deviations."""


class Doubt(NamedTuple):
    """What the factor f = (σ/β)/(s/b) may be: relative standard error, and interval where it is known."""

    standard_error: float
    interval: Interval | None


def doubt_of(scatter: Scatter, level: float, seed: int) -> Doubt:
    r"""Interval of the factor f.

    χ² for σ alone when s_b/b ≤ 2 %; otherwise percentiles of draws of

    .. math:: f = \sqrt{\nu/\chi^2_\nu}\;\big/\;(1 + t\,s_b/b)

    which has exact coverage for residuals, where σ and the slope share the residuals (t is then the normal
    deviate times the drawn σ/s), and for blanks with a slope of their own.  A draw with a slope of the other
    sign stands for an infinite limit.  The relative standard error is :math:`[1/(2\nu) + (s_b/b)^2]^{1/2}`
    (JCGM 100:2008, E.4.3, for the first term).
    """
    nu = scatter.degrees_of_freedom
    relative = math.hypot(math.sqrt(0.5 / nu), scatter.slope_relative_error)
    if scatter.refusal is not None:
        return Doubt(relative, None)
    if scatter.slope_relative_error <= SLOPE_NEGLIGIBLE:
        return Doubt(relative, standard_deviation_interval(1.0, nu, level))

    def limits(level: float) -> tuple[float, float]:
        return _simulated_limits(scatter, level, seed)

    return Doubt(relative, Interval.by(limits, level, "Monte Carlo of sigma and slope"))


@lru_cache(maxsize=64)  # several variants rest on one scatter
def _simulated_limits(scatter: Scatter, level: float, seed: int) -> tuple[float, float]:
    return percentiles(factor_draws(scatter, np.random.default_rng(seed)), level)


def factor_draws(scatter: Scatter, generator: np.random.Generator, size: int = DRAWS) -> Array:
    """Draws of the factor f, infinite where the slope changes sign."""
    sigma = sigma_draws(scatter.degrees_of_freedom, generator, size)
    if scatter.shares_residuals:
        slope = 1.0 + scatter.slope_relative_error * sigma * generator.standard_normal(size)
    elif math.isfinite(scatter.slope_degrees_of_freedom):
        t = generator.standard_t(scatter.slope_degrees_of_freedom, size)
        slope = 1.0 + scatter.slope_relative_error * t
    else:
        return sigma
    return np.asarray(np.divide(sigma, slope, out=np.full(size, np.inf), where=slope > 0))


def sigma_draws(nu: float, generator: np.random.Generator, size: int = DRAWS) -> Array:
    """Draws of σ/s given s with ν degrees of freedom."""
    return np.asarray(np.sqrt(nu / generator.chisquare(nu, size)))


def coefficient_draws(
    fit: CalibrationFit, generator: np.random.Generator, size: int = DRAWS
) -> tuple[Array, Array, Array]:
    """Draws of (a, b, c) of the calibration function: multivariate t about the estimates.

    Drawn as a polynomial in u = (x − centre)/scale, where the coefficients are nearly or wholly independent.
    """
    covariance = fit.scaled_covariance
    present = np.flatnonzero(np.diag(covariance) > 0)
    root = np.linalg.cholesky(covariance[np.ix_(present, present)])
    sigma = sigma_draws(fit.degrees_of_freedom, generator, size)
    t = [generator.standard_normal(size) * sigma for _ in present]
    drawn: list[Array] = list(fit.scaled_coefficients)
    for place, row in zip(present, root, strict=True):
        # column by column: a product of matrices would wake up every core for a few microseconds' work
        drawn[place] = drawn[place] + sum(share * one for share, one in zip(row, t, strict=True) if share)
    c0, c1, c2 = drawn
    ratio = fit.centre / fit.scale
    return c0 - ratio * (c1 - ratio * c2), (c1 - 2.0 * ratio * c2) / fit.scale, c2 / fit.scale / fit.scale


def level_draws(fit: CalibrationFit, signals: Array, coefficients: tuple[Array, Array, Array]) -> Array:
    """Levels read from drawn *signals* on drawn calibration functions; infinite where not reached."""
    a, b, c = coefficients
    return np.where(b * fit.slope.value > 0, inverse(signals, a, b, c), np.inf)


def percentiles(draws: Array, level: float) -> tuple[float, float]:
    """Two-sided limits of *draws* at *level*; infinite draws count as such."""
    last = draws.size - 1
    probabilities = [(1 + sign * level) / 2 for sign in (-1, 1)]
    # plain order statistics: interpolating next to an infinite draw would give a nan
    ranks = [min(max(math.ceil(draws.size * p - 1), 0), last) for p in probabilities]
    # only these ranks have to be in order, which takes a quarter of the time of ordering all
    lower, upper = np.partition(draws, sorted(set(ranks)))[ranks].tolist()
    return lower, upper


def simulated(value: float, draws: Array, level: float, nu: float | None = None) -> Estimate:
    """Estimate with the percentile interval of *draws*; standard error from their quartiles."""
    # The standard deviation of the draws may be infinite; their quartiles are not moved by the tails.
    first, third = percentiles(draws, 0.5)
    bounded = math.isfinite(first) and math.isfinite(third)
    return Estimate(
        value=value,
        standard_error=(third - first) / NORMAL_QUARTILES if bounded else None,
        interval=Interval.by(lambda level: percentiles(draws, level), level, "Monte Carlo"),
        degrees_of_freedom=nu,
    )


def proportional(value: float, doubt: Doubt, nu: float) -> Estimate:
    """Estimate of a limit that is proportional to σ/b."""
    return Estimate(
        value=value,
        standard_error=value * doubt.standard_error,
        interval=doubt.interval and doubt.interval.through(lambda factor: value * factor),
        degrees_of_freedom=nu,
    )


def increasing(limit: Callable[[float], float], doubt: Doubt, nu: float) -> Estimate:
    """Estimate of a limit that is any increasing function of the factor f; open above where it has no value.

    Raises:
        NotEstimable: the limit itself (f = 1) does not exist.
    """
    value = limit(1.0)
    return Estimate(
        value=value,
        standard_error=_slope_of(limit, value) * doubt.standard_error,
        interval=doubt.interval and doubt.interval.through(partial(_or_infinite, limit)),
        degrees_of_freedom=nu,
    )


def _or_infinite(limit: Callable[[float], float], factor: float) -> float:
    if not math.isfinite(factor):
        return math.inf
    try:
        return limit(factor)
    except NotEstimable:
        return math.inf


def _slope_of(limit: Callable[[float], float], value: float) -> float:
    """Derivative at f = 1, from below: above, the limit may have ceased to exist."""
    step = 1e-3
    return (value - limit(1.0 - step)) / step


Limit = Literal["critical_level", "detection_limit", "quantification_limit"]


def ratio_of_limits(
    first: LimitResult,
    second: LimitResult,
    *,
    limit: Limit = "detection_limit",
    confidence: float = 0.95,
    seed: int = 20260325,
) -> Estimate:
    r"""Ratio of the limits of two independent experiments, first over second, by Monte Carlo.

    Limits proportional to σ/b are drawn as :math:`x \sqrt{\nu/\chi^2_\nu}/(1 + t\,s_b/b)`, with σ and the
    slope tied together where both come from the residuals; limits with other parts as lognormal with their
    own relative standard error.

    Raises:
        NotEstimable: a limit is missing, not above zero, or carries no standard error.

    References:
        JCGM 101:2008, clause 7.
    """
    a, b = _value(first, limit), _value(second, limit)
    generator = np.random.default_rng(seed)
    top, bottom = _draws(first, a, generator), _draws(second, b, generator)
    # Where both are infinite the ratio is unknown: it counts as infinite, the cautious side.
    bounded = np.isfinite(bottom)
    draws = np.divide(top, bottom, out=np.where(np.isfinite(top), 0.0, np.inf), where=bounded)
    return simulated(a.value / b.value, draws, confidence)


def _value(result: LimitResult, limit: Limit) -> Estimate:
    estimate: Estimate | None = getattr(result, limit)
    if estimate is None:
        raise NotEstimable(
            "no such limit is available for one of the configurations",
            "the same approach for both configurations",
        )
    if estimate.value <= 0:
        raise NotEstimable("a limit is zero or negative", "limits above zero for both configurations")
    return estimate


def _draws(result: LimitResult, estimate: Estimate, generator: np.random.Generator) -> Array:
    scatter = _scatter(result)
    if scatter is not None and _is_proportional(result, scatter, estimate):
        return estimate.value * factor_draws(scatter, generator)
    if not estimate.standard_error:
        raise NotEstimable(
            "no standard error is available for a limit", "limits based on a standard deviation"
        )
    relative = estimate.standard_error / estimate.value
    return estimate.value * np.exp(relative * generator.standard_normal(DRAWS))


def _scatter(result: LimitResult) -> Scatter | None:
    if result.sigma is None or result.degrees_of_freedom is None or result.sigma_unit is None:
        return None
    return Scatter(
        sd=result.sigma,
        degrees_of_freedom=result.degrees_of_freedom,
        n=int(result.inputs.get("n", 0)),
        unit=result.sigma_unit,
        source=result.sigma_source,
        slope=result.inputs.get("slope", 1.0),
        slope_standard_error=result.inputs.get("slope_standard_error", 0.0),
        slope_degrees_of_freedom=result.inputs.get("slope_degrees_of_freedom", math.inf),
    )


def _is_proportional(result: LimitResult, scatter: Scatter, estimate: Estimate) -> bool:
    """True when the standard error of the limit is that of σ/b alone."""
    if estimate.standard_error is None:
        return False
    relative = math.hypot(math.sqrt(0.5 / scatter.degrees_of_freedom), scatter.slope_relative_error)
    return math.isclose(estimate.standard_error, relative * estimate.value, rel_tol=1e-9)
