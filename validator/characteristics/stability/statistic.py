"""Stability: trend over time, longest time inside the allowed change, first against last."""

from __future__ import annotations

import math
from contextlib import suppress
from typing import TYPE_CHECKING, Literal

import numpy as np
from msgspec import Struct

from validator.errors import NotEstimable
from validator.statistics.distributions import student
from validator.statistics.equivalence import Equivalence, equivalence_of_ratio
from validator.statistics.regression import fit
from validator.statistics.roots import crossing
from validator.statistics.sample import vector
from validator.statistics.selectivity import RelativeChange, relative_change
from validator.statistics.slopes import equal_lines
from validator.statistics.trend import RelativeTrend, pooled_trend

if TYPE_CHECKING:
    from collections.abc import Callable, Hashable, Sequence

    from numpy.typing import ArrayLike, NDArray

    from validator.statistics.interval import Estimate, SignificanceTest

POOLING_LEVEL = 0.25
"""Significance level below which batches are not pooled (ICH Q1E, 2003, appendix B.3; from memory)."""
FARTHEST = 100
"""Multiples of the tested span within which the confidence limit of a line is followed."""

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


class Poolability(Struct, frozen=True, kw_only=True):
    """Whether batches share a line.

    Attributes:
        slopes: F test of equal slopes; None where no degrees of freedom are left.
        intercepts: F test of equal intercepts under a common slope; None where the slopes differ.
        decision: what followed at ``POOLING_LEVEL``.
    """

    slopes: SignificanceTest | None
    intercepts: SignificanceTest | None
    decision: Literal["one line", "common slope", "separate lines"]


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
    batches: Sequence[Hashable] | None = None,
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
        batches: (N,) batch of each, where they have a common slope but not a common start.
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
    trend = pooled_trend(time, results, batches, confidence=confidence)
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


def trend_from_level(
    time: ArrayLike,
    results: ArrayLike,
    level: float,
    *,
    allowed_percent: float,
    direction: Direction = "decrease",
    confidence: float = 0.95,
) -> StabilityTrend:
    """Straight line over time in percent of the stated *level*, and the time until it may leave the limits.

    The guarded time is where the confidence limit of the mean line first reaches the limit: one-sided where
    the direction is known, either of the two-sided limits where both count.

    Raises:
        NotEstimable: as :func:`stability_trend`.

    References:
        ICH Q1E (2003), appendix B.1 (from memory).
    """
    trend = pooled_trend(time, results, confidence=confidence)
    t, y = vector(time, "time") - trend.start, 100 * vector(results, "results") / level
    span = trend.end - trend.start
    line = fit(t, y, confidence=confidence)
    sided = confidence if direction == "either" else 2 * confidence - 1
    lower = None if direction == "increase" else 100 - allowed_percent
    upper = None if direction == "decrease" else 100 + allowed_percent
    guarded = _first_outside(lambda x: line.band(x, level=sided), lower, upper, span)
    point = _first_outside(lambda x: (line.predict(x), line.predict(x)), lower, upper, span)
    scatter = float(line.standard_error_at(span))
    return StabilityTrend(
        change_per_time=line.slope,
        test=trend.test,
        change_at_end=student(
            float(line.predict(span)) - 100, scatter, line.degrees_of_freedom, confidence, "Student t"
        ),
        time_point=point,
        time_guarded=guarded,
        shown_guarded=min(span, math.inf if guarded is None else guarded),
        curvature=trend.curvature,
        trend=trend,
    )


def _first_outside(
    band: Callable[[NDArray[np.float64]], tuple[NDArray[np.float64], NDArray[np.float64]]],
    lower: float | None,
    upper: float | None,
    span: float,
) -> float | None:
    """First time from the start at which the *band* touches a limit; None where it does not within reach."""

    def outside(x: NDArray[np.float64]) -> NDArray[np.float64]:
        low, high = band(x)
        below = -np.inf if lower is None else lower - low
        above = -np.inf if upper is None else high - upper
        return np.asarray(np.maximum(below, above))

    grid = span * np.concatenate([np.linspace(0.0, 2.0, 401), np.geomspace(2.01, FARTHEST, 200)])
    reached = np.flatnonzero(outside(grid) >= 0)
    if not reached.size:
        return None
    first = int(reached[0])
    return crossing(outside, float(grid[first - 1]), float(grid[first])) if first else 0.0


def poolability(time: ArrayLike, results: ArrayLike, batches: Sequence[Hashable]) -> Poolability:
    """May batches share a line? Equal slopes first, then equal intercepts under a common slope.

    Where the slopes cannot be tested, the batches are not pooled.

    Args:
        time: (N,) times.
        results: (N,) independent results.
        batches: (N,) batch of each, every one at two times or more.

    References:
        ICH Q1E (2003), appendix B.3 (from memory): analysis of covariance at the level 0.25.
    """
    slopes, intercepts = equal_lines(time, results, batches)
    if slopes is None or slopes.p is None or slopes.p < POOLING_LEVEL:
        return Poolability(slopes=slopes, intercepts=None, decision="separate lines")
    shared = intercepts is not None and intercepts.p is not None and intercepts.p >= POOLING_LEVEL
    return Poolability(
        slopes=slopes, intercepts=intercepts, decision="one line" if shared else "common slope"
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
