"""The accuracy profile: tolerance intervals of the relative error by level, against acceptance limits."""

from __future__ import annotations

from typing import TYPE_CHECKING, Literal

import numpy as np
from msgspec import Struct

from validator.errors import NotEstimable
from validator.statistics.interval import Interval
from validator.statistics.sample import vector
from validator.statistics.tolerance_interval import ToleranceIntervals, tolerance_intervals

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import ArrayLike

    from validator.statistics.precision_intervals import Figure
    from validator.statistics.variance_components import FloatArray

Deciding = Literal["expectation", "content"]
Range = tuple[float, float]


class ProfileLevel(Struct, frozen=True, kw_only=True):
    """One level of the profile; what ends in ``_percent`` is relative to the reference level.

    Attributes:
        level: reference level x.
        n: number of results.
        series: number of series p.
        mean: mean of the series means.
        relative_bias_percent: 100·(mean − x)/x.
        repeatability_sd: s_r, in the unit of the results.
        intermediate_sd: s_I, in the unit of the results.
        degrees_of_freedom: ν of the prediction.
        expectation: β-expectation interval of the relative error, percent.
        content: β-content interval of the relative error at confidence γ, percent.
        acceptance_percent: λ at this level.
        risk_outside: probability that a future result errs by more than λ.
        inside: the deciding interval lies within ±λ.
        method: how the intervals were found.
    """

    level: float
    n: int
    series: int
    mean: float
    relative_bias_percent: float
    repeatability_sd: Figure
    intermediate_sd: Figure
    degrees_of_freedom: float
    expectation: Interval
    content: Interval
    acceptance_percent: float
    risk_outside: float
    inside: bool
    method: str


class AccuracyProfile(Struct, frozen=True, kw_only=True):
    """Accuracy over the levels.

    Attributes:
        levels: by rising level.
        not_estimable: levels without intervals, each with the reason.
        decided_by: which interval decides.
        beta, gamma: share of future results, and confidence of the β-content interval.
        ranges: where the deciding interval lies within ±λ, by rising level; the ends are interpolated
            between a level inside and its neighbour outside.
        valid_range: the range that holds the highest level inside; None when no level is inside.
        quantification_limit: its lower end.
        interrupted: there is more than one range, or levels above the valid range.
    """

    levels: tuple[ProfileLevel, ...]
    not_estimable: tuple[tuple[float, NotEstimable], ...]
    decided_by: Deciding
    beta: float
    gamma: float
    ranges: tuple[Range, ...]
    valid_range: Range | None
    quantification_limit: float | None
    interrupted: bool


def accuracy_profile(
    levels: ArrayLike,
    results: Sequence[Sequence[Sequence[float] | FloatArray]],
    *,
    acceptance_percent: ArrayLike,
    beta: float = 0.95,
    gamma: float = 0.95,
    decided_by: Deciding = "expectation",
) -> AccuracyProfile:
    r"""Accuracy profile from results in series at several levels.

    The tolerance limits of a level, :math:`100\,(L - x)/x`, are joined by straight lines; the profile is
    valid where both lie within ±λ.  A range needs a level inside: lines between two levels outside say
    nothing.

    Args:
        levels: (k,) reference levels, positive and different.
        results: for each level its series, each of shape (n_i,).
        acceptance_percent: λ, one number or (k,).
        beta: share of future results that the interval should hold.
        gamma: confidence of the β-content interval.
        decided_by: β-expectation or β-content interval.

    Raises:
        NotEstimable: no level has an interval.
        ValueError: levels that are not positive or repeat, arrays that do not match, λ not positive.

    References:
        P. Hubert et al., J. Pharm. Biomed. Anal. 36 (2004) 579-586; M. Feinberg et al., Anal. Bioanal. Chem.
        380 (2004) 502-514; risk: W. Dewé et al., Chemom. Intell. Lab. Syst. 85 (2007) 262-268 (all from
        memory).
    """
    x = vector(levels, "levels")
    limits = vector(acceptance_percent, "acceptance_percent", size=x.size)
    if len(results) != x.size:
        message = f"{len(results)} sets of results for {x.size} levels"
        raise ValueError(message)
    if not (x > 0).all() or np.unique(x).size < x.size or not (limits > 0).all():
        message = "levels must be positive and different, acceptance limits positive"
        raise ValueError(message)
    found: list[ProfileLevel] = []
    refused: list[tuple[float, NotEstimable]] = []
    for i in np.argsort(x):
        try:
            intervals = tolerance_intervals(results[i], beta=beta, gamma=gamma)
        except NotEstimable as reason:
            refused.append((float(x[i]), reason))
        else:
            found.append(_profile_level(float(x[i]), intervals, float(limits[i]), decided_by))
    if not found:
        raise NotEstimable(
            "no tolerance interval could be calculated at any level",
            refused[0][1].needs if refused else "results in at least 2 series at 3 or more levels",
        )
    ranges = _ranges(found, decided_by)
    return AccuracyProfile(
        levels=tuple(found),
        not_estimable=tuple(refused),
        decided_by=decided_by,
        beta=beta,
        gamma=gamma,
        ranges=ranges,
        valid_range=ranges[-1] if ranges else None,
        quantification_limit=ranges[-1][0] if ranges else None,
        interrupted=len(ranges) > 1 or (bool(ranges) and not found[-1].inside),
    )


