"""The accuracy profile: tolerance intervals of the relative error by level, against acceptance limits."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Literal

import numpy as np
from msgspec import Struct
from scipy import special

from validator.errors import NotEstimable
from validator.statistics.distributions import normal_quantile, standard_deviation_interval, t_two_sided
from validator.statistics.interval import Estimate, Interval
from validator.statistics.precision import PrecisionResult, one_way
from validator.statistics.precision_intervals import modified_large_sample_interval, total_terms
from validator.statistics.sample import vector
from validator.statistics.variance_components import FloatArray, OneWayLayout, one_way_layout

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import ArrayLike

    from validator.statistics.precision_intervals import Figure


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


class ToleranceIntervals(Struct, frozen=True, kw_only=True):
    """Intervals for a future result from another series, in the unit of the results.

    Attributes:
        centre: mean of the series means.
        prediction_sd: standard deviation of a future result about the centre, that of the centre included.
        degrees_of_freedom: ν of ``prediction_sd``.
        expectation: holds the share β of future results on average (β-expectation).
        content: holds at least the share β of future results with confidence γ (β-content); its level is γ.
        precision: the standard deviations behind the intervals.
        method: how they were found, in a sentence.
    """

    centre: float
    prediction_sd: float
    degrees_of_freedom: float
    expectation: Interval
    content: Interval
    precision: PrecisionResult
    method: str

    def probability_outside(self, lower: float, upper: float) -> float:
        """Probability that a future result lies outside the limits, by the predictive t distribution."""
        below = (lower - self.centre) / self.prediction_sd
        above = (self.centre - upper) / self.prediction_sd
        return float(np.sum(special.stdtr(self.degrees_of_freedom, np.array([below, above]))))


def tolerance_intervals(
    series: Sequence[Sequence[float] | FloatArray], *, beta: float = 0.95, gamma: float = 0.95
) -> ToleranceIntervals:
    r"""Tolerance intervals from p series of results, each of shape (n_i,).

    With :math:`R = s_b^2/s_r^2`, :math:`B^2 = (R+1)/(nR+1)` and s_I the intermediate precision

    .. math::
        \nu = \frac{(R+1)^2}{(R+1/n)^2/(p-1) + (1-1/n)^2/(N-p)}, \qquad
        \bar x \pm t_{(1+\beta)/2}(\nu)\, s_I \sqrt{1 + \frac{1}{p n B^2}}

    is the β-expectation interval; :math:`s_I^2/(pnB^2) = s_b^2/p + s_r^2/(pn)` is the variance of the mean.
    The β-content interval has half-width :math:`z_{(1+\beta)/2}\sqrt{1 + 1/(pnB^2)}\,U` with U the upper
    limit of σ_I at confidence γ by the modified large-sample method.

    Unbalanced series enter with the harmonic mean n of the n_i, with the mean of the series means as centre,
    whose variance the same expression then is, and with s_r and s_b by restricted maximum likelihood.  Where
    each series has one result, or results within series do not differ, s_I is the standard deviation of the
    series means, ν = p − 1 and 1/(pnB²) = 1/p.

    Args:
        series: results of one sample or level, grouped by what shares conditions.
        beta: share of future results.
        gamma: confidence of the β-content interval, above 0.5.

    Raises:
        NotEstimable: fewer than two series, or no scatter at all.
        ValueError: β outside (0, 1) or γ outside (0.5, 1).

    References:
        R.W. Mee, Technometrics 26 (1984) 251-253 (β-expectation, balanced); D. Hoffman, R. Kringle,
        J. Biopharm. Stat. 15 (2005) 283-293 (β-content).  Both from memory; the contents are checked by
        simulation in the tests, unbalanced series included.
    """
    if not 0 < beta < 1 or not 0.5 < gamma < 1:
        message = "beta lies between 0 and 1, gamma between 0.5 and 1"
        raise ValueError(message)
    layout = one_way_layout(series)
    p = layout.groups
    if p < 2:
        raise NotEstimable(
            "all results belong to one series, so the between-series variation is unknown",
            "at least 2, preferably 3 or more, series (days, operators)",
        )
    precision = one_way(series)
    s_i, s_r = precision.intermediate_sd, precision.repeatability_sd
    if isinstance(s_i, NotEstimable):
        raise s_i
    if isinstance(s_r, Estimate):
        of_mean, nu, upper = _with_within_scatter(layout, s_r.value**2, s_i.value**2, gamma)
        method = "Mee (1984); Hoffman and Kringle (2005)" + (
            "" if layout.is_balanced else "; unbalanced: harmonic mean of the series sizes, REML components"
        )
    else:
        of_mean, nu = 1 / p, float(p - 1)
        upper = standard_deviation_interval(s_i.value, nu, 2 * gamma - 1).upper
        method = "series means as independent results; repeatability cannot be told apart"
    centre = layout.mean + float(layout.centred_means.mean())
    stretch = math.sqrt(1 + of_mean)
    prediction_sd = s_i.value * stretch
    reach = t_two_sided(beta, nu) * prediction_sd
    content = normal_quantile(0.5 + beta / 2) * stretch * max(upper, s_i.value)
    return ToleranceIntervals(
        centre=centre,
        prediction_sd=prediction_sd,
        degrees_of_freedom=nu,
        expectation=Interval(centre - reach, centre + reach, beta, "β-expectation"),
        content=Interval(centre - content, centre + content, gamma, f"β-content, β = {beta:g}"),
        precision=precision,
        method=method,
    )


def _with_within_scatter(
    layout: OneWayLayout, s_r2: float, s_i2: float, gamma: float
) -> tuple[float, float, float]:
    """1/(pnB²), ν and the upper limit of σ_I at confidence γ."""
    p, n = layout.groups, layout.harmonic_mean
    ratio = max(0.0, s_i2 / s_r2 - 1)
    of_mean = (n * ratio + 1) / ((ratio + 1) * p * n)
    nu = (ratio + 1) ** 2 / ((ratio + 1 / n) ** 2 / (p - 1) + (1 - 1 / n) ** 2 / layout.df_within)
    upper = modified_large_sample_interval(total_terms(layout), 2 * gamma - 1).upper
    return of_mean, nu, upper
