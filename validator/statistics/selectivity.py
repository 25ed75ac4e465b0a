"""Selectivity: change caused by an interferent, tolerated ratio, response of a blank matrix."""

from __future__ import annotations

from typing import TYPE_CHECKING, Literal

import numpy as np
from msgspec import Struct

from validator.errors import NotEstimable
from validator.statistics.distributions import student
from validator.statistics.equivalence import fieller_ratio_of_means
from validator.statistics.interval import Estimate, Interval
from validator.statistics.sample import summarise, vector

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import ArrayLike

Rule = Literal["point", "guarded"]
Guarded = Literal["does not interfere", "interferes", "inconclusive"]

# A change of exactly the limit is inside; 100·(1.05 − 1) is 5.000000000000004 in binary.
_ROUNDING_PERCENT = 1e-10


class RelativeChange(Struct, frozen=True, kw_only=True):
    """Change of signal or result in the presence of something, in percent of that without it.

    Attributes:
        change: 100·(ȳ_with/ȳ_ref − 1); without interval when a side has one result.
        n_with: results with the interferent.
        n_reference: results without it.
        reason: why there is no interval, when there is none.
    """

    change: Estimate
    n_with: int
    n_reference: int
    reason: str | None


class Interference(Struct, frozen=True, kw_only=True):
    """Change against a limit.

    Attributes:
        interferes: point rule: the change itself is beyond the limit.
        guarded: decision by the whole interval; "inconclusive" when it straddles a limit or is missing.
    """

    interferes: bool
    guarded: Guarded


class BlankMatrixResponse(Struct, frozen=True, kw_only=True):
    """Response of matrix without analyte, beside the quantification limit.

    Attributes:
        n: number of independent blank matrices or preparations.
        percent_of_limit: mean response in percent of the response at the quantification limit, with
            two-sided interval; without one for a single blank.
        largest_percent: largest single response in percent.
    """

    n: int
    percent_of_limit: Estimate
    largest_percent: float


def relative_change(
    with_interferent: ArrayLike, reference: ArrayLike, *, confidence: float = 0.95
) -> RelativeChange:
    r"""Relative change caused by an interferent.

    .. math:: \Delta = 100\,(\bar y_{with}/\bar y_{ref} - 1)

    with Fieller's interval of the ratio at Welch–Satterthwaite degrees of freedom
    (:func:`validator.statistics.equivalence.fieller_ratio_of_means`), since the reference is measured too.

    Args:
        with_interferent: independent signals or results with the interferent.
        reference: the same without it.
        confidence: level of the interval.

    Raises:
        NotEstimable: no results on a side, or a reference mean that is not positive.
    """
    y_with, y_ref = vector(with_interferent, "with_interferent"), vector(reference, "reference")
    if y_with.size == 0 or y_ref.size == 0:
        raise NotEstimable(
            "results with or without the interferent are missing", "results with and without the interferent"
        )
    a, b = summarise(y_with), summarise(y_ref)
    if b.mean == 0:
        raise NotEstimable("the reference mean is zero", "a reference different from zero")
    change = Estimate(value=100 * (a.mean - b.mean) / b.mean)
    reason = None
    try:
        _, u, ratio, nu = fieller_ratio_of_means(y_with, y_ref, confidence=confidence)
    except NotEstimable as problem:
        reason = problem.reason
    else:
        interval = ratio.through(lambda one: 100 * (one - 1))
        if not interval.is_bounded:
            reason = "the reference does not differ significantly from zero"
        change = Estimate(
            value=change.value, standard_error=100 * u, interval=interval, degrees_of_freedom=nu
        )
    return RelativeChange(change=change, n_with=a.n, n_reference=b.n, reason=reason)


def interferes(change: Estimate, *, limit_percent: float = 5.0) -> Interference:
    """Does the change go beyond ±*limit_percent* (5 % for sensors is common practice)?

    A change of exactly the limit is inside.
    """
    limit = limit_percent + _ROUNDING_PERCENT
    interval = change.interval
    guarded: Guarded = "inconclusive"
    if interval is not None:
        if -limit <= interval.lower and interval.upper <= limit:
            guarded = "does not interfere"
        elif interval.lower > limit or interval.upper < -limit:
            guarded = "interferes"
    return Interference(interferes=abs(change.value) > limit, guarded=guarded)


def tolerance_ratio(
    ratios: ArrayLike,
    changes: ArrayLike,
    intervals: Sequence[Interval | None] | None = None,
    *,
    limit_percent: float = 5.0,
    rule: Rule = "point",
) -> float | None:
    """Largest tested ratio of interferent to analyte that stays inside, with every lower ratio inside too.

    None when even the smallest one tested is outside.

    Args:
        ratios: (n,) ratios, in any order; one that was tested more than once must be inside each time.
        changes: (n,) relative changes in percent.
        intervals: their intervals; needed by the guarded rule, where a missing one is not inside.
        limit_percent: symmetric limit of the change.
        rule: "point" looks at the change, "guarded" at its whole interval.

    Raises:
        NotEstimable: nothing was tested.
    """
    r = vector(ratios, "ratios")
    d = vector(changes, "changes", size=r.size)
    limits = list(intervals) if intervals is not None else [None] * r.size
    if r.size == 0:
        raise NotEstimable(
            "no ratio of interferent to analyte was tested",
            "results at one or more ratios of interferent to analyte",
        )
    if len(limits) != r.size:
        message = f"{len(limits)} intervals for {r.size} ratios"
        raise ValueError(message)
    inside = np.array([_is_inside(x, i, limit_percent, rule) for x, i in zip(d, limits, strict=True)])
    outside = r[~inside]
    tolerated = r[r < outside.min()] if outside.size else r
    return float(tolerated.max()) if tolerated.size else None


def _is_inside(change: float, interval: Interval | None, limit_percent: float, rule: Rule) -> bool:
    decision = interferes(Estimate(value=change, interval=interval), limit_percent=limit_percent)
    return not decision.interferes if rule == "point" else decision.guarded == "does not interfere"


def blank_matrix_response(
    responses: ArrayLike, response_at_limit: float, *, confidence: float = 0.95
) -> BlankMatrixResponse:
    """Response of blank matrix in percent of that at the quantification limit.

    Args:
        responses: independent responses of matrix without analyte.
        response_at_limit: response at the quantification limit in the same unit, positive.
        confidence: level of the interval.

    Raises:
        NotEstimable: no blanks, or a response at the limit that is not positive.
    """
    y = vector(responses, "responses")
    if y.size == 0:
        raise NotEstimable("no matrix blanks were measured", "signals of matrix blanks")
    if not response_at_limit > 0:
        raise NotEstimable(
            "the response at the quantification limit is not positive", "a quantification limit"
        )
    sample = summarise(100 * y / response_at_limit)
    percent = Estimate(value=sample.mean)
    if sample.variance_of_mean:
        u, nu = sample.variance_of_mean**0.5, sample.degrees_of_freedom
        percent = student(sample.mean, u, nu, confidence)
    return BlankMatrixResponse(
        n=sample.n,
        percent_of_limit=percent,
        largest_percent=float(100 * y.max() / response_at_limit),
    )
