"""One function for every decision: a figure with its interval against a limit."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from msgspec import Struct

if TYPE_CHECKING:
    from collections.abc import Sequence

    from validator.assessment.observation import Effect
    from validator.evaluation.results import EstimateRecord, Interval, Outcome


class Limit(Struct, frozen=True):
    """Acceptance limits; ``None`` leaves a side open, ``exclusive`` leaves the limit itself out."""

    lower: float | None = None
    upper: float | None = None
    exclusive: bool = False

    @property
    def is_one_sided(self) -> bool:
        """True when only one side limits."""
        return (self.lower is None) != (self.upper is None)

    def holds(self, value: float) -> bool:
        """True when *value* lies inside."""
        return not (self.is_left_below(value) or self.is_left_above(value))

    def is_left_below(self, value: float) -> bool:
        """True when *value* lies below what is allowed."""
        return self.lower is not None and (value < self.lower or (self.exclusive and value == self.lower))

    def is_left_above(self, value: float) -> bool:
        """True when *value* lies above what is allowed."""
        return self.upper is not None and (value > self.upper or (self.exclusive and value == self.upper))


class Judgement(Struct, frozen=True):
    """The outcome, the interval it rests on, and why when it is not plain.

    ``one_sided`` where the interval is the bound on one side that decides; ``needs`` what would settle it,
    where no number of results would.
    """

    outcome: Outcome
    interval: Interval | None
    reason: str | None = None
    one_sided: bool = False
    needs: str | None = None


def interval_for(estimate: EstimateRecord, limit: Limit) -> Interval | None:
    """The interval a guarded decision uses: one-sided bounds for a one-sided limit.

    One bound of the record's ``one_sided`` pair, each at the study's level of confidence, answers a
    one-sided limit (JCGM 106:2012, 8.3.2: the guard band stands on the side of the limit only).
    """
    if not limit.is_one_sided or estimate.one_sided is None:
        return estimate.ci
    lower, upper = estimate.one_sided
    return (None, upper) if limit.lower is None else (lower, None)


def judge(estimate: EstimateRecord, limit: Limit, rule: str) -> Judgement:
    """Hold *estimate* against *limit* under the decision rule.

    ``guarded``: meets only if the whole interval is inside, does not meet only if it is wholly outside,
    otherwise inconclusive. ``simple``: the estimate decides (ILAC-G8:09/2019, simple acceptance;
    JCGM 106:2012, 8.2 and 8.3). The interval told is the one that proves the outcome: of a one-sided limit
    the bound towards it where it is met, the other bound where it is missed, both where neither decides.
    """
    if estimate.value is None:
        return Judgement("not assessed", None, estimate.reason)
    interval = interval_for(estimate, limit)
    one_sided = limit.is_one_sided and estimate.one_sided is not None
    match rule:
        case "simple":
            outcome: Outcome = "meets" if limit.holds(estimate.value) else "does not meet"
            return Judgement(outcome, interval, one_sided=one_sided)
        case "guarded":
            return _guarded(estimate, limit, interval, one_sided=one_sided)
        case _:
            raise ValueError(rule)


def margin(
    limit: Limit, value: float, interval: Interval | None, *, ideal: float | None = None
) -> float | None:
    """How far the bound that decides lies inside *limit*, as a share of the way to the ideal value.

    (limit − bound)/(limit − ideal), the smaller of two sides: 1 at the ideal, 0 at the limit.
    Without an interval the value itself decides. Where no finite value is ideal, the limit is the scale.
    """
    lower, upper = interval or (None, None)
    sides = [
        (limit.lower, value if lower is None else lower, 1.0),
        (limit.upper, value if upper is None else upper, -1.0),
    ]
    found = []
    for end, bound, sign in sides:
        if end is None:
            continue
        way = sign * (ideal - end) if ideal is not None else abs(end)
        found.append(sign * (bound - end) / way if way > 0 else sign * math.copysign(1.0, bound - end))
    return min(found, default=None)


def _guarded(
    estimate: EstimateRecord, limit: Limit, interval: Interval | None, *, one_sided: bool
) -> Judgement:
    if interval is None:
        return Judgement("inconclusive", None, estimate.reason or "no interval can be given for the result")
    lower, upper = _ends(interval)
    if not (limit.is_left_below(lower) or limit.is_left_above(upper)):
        return Judgement("meets", interval, one_sided=one_sided)
    both = estimate.one_sided if one_sided else interval
    if _wholly_outside(estimate, limit, interval):
        proving = interval
        if one_sided and both is not None:
            proving = (both[0], None) if limit.lower is None else (None, both[1])
        return Judgement("does not meet", proving, one_sided=one_sided)
    return Judgement("inconclusive", both, "the confidence interval includes the limit", one_sided=one_sided)


def _wholly_outside(estimate: EstimateRecord, limit: Limit, interval: Interval) -> bool:
    # the far bound comes from the other one-sided interval: "does not meet" is a claim of its own
    if limit.is_one_sided and estimate.one_sided is not None:
        lower, upper = _ends(estimate.one_sided)
    else:
        lower, upper = _ends(interval)
    return limit.is_left_above(lower) or limit.is_left_below(upper)


def _ends(interval: Interval) -> tuple[float, float]:
    lower, upper = interval
    return (-math.inf if lower is None else lower, math.inf if upper is None else upper)


def judge_p(p: float, p_min: float, effects: Sequence[Effect] = ()) -> Judgement:
    """A test's p against the least p the criterion accepts.

    A p value below it shows an effect. One that reaches it shows none, which demonstrates nothing: the
    criterion is met only where the interval of every effect that the test looks for is tolerable.
    """
    if p < p_min:
        return Judgement("does not meet", None)
    if not effects:
        return Judgement("inconclusive", None, NO_EFFECT_LIMITED)
    wide = [one for one in effects if not one.is_tolerable]
    if not wide:
        return Judgement("meets", None)
    worst = max(wide, key=_excess)
    return Judgement("inconclusive", None, _without_power(worst))


NO_EFFECT_LIMITED = "a p value alone demonstrates nothing, and no tolerable size of the effect is declared"


def _excess(effect: Effect) -> float:
    if effect.lower is None or effect.upper is None:
        return math.inf
    return max(effect.tolerated[0] - effect.lower, effect.upper - effect.tolerated[1])


def _without_power(effect: Effect) -> str:
    least, most = effect.tolerated
    allowed = f"±{most:g} %" if least == -most else f"{least:g} % to {most:g} %"
    if effect.lower is None or effect.upper is None:
        return f"the test had no power: no confidence interval is available for {effect.of}"
    return (
        f"the test had no power to exclude a relevant effect: the confidence interval of {effect.of} "
        f"({effect.lower:.2g} % to {effect.upper:.2g} %) exceeds {allowed}"
    )
