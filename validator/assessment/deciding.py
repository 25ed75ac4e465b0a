"""What it would take to decide an inconclusive criterion, as a number and as a clause."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from msgspec import Struct

from validator import numbers
from validator.assessment.judging import interval_for
from validator.assessment.replicates import further_results
from validator.characteristics.order import CHARACTERISTICS

if TYPE_CHECKING:
    from collections.abc import Callable

    from validator.assessment.judging import Judgement, Limit
    from validator.assessment.observation import Observation

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
