"""How much more data would decide an inconclusive criterion, if the figure stayed as it is."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from validator.assessment.judging import Limit, interval_for
from validator.statistics.distributions import chi2_quantile, normal_quantile, t_quantile

if TYPE_CHECKING:
    from collections.abc import Callable

    from validator.assessment.observations import Kind
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
