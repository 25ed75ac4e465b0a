"""Conformity with limits: probabilities, guard bands, the decision for one result, risks over many."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Literal

import numpy as np
from msgspec import Struct
from numpy.typing import NDArray
from scipy import special

from validator.errors import NotEstimable
from validator.statistics.distributions import t_quantile

if TYPE_CHECKING:
    from collections.abc import Callable


Outcome = Literal["conforming", "non-conforming", "inconclusive"]
Rule = Literal["guarded", "simple"]

_HALVINGS = 200


class AcceptanceLimits(Struct, frozen=True, kw_only=True):
    """Limits for a measured value, in its unit; infinite on a side without a tolerance limit.

    Attributes:
        lower, upper: a measured value between them is accepted.
        guard_band: distance between tolerance and acceptance limit; 0 for simple acceptance.
    """

    lower: float
    upper: float
    guard_band: float

    def __contains__(self, value: float) -> bool:
        return self.lower <= value <= self.upper


class ConformityDecision(Struct, frozen=True, kw_only=True):
    """What one result says about conformity.

    Attributes:
        outcome: conforming, non-conforming, or inconclusive where neither can be said at the risk allowed.
        conformance_probability: probability that the true value lies within the limits.
        rule: "guarded" by the risk, "simple" by the measured value alone.
        acceptance: limits within which a measured value is conforming; None where the uncertainty is too
            large for any value to be so.
    """

    outcome: Outcome
    conformance_probability: float
    rule: Rule
    acceptance: AcceptanceLimits | None


def conformance_probability(
    value: float,
    standard_uncertainty: float,
    *,
    lower: float = -math.inf,
    upper: float = math.inf,
    degrees_of_freedom: float = math.inf,
) -> float:
    r"""Probability that the true value lies within the limits, given a measured value.

    .. math:: p_c = \Phi\left(\frac{T_U - y}{u}\right) - \Phi\left(\frac{T_L - y}{u}\right)

    with Student's t in place of the normal distribution for finite ν.  The specific consumer's risk of
    accepting is 1 − p_c, the specific producer's risk of rejecting is p_c.

    Args:
        value: y.
        standard_uncertainty: u.
        lower: T_L.
        upper: T_U.
        degrees_of_freedom: ν of u.

    Raises:
        ValueError: u not positive, limits that do not leave an interval, a value that is not finite.

    References:
        JCGM 106:2012, 7.2 to 7.4 (from memory).
    """
    _check(value, standard_uncertainty, lower, upper)
    low = (lower - value) / standard_uncertainty
    high = (upper - value) / standard_uncertainty
    # Tails are subtracted on the side where they are small.
    if low > 0:
        low, high = -high, -low
    return _lower_tail(high, degrees_of_freedom) - _lower_tail(low, degrees_of_freedom)


def guard_band(
    standard_uncertainty: float, *, max_risk: float = 0.05, degrees_of_freedom: float = math.inf
) -> float:
    r"""Guard band for a one-sided limit, :math:`g = t_{1-\alpha}(\nu)\,u`; 1.64·u for α = 5 % and known u.

    Raises:
        ValueError: a risk outside (0, 0.5].

    References:
        Eurachem/CITAC, Use of uncertainty information in compliance assessment, 2nd ed. 2021, Annex A;
        JCGM 106:2012, 8.3 (both from memory).
    """
    _check_risk(max_risk)
    return t_quantile(1 - max_risk, degrees_of_freedom) * standard_uncertainty


def acceptance_limits(
    standard_uncertainty: float,
    *,
    lower: float = -math.inf,
    upper: float = math.inf,
    max_risk: float = 0.05,
    degrees_of_freedom: float = math.inf,
) -> AcceptanceLimits:
    """Limits within which a measured value may be accepted at a specific consumer's risk of *max_risk*.

    For one tolerance limit the guard band is that of :func:`guard_band`.  For two, the value is moved inward
    until the risk on both sides together is *max_risk*; that is more than the one-sided band where the
    tolerance is narrow.

    Raises:
        NotEstimable: no measured value has so small a risk, the uncertainty being too large.
        ValueError: u not positive, no limit, limits in the wrong order, a risk outside (0, 0.5].

    References:
        JCGM 106:2012, 8.3 (from memory).
    """
    _check(0.0, standard_uncertainty, lower, upper)
    _check_risk(max_risk)
    if not (math.isfinite(lower) and math.isfinite(upper)):
        band = guard_band(standard_uncertainty, max_risk=max_risk, degrees_of_freedom=degrees_of_freedom)
        return AcceptanceLimits(lower=lower + band, upper=upper - band, guard_band=band)
    half = (upper - lower) / 2

    def risk(distance: float) -> float:
        """Risk for a measured value that is *distance* away from the middle."""
        return 1 - conformance_probability(
            distance,
            standard_uncertainty,
            lower=-half,
            upper=half,
            degrees_of_freedom=degrees_of_freedom,
        )

    if risk(0.0) > max_risk:
        raise NotEstimable(
            (
                "the measurement uncertainty is too large relative to the tolerance; no measured "
                "value can be accepted at the permitted risk"
            ),
            "a smaller uncertainty, wider limits or a higher accepted risk",
        )
    reach = last_below(risk, max_risk, 0.0, half)
    middle = lower + half
    return AcceptanceLimits(lower=middle - reach, upper=middle + reach, guard_band=half - reach)


def decide(
    value: float,
    standard_uncertainty: float,
    *,
    lower: float = -math.inf,
    upper: float = math.inf,
    max_risk: float = 0.05,
    degrees_of_freedom: float = math.inf,
    rule: Rule = "guarded",
) -> ConformityDecision:
    """Decide on conformity from one result.

    Guarded: *conforming* when the probability of that being wrong is at most *max_risk*, *non-conforming*
    when the probability of that being wrong is, *inconclusive* in between.  Simple: by the measured value
    alone, so that near a limit either statement is wrong in up to half of the cases.

    Raises:
        ValueError: u not positive, no limit, limits in the wrong order, a risk outside (0, 0.5].

    References:
        JCGM 106:2012, 8.2 and 8.3; Eurachem/CITAC, Use of uncertainty information in compliance assessment,
        2nd ed. 2021, 4 (both from memory).
    """
    _check(value, standard_uncertainty, lower, upper)
    _check_risk(max_risk)
    p = conformance_probability(
        value, standard_uncertainty, lower=lower, upper=upper, degrees_of_freedom=degrees_of_freedom
    )
    if rule == "simple":
        return ConformityDecision(
            outcome="conforming" if lower <= value <= upper else "non-conforming",
            conformance_probability=p,
            rule=rule,
            acceptance=AcceptanceLimits(lower=lower, upper=upper, guard_band=0.0),
        )
    try:
        acceptance = acceptance_limits(
            standard_uncertainty,
            lower=lower,
            upper=upper,
            max_risk=max_risk,
            degrees_of_freedom=degrees_of_freedom,
        )
    except NotEstimable:
        acceptance = None
    outcome: Outcome = "inconclusive"
    if acceptance is not None and value in acceptance:
        outcome = "conforming"
    elif p <= max_risk:
        outcome = "non-conforming"
    return ConformityDecision(outcome=outcome, conformance_probability=p, rule=rule, acceptance=acceptance)


def last_below(function: Callable[[float], float], bound: float, low: float, high: float) -> float:
    """Largest argument in [low, high] at which a rising *function* is still at most *bound* (bisection)."""
    for _ in range(_HALVINGS):
        middle = 0.5 * (low + high)
        if middle in (low, high):
            break
        low, high = (middle, high) if function(middle) <= bound else (low, middle)
    return low


def _lower_tail(deviate: float, nu: float) -> float:
    if not math.isfinite(deviate):
        return 1.0 if deviate > 0 else 0.0
    return float(special.stdtr(nu, deviate) if math.isfinite(nu) else special.ndtr(deviate))


def _check(value: float, u: float, lower: float, upper: float) -> None:
    if not (math.isfinite(value) and math.isfinite(u) and u > 0):
        message = "the value must be finite and its standard uncertainty positive"
        raise ValueError(message)
    if not lower < upper or not (math.isfinite(lower) or math.isfinite(upper)):
        message = "there must be a limit, and the lower one below the upper one"
        raise ValueError(message)


def _check_risk(max_risk: float) -> None:
    if not 0 < max_risk <= 0.5:
        message = "the largest risk lies above 0 and is at most 0.5"
        raise ValueError(message)


FloatArray = NDArray[np.float64]

_NODES, _WEIGHTS = np.polynomial.legendre.leggauss(16)
_REACH = 12.0  # standard deviations: the normal density beyond them is below 1e-32


class GlobalRisks(Struct, frozen=True, kw_only=True):
    """Probabilities for an item taken at random and measured.

    Attributes:
        consumers_risk: it does not conform and is accepted.
        producers_risk: it conforms and is rejected.
        conforming: it conforms.
        accepted: it is accepted.
    """

    consumers_risk: float
    producers_risk: float
    conforming: float
    accepted: float


def global_risks(
    *,
    mean: float,
    sd: float,
    standard_uncertainty: float,
    lower: float = -math.inf,
    upper: float = math.inf,
    guard_band: float = 0.0,
) -> GlobalRisks:
    r"""Global consumer's and producer's risk for normal items measured with a normal error.

    .. math::
        R_C = \int_{\tilde C} \int_A g_0(\eta)\,h(y \mid \eta)\,dy\,d\eta, \qquad
        R_P = \int_{C} \int_{\tilde A} g_0(\eta)\,h(y \mid \eta)\,dy\,d\eta

    with the items' distribution g_0, the distribution h of a measured value, the conforming values C and
    the accepted measured values A = [T_L + w, T_U − w].

    Args:
        mean: of the items' true values.
        sd: standard deviation of the items' true values.
        standard_uncertainty: of a measured value.
        lower: tolerance limit T_L.
        upper: tolerance limit T_U.
        guard_band: w; negative for guarded rejection.

    Raises:
        ValueError: standard deviations that are not positive, no limit, limits in the wrong order, or a guard
            band that leaves nothing to accept.

    References:
        JCGM 106:2012, 9.4 and 9.5, equations (17) to (19) (from memory).
    """
    numbers = (mean, sd, standard_uncertainty, guard_band)
    if not all(map(math.isfinite, numbers)) or sd <= 0 or standard_uncertainty <= 0:
        message = "mean and guard band must be finite, standard deviation and uncertainty positive"
        raise ValueError(message)
    if not lower < upper or not (math.isfinite(lower) or math.isfinite(upper)):
        message = "there must be a limit, and the lower one below the upper one"
        raise ValueError(message)
    accept_from, accept_to = lower + guard_band, upper - guard_band
    if not accept_from < accept_to:
        message = "the guard band leaves nothing to accept"
        raise ValueError(message)
    # In standard deviations of the items.
    limits = (np.array([lower, upper]) - mean) / sd
    window = (np.array([accept_from, accept_to]) - mean) / sd
    u = standard_uncertainty / sd
    z, weight = _grid(limits, window, u)
    density = weight * np.exp(-0.5 * z * z) / math.sqrt(2 * math.pi)
    inside = (z > limits[0]) & (z < limits[1])
    below, above = special.ndtr((window[0] - z) / u), special.ndtr((z - window[1]) / u)
    rejected = below + above
    # 1 − rejected, without the loss of digits where nearly everything is rejected.
    accepted = np.where(
        below > above,
        special.ndtr((z - window[0]) / u) - above,
        special.ndtr((window[1] - z) / u) - below,
    )
    return GlobalRisks(
        consumers_risk=float((density * accepted)[~inside].sum()),
        producers_risk=float((density * rejected)[inside].sum()),
        conforming=float(special.ndtr(limits[1]) - special.ndtr(limits[0])),
        accepted=float((density * accepted).sum()),
    )


def _grid(limits: FloatArray, window: FloatArray, u: float) -> tuple[FloatArray, FloatArray]:
    """Gauss–Legendre nodes and weights on panels that end at the limits and are as fine as either density."""
    steps = np.arange(-_REACH, _REACH + 0.25, 0.5)
    edges = [steps, limits]
    edges += [edge + u * steps for edge in window if math.isfinite(edge)]
    points = np.concatenate(edges)
    points = np.unique(points[np.isfinite(points) & (np.abs(points) <= _REACH)])
    half = np.diff(points)[:, None] / 2
    middle = (points[:-1] + points[1:])[:, None] / 2
    return (middle + half * _NODES).ravel(), (half * _WEIGHTS).ravel()