def _profile_level(
    x: float, intervals: ToleranceIntervals, acceptance: float, decided_by: Deciding
) -> ProfileLevel:
    expectation = _relative(intervals.expectation, x)
    content = _relative(intervals.content, x)
    deciding = expectation if decided_by == "expectation" else content
    margin = x * acceptance / 100
    return ProfileLevel(
        level=x,
        n=intervals.precision.n,
        series=intervals.precision.groups,
        mean=intervals.centre,
        relative_bias_percent=100 * (intervals.centre - x) / x,
        repeatability_sd=intervals.precision.repeatability_sd,
        intermediate_sd=intervals.precision.intermediate_sd,
        degrees_of_freedom=intervals.degrees_of_freedom,
        expectation=expectation,
        content=content,
        acceptance_percent=acceptance,
        risk_outside=intervals.probability_outside(x - margin, x + margin),
        inside=-acceptance <= deciding.lower and deciding.upper <= acceptance,
        method=intervals.method,
    )


def _relative(interval: Interval, x: float) -> Interval:
    return Interval(
        100 * (interval.lower - x) / x, 100 * (interval.upper - x) / x, interval.level, interval.method
    )


def _ranges(levels: Sequence[ProfileLevel], decided_by: Deciding) -> tuple[Range, ...]:
    """Runs of neighbouring levels inside, their ends moved to where a limit crosses ±λ."""
    ranges: list[Range] = []
    start: float | None = None
    for i, level in enumerate(levels):
        if level.inside and start is None:
            start = _crossing(levels[i - 1], level, decided_by) if i else level.level
        last = i == len(levels) - 1
        if start is not None and level.inside and last:
            ranges.append((start, level.level))
        elif start is not None and not level.inside:
            ranges.append((start, _crossing(level, levels[i - 1], decided_by)))
            start = None
    return tuple(ranges)


def _crossing(outside: ProfileLevel, inside: ProfileLevel, decided_by: Deciding) -> float:
    """Level between the two at which the last of both limits comes within ±λ, on straight lines."""
    share = 0.0
    for beyond, within in zip(_excess(outside, decided_by), _excess(inside, decided_by), strict=True):
        if beyond > 0:
            share = max(share, beyond / (beyond - within))
    return outside.level + share * (inside.level - outside.level)


def _excess(level: ProfileLevel, decided_by: Deciding) -> tuple[float, float]:
    """How far each limit reaches beyond ±λ; negative inside."""
    interval = level.expectation if decided_by == "expectation" else level.content
    return -interval.lower - level.acceptance_percent, interval.upper - level.acceptance_percent
