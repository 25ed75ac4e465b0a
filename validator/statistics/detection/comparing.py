"""How the limits of two configurations compare."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Literal

import numpy as np

from validator.errors import NotEstimable
from validator.statistics.detection.intervals import DRAWS, Array, factor_draws, simulated
from validator.statistics.detection.scatter import Scatter

if TYPE_CHECKING:
    from validator.statistics.detection.result import LimitResult
    from validator.statistics.interval import Estimate

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
