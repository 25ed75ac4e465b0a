"""What it would take to decide an inconclusive criterion, as a number and as a clause."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from msgspec import Struct

from validator import numbers
from validator.assessment.judging import Limit, interval_for
from validator.characteristics.order import CHARACTERISTICS
from validator.statistics.distributions import chi2_quantile, normal_quantile, t_quantile

if TYPE_CHECKING:
    from collections.abc import Callable

    from validator.assessment.judging import Judgement, Limit
    from validator.assessment.observation import Kind, Observation
    from validator.evaluation.results import EstimateRecord, Interval

MOST = 10_000
"""Beyond this many further results more data is no remedy: the figure sits on the limit."""

_SMALLEST_NU, _LARGEST_NU = 0.2, 1e9
_HALVINGS = 100

Bounds = tuple[float, float]


def further_results(
    estimate: EstimateRecord,
    limit: Limit,
    kind: Kind,
    confidence: float,
    *,
    units: int | None = None,
    fixed: float = 0.0,
    chance: float | None = None,
) -> int | None:
    r"""Smallest number of further independent results at which the interval clears the limit.

    The figure itself is taken to stay where it is, so the number is a plan, not a promise: if the figure is
    the true one, further results move it to either side, and that many decide about every second time. With
    a *chance* the interval clears the limit also where they move it to the wrong side, by as much as is
    exceeded with 1 - chance only: :math:`s^2(\nu_0 + \chi^2_m)/(\nu_0 + m)` of m further degrees of freedom
    for a standard deviation, :math:`\sigma\sqrt m/(n + m)` and the scatter of s for a mean. The interval that
    was found narrows from where it is now: with ν₀ degrees of freedom from n independent units, m more make

    .. math:: \nu = \nu_0\,\frac{n - 1 + m}{n - 1}, \qquad
        s\sqrt{\nu/\chi^2_{1-p,\nu}} \text{ or } \bar x + h\,\frac{t_{p,\nu}}{t_{p,\nu_0}}
        \sqrt{(1-f)\frac{n}{n+m} + f}

    with p = c for a limit on one side and (1 + c)/2 for two. The ν₀ of a standard deviation is the one whose
    chi-squared bound (ISO 2854) is the bound that was found, so that intervals of other methods are
    continued from where they are.

    Args:
        estimate: the figure with its interval.
        limit: what it must keep.
        kind: how its interval narrows; only deviations and means do.
        confidence: c.
        units: n, series or devices, where the degrees of freedom are theirs; ν₀ + 1 otherwise.
        fixed: part of the standard error of a mean that more results do not lower (that of a reference).
        chance: probability of a decision where the figure is the true one; None where it stays as it is.

    Returns:
        None where the figure has no interval of a known kind, lies on the limit, or would need more than
        ``MOST``.
    """
    value, nu = estimate.value, estimate.degrees_of_freedom
    if value is None or not nu or interval_for(estimate, limit) is None:
        return None
    # a one-sided limit is judged by a one-sided bound
    one_sided = limit.is_one_sided and estimate.one_sided is not None
    found = estimate.one_sided if one_sided else estimate.ci
    probability = confidence if one_sided else 0.5 + confidence / 2
    n = units if units is not None and units > 1 else nu + 1
    if found is None or kind not in ("deviation", "mean"):
        return None
    bounds = (
        _deviation(value, found, nu, n, probability, chance)
        if kind == "deviation"
        else _mean(estimate, found, nu, n, probability, fixed, _doubt_of_mean(limit, chance))
    )
    return None if bounds is None else _fewest(bounds, limit, inside=limit.holds(value))


def _fewest(bounds: Callable[[int], Bounds], limit: Limit, *, inside: bool) -> int | None:
    """The smallest number that clears the limit; what clears it stays clear, so it is closed in on."""
    if not _clear(bounds(MOST), limit, inside):
        return None
    open_still, clear = 0, MOST
    while clear - open_still > 1:
        middle = (open_still + clear) // 2
        if _clear(bounds(middle), limit, inside):
            clear = middle
        else:
            open_still = middle
    return clear


def _clear(bounds: Bounds, limit: Limit, inside: bool) -> bool:
    lower, upper = bounds
    if inside:
        return (limit.upper is None or upper <= limit.upper) and (limit.lower is None or lower >= limit.lower)
    return (limit.upper is not None and lower > limit.upper) or (
        limit.lower is not None and upper < limit.lower
    )


def _doubt_of_mean(limit: Limit, chance: float | None) -> float:
    """Standard deviations that the end of an interval is allowed for; both ends share the doubt."""
    if chance is None:
        return 0.0
    return normal_quantile(chance if limit.is_one_sided else 0.5 + chance / 2)


def _deviation(
    value: float, found: Interval, nu: float, n: float, probability: float, chance: float | None
) -> Callable[[int], Bounds]:
    lower, upper = found
    below = nu if lower is None else _matching(value, lower, 1 - probability, nu)
    above = nu if upper is None else _matching(value, upper, probability, nu)

    def bounds(more: int) -> Bounds:
        growth = (n - 1 + more) / (n - 1)
        smallest = largest = value
        if chance is not None and more:
            added = nu * (growth - 1)
            smallest, largest = (
                value * math.sqrt((nu + chi2_quantile(p, added)) / (nu + added)) for p in (1 - chance, chance)
            )
        return (
            _bound(smallest, below * growth, 1 - probability),
            _bound(largest, above * growth, probability),
        )

    return bounds


def _bound(value: float, nu: float, probability: float) -> float:
    return value * math.sqrt(nu / chi2_quantile(1 - probability, nu))


def _matching(value: float, end: float, probability: float, usual: float) -> float:
    """Degrees of freedom at which the chi-squared bound is *end*; the *usual* ones where none does."""

    def distance(nu: float) -> float:
        return abs(_bound(value, nu, probability) - value)

    low, high, target = _SMALLEST_NU, _LARGEST_NU, abs(end - value)
    if value <= 0 or not distance(high) < target < distance(low):
        return usual
    for _ in range(_HALVINGS):
        middle = math.sqrt(low * high)
        low, high = (middle, high) if distance(middle) > target else (low, middle)
    # the last digits of the interval that was found are no reason to ask for one more result
    return usual if math.isclose(high, usual, rel_tol=1e-6) else high


def _mean(
    estimate: EstimateRecord,
    found: Interval,
    nu0: float,
    n: float,
    probability: float,
    fixed: float,
    doubt: float,
) -> Callable[[int], Bounds] | None:
    value, error = estimate.value, estimate.standard_error
    if value is None or not error:
        return None
    lower, upper = found
    below = math.inf if lower is None else value - lower
    above = math.inf if upper is None else upper - value
    stays = min((fixed / error) ** 2, 1.0)

    def bounds(more: int) -> Bounds:
        nu = nu0 * (n - 1 + more) / (n - 1)
        narrower = t_quantile(probability, nu) / t_quantile(probability, nu0)
        narrower *= math.sqrt((1 - stays) * n / (n + more) + stays)
        of_mean = error * math.sqrt((1 - stays) * n * more) / (n + more)
        of_deviation = math.sqrt((nu - nu0) / 2) / nu  # relative
        return (
            value - below * narrower - doubt * math.hypot(of_mean, below * narrower * of_deviation),
            value + above * narrower + doubt * math.hypot(of_mean, above * narrower * of_deviation),
        )

    return bounds


MANY = 100
"""Beyond this many further results the figure itself is the better place to begin."""

LIKELY = 0.9
"""Probability of a decision for which the larger number of further results is given."""


class Remedy(Struct, frozen=True):
    """What would decide.

    Attributes:
        further: number of further independent results or series for an even chance; None where more are no
            remedy.
        likely: the same for a probability of ``LIKELY``.
        needs: the same as a clause, or what figure would pass where the limit is not kept; None where it is.
    """

    further: int | None = None
    likely: int | None = None
    needs: str | None = None


def remedy(
    observation: Observation,
    limit: Limit,
    judgement: Judgement,
    confidence: float,
    characteristic: str,
    *,
    rule: str = "guarded",
) -> Remedy:
    """What would decide *judgement* on *observation* if the figure stays, or pass where it is not met."""
    estimate = observation.estimate
    if judgement.needs is not None:
        return Remedy(needs=judgement.needs)
    if judgement.outcome == "does not meet" and estimate is not None and estimate.value is not None:
        return Remedy(needs=_would_pass(observation, limit, rule))
    if judgement.outcome != "inconclusive" or estimate is None:
        return Remedy(needs=observation.refusal.needs if observation.refusal else None)
    further, safer = (
        further_results(
            estimate,
            limit,
            observation.kind,
            confidence,
            units=observation.units,
            fixed=observation.fixed,
            chance=chance,
        )
        for chance in (None, LIKELY)
    )
    needs = needed(further, characteristic, safer)
    passing = _passing(observation, limit)
    if passing is not None and (further is None or further > MANY):
        needs += f"; with the present number of results, {passing} would suffice"
    return Remedy(further, safer, needs)


def needed(more: int | None, characteristic: str, safer: int | None = None) -> str:
    """What would decide, as a clause: *more* results about every second time, *safer* with ``LIKELY``."""
    if more is None:
        return "more results alone would not resolve the point: the estimate lies too close to the limit"
    one, many = CHARACTERISTICS[characteristic].of or ("independent result", "independent results")
    likely = f"with a probability of {numbers.percent(100 * LIKELY, 2)}"
    decides = f"about {more} further {one if more == 1 else many} would resolve the point"
    if safer == more:
        return f"{decides} {likely}, if the estimate does not change"
    clause = f"{decides}, if the estimate does not change"
    return clause if safer is None else f"{clause} (probability about 50 %); {safer} {likely}"


def _would_pass(observation: Observation, limit: Limit, rule: str) -> str | None:
    """The figure that would keep *limit* by the same rule, with as many results that scatter as these do."""
    if observation.kind == "probability":
        return "a smaller deviation, since more data would not help"
    estimate = observation.estimate
    if estimate is None or estimate.value is None:
        return None
    span = interval_for(estimate, limit) if rule == "guarded" and observation.kind != "bound" else None
    lower, upper = span if span is not None else (estimate.value, estimate.value)
    proportional = observation.kind == "deviation" and estimate.value > 0
    least = most = None
    if limit.upper is not None and upper is not None:
        most = (
            limit.upper * estimate.value / upper if proportional else limit.upper - (upper - estimate.value)
        )
    if limit.lower is not None and lower is not None:
        least = limit.lower + (estimate.value - lower)
    return _between(least, most, observation.unit)


def _between(least: float | None, most: float | None, unit: str) -> str | None:
    if least is not None and most is not None:
        if least > most:
            return "an estimate within the limits with a smaller standard deviation"
        span = f"{_rounded(least, 3, math.ceil)} {numbers.TO} {_rounded(most, 3, math.floor)}"
        return f"an estimate of {numbers.quantity(span, unit)}"
    if most is not None:
        return f"an estimate of {numbers.quantity(_rounded(most, 2, math.floor), unit)} or less"
    if least is not None:
        return f"an estimate of {numbers.quantity(_rounded(least, 3, math.ceil), unit)} or more"
    return None


def _rounded(value: float, digits: int, towards: Callable[[float], int]) -> str:
    """*value* rounded to the side on which the figure still passes."""
    if value == 0:
        return numbers.significant(value, digits)
    place = digits - 1 - math.floor(math.log10(abs(value)))
    # a hair is left for the last bits: 0.29 · 100 is 28.999999999999996
    inside = towards(value * 10.0**place + (1e-9 if towards is math.floor else -1e-9))
    return numbers.significant(inside / 10.0**place, digits)


def _passing(observation: Observation, limit: Limit) -> str | None:
    """The largest standard deviation that the data at hand would show to keep *limit*."""
    estimate = observation.estimate
    if observation.kind != "deviation" or estimate is None or not estimate.value or limit.upper is None:
        return None
    upper = (interval_for(estimate, limit) or (None, None))[1]
    if not upper or not limit.holds(estimate.value):
        return None
    most = _rounded(limit.upper * estimate.value / upper, 2, math.floor)
    return f"an estimate of {numbers.quantity(most, observation.unit)} or less"
