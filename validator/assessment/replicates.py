"""How much more data would decide an inconclusive criterion, if the figure stayed as it is."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from validator.assessment.judging import Limit, interval_for
from validator.statistics.distributions import chi2_quantile, t_quantile

if TYPE_CHECKING:
    from collections.abc import Callable

    from validator.assessment.observations import Kind
    from validator.evaluation.results import EstimateRecord

MOST = 400
"""Beyond this many further results more data is no remedy: the figure sits on the limit."""


def further_results(estimate: EstimateRecord, limit: Limit, kind: Kind, confidence: float) -> int | None:
    """Smallest number of further independent results at which the interval clears the limit.

    The figure itself is taken to stay where it is, so the number is a plan, not a promise. None where the
    figure has no interval of a known kind, lies on the limit, or would need more than ``MOST``.

    Standard deviations: upper bound s·sqrt(ν/χ²(1-c, ν)) (ISO 2854). Means: t(p, ν)·u·sqrt((ν0+1)/(ν+1)),
    p = c for a limit on one side, (1+c)/2 for two.
    """
    value, nu = estimate.value, estimate.degrees_of_freedom
    if value is None or not nu or interval_for(estimate, limit) is None:
        return None
    # a one-sided limit is judged by a one-sided bound
    one_sided = limit.is_one_sided and estimate.one_sided is not None
    probability = confidence if one_sided else 0.5 + confidence / 2
    bounds = _deviation(value, confidence) if kind == "deviation" else _mean(estimate, nu, probability)
    if bounds is None or kind not in ("deviation", "mean"):
        return None
    inside = limit.holds(value)
    for more in range(1, MOST + 1):
        lower, upper = bounds(nu + more)
        if _clear(lower, upper, limit, inside):
            return more
    return None


def _clear(lower: float, upper: float, limit: Limit, inside: bool) -> bool:
    if inside:
        return (limit.upper is None or upper <= limit.upper) and (limit.lower is None or lower >= limit.lower)
    return (limit.upper is not None and lower > limit.upper) or (
        limit.lower is not None and upper < limit.lower
    )


def _deviation(value: float, confidence: float) -> Callable[[float], tuple[float, float]]:
    def bounds(nu: float) -> tuple[float, float]:
        return (
            value * math.sqrt(nu / chi2_quantile(confidence, nu)),
            value * math.sqrt(nu / chi2_quantile(1 - confidence, nu)),
        )

    return bounds


def _mean(
    estimate: EstimateRecord, nu0: float, probability: float
) -> Callable[[float], tuple[float, float]] | None:
    value, error = estimate.value, estimate.standard_error
    if value is None or error is None:
        return None

    def bounds(nu: float) -> tuple[float, float]:
        half = t_quantile(probability, nu) * error * math.sqrt((nu0 + 1) / (nu + 1))
        return value - half, value + half

    return bounds
