"""One path for every criterion, of the study or of guidance: figure, judgement, what would settle it."""

from __future__ import annotations

from typing import TYPE_CHECKING

from msgspec.structs import replace

from validator import numbers
from validator.assessment.asked import PRECISION, SELECTIVITY, TRUENESS
from validator.assessment.judging import Judgement, Limit, judge, judge_p, margin
from validator.assessment.levels import claimed_range, is_inside
from validator.assessment.observation import Effect
from validator.assessment.remedy import remedy
from validator.characteristics.order import CHARACTERISTICS
from validator.evaluation.named_levels import same_level
from validator.evaluation.results import Finding
from validator.study.models.criteria import WHOLE

if TYPE_CHECKING:
    from validator.assessment.observation import Observation
    from validator.evaluation.rows import Cell
    from validator.study import Study
    from validator.study.models.analysis import AnalysisChoices
    from validator.study.models.criteria import Criterion

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


RANGES = ("working_range", "accuracy_profile")
"""Characteristics whose ``min`` and ``max`` are levels that a range must reach."""


BY_LEVEL = PRECISION | TRUENESS | {"uncertainty"}
"""Characteristics that the claimed range is about: inside it their levels decide, outside they inform."""


def standing(made: Finding, study: Study) -> Finding:
    """The finding with the reason why it informs only, where it does."""
    if study.study.scope and made.characteristic not in study.study.scope:
        return replace(made, decides=False, informs="outside the scope")
    if made.characteristic in BY_LEVEL and made.analyte is not None:
        claim = claimed_range(study.analyte(made.analyte))
        if not is_inside(made.content, claim):
            return replace(made, decides=False, informs="outside the claim")
    if made.characteristic in SELECTIVITY and _is_beyond(made, study):
        return replace(made, decides=False, informs="beyond the expected amount")
    return made


def _is_beyond(made: Finding, study: Study) -> bool:
    block = study.interference
    expected = block.expected_max.get(made.what) if block is not None else None
    return (
        expected is not None
        and made.level is not None
        and made.level > expected
        and not same_level(made.level, expected)
    )


def with_effects(observation: Observation, study: Study, cell: Cell) -> Observation:
    """A test with the effects it looks for, held against what the study or the program tolerates."""
    effects = []
    claim = claimed_range(study.analyte(cell.analyte))
    for sought in observation.sought:
        if not is_inside(sought.level, claim):
            continue
        tolerated = _tolerated(sought.kind, study, cell)
        if tolerated is not None:
            effects.append(Effect(sought.of, *(sought.estimate.ci or (None, None)), tolerated))
    return replace(observation, effects=tuple(effects)) if effects else observation


def _tolerated(kind: str, study: Study, cell: Cell) -> tuple[float, float] | None:
    defaults = study.analysis_for(cell.analyte).defaults
    if kind == "misfit":
        return -defaults.misfit_percent, defaults.misfit_percent
    if kind == "lowest misfit":
        return -defaults.misfit_lowest_percent, defaults.misfit_lowest_percent
    for criterion in study.criteria:
        asked = CHARACTERISTICS[criterion.characteristic]
        if asked.tolerates != kind or criterion.analyte not in (None, cell.analyte):
            continue
        ideal = asked.ideal or 0.0
        for names, limit in limits_of(criterion):
            if "p_min" not in names and limit.lower is not None and limit.upper is not None:
                return limit.lower - ideal, limit.upper - ideal
    return None


def limits_of(criterion: Criterion) -> list[tuple[tuple[str, ...], Limit]]:
    """The limits of a criterion, ``min`` and ``max`` joined where they limit one figure."""
    given = criterion.limits
    found: list[tuple[tuple[str, ...], Limit]] = []
    if "rsd_max" in given:
        found.append((("rsd_max",), Limit(upper=given["rsd_max"])))
    if "p_min" in given:
        found.append((("p_min",), Limit(lower=given["p_min"])))
    sides = tuple(name for name in ("min", "max") if name in given)
    if criterion.characteristic in RANGES:
        found.extend(((name,), _reach(name, given[name])) for name in sides)
    elif sides == ("max",) and CHARACTERISTICS[criterion.characteristic].is_change:
        found.append((sides, Limit(-abs(given["max"]), abs(given["max"]))))
    elif sides:
        found.append((sides, Limit(given.get("min"), given.get("max"))))
    return found


def _reach(name: str, value: float) -> Limit:
    """The range must reach down to min and up to max: its lower end at most min, its upper at least max."""
    return Limit(upper=value) if name == "min" else Limit(lower=value)
