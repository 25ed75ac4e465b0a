"""One path for every criterion, of the study or of guidance: figure, judgement, what would settle it."""

from __future__ import annotations

from typing import TYPE_CHECKING

from msgspec.structs import replace

from validator import numbers
from validator.assessment.judging import Judgement, Limit, judge, judge_p, margin
from validator.assessment.remedy import remedy
from validator.evaluation.results import Finding
from validator.study.models.criteria import WHOLE

if TYPE_CHECKING:
    from validator.assessment.observation import Observation
    from validator.evaluation.rows import Cell
    from validator.study.models.analysis import AnalysisChoices

COMPARED_AS_IT_IS = "the value has no confidence interval and is compared as it is"
"""Remark on a chosen level, a correlation or the end of a range under guarded acceptance."""


def finding(
    observation: Observation,
    limit: Limit,
    *,
    characteristic: str,
    cell: Cell,
    criterion: str,
    choices: AnalysisChoices,
    rule: str,
    ideal: float | None = None,
) -> Finding:
    """What *observation* amounts to under *limit* by the decision *rule*; who asks is added after."""
    judgement = judged(observation, limit, rule)
    would = remedy(observation, limit, judgement, choices.confidence, characteristic, rule=rule)
    estimate = observation.estimate
    ideal = _ideal(observation, limit) if ideal is None else ideal
    found = Finding(
        characteristic=characteristic,
        analyte=cell.analyte,
        configuration=cell.configuration,
        level=observation.level,
        criterion=criterion,
        source="",
        observed=None if estimate is None else estimate.value,
        lower=limit.lower,
        upper=limit.upper,
        interval=judgement.interval,
        outcome=judgement.outcome,
        decision_rule=rule,
        unit="p" if observation.kind == "probability" else observation.unit,
        n=observation.n,
        degrees_of_freedom=None if estimate is None else estimate.degrees_of_freedom,
        one_sided=judgement.one_sided,
        what=observation.what,
        reason=judgement.reason,
        needs=would.needs,
        further=would.further,
        further_likely=would.likely,
        total=observation.total,
    )
    if estimate is None or estimate.value is None:
        return found
    return replace(found, margin=margin(limit, estimate.value, judgement.interval, ideal=ideal))


def judged(observation: Observation, limit: Limit, rule: str) -> Judgement:
    """The outcome for one figure, whatever its kind; by an approach nobody chose, for all approaches."""
    judgement = _of_one(observation, limit, rule)
    if judgement.outcome != "meets":
        return judgement
    for other in observation.alternatives:
        if _of_one(other, limit, rule).outcome != "meets" and other.estimate is not None:
            value = numbers.quantity(numbers.limit(other.estimate.value), other.unit)
            return replace(
                judgement,
                outcome="inconclusive",
                reason=f"no approach was declared, and the limit is not met by another one "
                f"({other.what}: {value})",
                needs="the approach to the limit, chosen beforehand and declared",
            )
    return judgement


def _of_one(observation: Observation, limit: Limit, rule: str) -> Judgement:
    estimate = observation.estimate
    if observation.failed:
        return Judgement("does not meet", None, observation.failed)
    if estimate is None or estimate.value is None:
        reason = observation.refusal.not_assessed if observation.refusal else (estimate and estimate.reason)
        return Judgement("not assessed", None, reason or "no result")
    if observation.kind == "probability" and limit.lower is not None:
        return judge_p(estimate.value, limit.lower, observation.effects)
    if observation.kind == "bound":
        judgement = judge(estimate, limit, "simple")
        return judgement if rule == "simple" else replace(judgement, reason=COMPARED_AS_IT_IS)
    return judge(estimate, limit, rule)


def _ideal(observation: Observation, limit: Limit) -> float | None:
    """What the ideal method gives where no table says so: no scatter, no change, all recovered."""
    if observation.kind == "probability":
        return 1.0
    if limit.lower is None or (limit.upper is not None and limit.holds(0.0)):
        return 0.0
    if observation.unit == "%" and limit.holds(WHOLE):
        return WHOLE
    if observation.unit in ("", "1") and limit.holds(1.0):
        return 1.0
    return None if limit.upper is None else (limit.lower + limit.upper) / 2
