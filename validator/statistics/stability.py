"""Stability: trend over time, longest time inside the allowed change, first against last."""

from __future__ import annotations

import math
from contextlib import suppress
from typing import TYPE_CHECKING, Literal

from msgspec import Struct

from validator.errors import NotEstimable
from validator.statistics.equivalence import Equivalence, equivalence_of_ratio
from validator.statistics.sample import vector
from validator.statistics.selectivity import RelativeChange, relative_change
from validator.statistics.trend import RelativeTrend, pooled_trend

if TYPE_CHECKING:
    from numpy.typing import ArrayLike

    from validator.statistics.interval import Estimate, SignificanceTest

Direction = Literal["decrease", "increase", "either"]


class StabilityTrend(Struct, frozen=True, kw_only=True):
    """Change with time, in percent of the fitted start.

    Attributes:
        change_per_time: percent per unit of time.
        test: t test of no trend.
        change_at_end: percent at the longest time tested.
        time_point: time until the line reaches the allowed change; None when it never does.
        time_guarded: the same for the confidence limit of the line; None when that never does.
        shown_guarded: time_guarded, but not beyond the longest tested.
        curvature: t test of a quadratic term.
        trend: the line behind all this.
    """

    change_per_time: Estimate
    test: SignificanceTest
    change_at_end: Estimate
    time_point: float | None
    time_guarded: float | None
    shown_guarded: float
    curvature: SignificanceTest | None
    trend: RelativeTrend


class FirstVersusLast(Struct, frozen=True, kw_only=True):
    """Results at the last time against those at the first.

    Attributes:
        change: relative change in percent with Welch–Fieller interval.
        equivalence: two one-sided tests of last/first within 1 ± allowed; None where a side
            has one result.
    """

    change: RelativeChange
    equivalence: Equivalence | None


def stability_trend(
    time: ArrayLike,
    results: ArrayLike,
    *,
    allowed_percent: float,
    direction: Direction = "decrease",
    confidence: float = 0.95,
) -> StabilityTrend:
    r"""Straight line over time and the time until an allowed change.

    With θ the slope over the fitted start (:func:`validator.statistics.trend.pooled_trend`) the change
    after τ is 100·θ·τ percent, so the time until δ percent is δ/(100|θ|), and its guarded form puts the
    confidence limit of θ in place of θ: one-sided where the direction is known, the farther of the
    two-sided limits where either counts.

    Args:
        time: (N,) times.
        results: (N,) independent results or signals under one condition of storage.
        allowed_percent: δ > 0.
        direction: of a change that counts.
        confidence: level.

    Raises:
        NotEstimable: fewer than 3 results, one time, no scatter, or a start not shown to be above zero.

    References:
        ICH Q1E (2003), Appendix B.1 (limit of the mean curve, one-sided where the direction is known; from
        memory), with the fitted start in place of a label claim.
    """
    if not allowed_percent > 0:
        message = "the allowed change must be positive"
        raise ValueError(message)
    trend = pooled_trend(time, results, confidence=confidence)
    span = trend.end - trend.start
    rate, limit = _rate_and_limit(trend, direction)
    guarded_rate = {"decrease": -limit, "increase": limit, "either": abs(limit)}[direction]
    time_point, time_guarded = (time_until(r, allowed_percent) for r in (rate, guarded_rate))
    return StabilityTrend(
        change_per_time=trend.slope.scaled(100),
        test=trend.test,
        change_at_end=trend.slope.scaled(100 * span),
        time_point=time_point,
        time_guarded=time_guarded,
        shown_guarded=min(span, math.inf if time_guarded is None else time_guarded),
        curvature=trend.curvature,
        trend=trend,
    )


def time_until(rate: float, percent: float) -> float | None:
    """Time until a change of *percent* at *rate* (fraction of the start per unit of time); None if never."""
    return percent / (100 * rate) if rate > 0 else None


def _rate_and_limit(trend: RelativeTrend, direction: Direction) -> tuple[float, float]:
    """Rate of change in the direction that counts, and the confidence limit of θ on that side."""
    theta = trend.slope.value
    if direction == "decrease":
        return -theta, trend.limits.one_sided.lower
    if direction == "increase":
        return theta, trend.limits.one_sided.upper
    interval = trend.limits
    return abs(theta), interval.lower if -interval.lower >= interval.upper else interval.upper


def first_versus_last(
    time: ArrayLike, results: ArrayLike, *, allowed_percent: float, confidence: float = 0.95
) -> FirstVersusLast:
    """Are the results at the last time equivalent to those at the first?

    Args:
        time: (N,) times; those in between are not used.
        results: (N,) independent results.
        allowed_percent: largest change allowed, both ways.
        confidence: level of the interval; each one-sided test has α = 1 − confidence.

    Raises:
        NotEstimable: a single time, or a first mean of zero.
    """
    t = vector(time, "time")
    y = vector(results, "results", size=t.size)
    if t.size == 0 or float(t.max()) == float(t.min()):
        raise NotEstimable("results are available at one time only", "results at two or more times")
    first, last = y[t == t.min()], y[t == t.max()]
    change = relative_change(last, first, confidence=confidence)
    allowed = allowed_percent / 100
    equivalence = None
    with suppress(NotEstimable):
        equivalence = equivalence_of_ratio(
            last, first, lower=1 - allowed, upper=1 + allowed, alpha=1 - confidence
        )
    return FirstVersusLast(change=change, equivalence=equivalence)
