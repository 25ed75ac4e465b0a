"""The study's own criteria, held against the results."""

from __future__ import annotations

from typing import TYPE_CHECKING

from msgspec.structs import replace

from validator.assessment.deciding import remedy
from validator.assessment.judging import Judgement, Limit, judge, judge_p, margin
from validator.assessment.observations import Observation, Units, observations
from validator.dossier import numbers
from validator.evaluation.results import ConfigurationRecord, Finding, NotAssessed, Results

if TYPE_CHECKING:
    from collections.abc import Iterator

    from validator.study import Study
    from validator.study.models.criteria import Criterion

SYMMETRIC = (
    "interference",
    "selectivity",
    "matrix_effect",
    "trueness",
    "robustness",
    "method_comparison",
)
"""Characteristics whose ``max`` alone limits the size of a change: max 10 means from -10 to +10."""

RANGES = ("working_range", "accuracy_profile")
"""Characteristics whose ``min`` and ``max`` are levels that a range must reach."""

_IN_LEVEL_UNIT = (
    *("working_range", "accuracy_profile", "detection_limit", "quantification_limit", "uncertainty"),
    *("decision_limit", "detection_capability"),
    *("repeatability", "intermediate_precision", "reproducibility"),
)
"""Characteristics whose ``min`` and ``max`` are in the unit of the analyte."""

SAME_LEVEL = 1e-6
"""Two levels are the same within this relative difference: they come from one number written twice."""


def own_findings(study: Study, results: Results) -> tuple[Finding, ...]:
    """A finding for every criterion of the study, analyte, configuration and level it speaks of."""
    findings: list[Finding] = []
    for criterion in study.criteria:
        for analyte, configuration in _cells(study, criterion):
            record = results.analytes[analyte].configurations[configuration]
            findings.extend(_findings(study, criterion, analyte, configuration, record))
    return tuple(findings)


def _cells(study: Study, criterion: Criterion) -> Iterator[tuple[str, str]]:
    for analyte in [criterion.analyte] if criterion.analyte else study.analyte_ids:
        yield analyte, criterion.configuration or study.validated_configuration


def _findings(
    study: Study, criterion: Criterion, analyte: str, configuration: str, record: ConfigurationRecord
) -> Iterator[Finding]:
    described = study.analyte(analyte)
    units = Units(described.unit, described.signal_unit)
    choices = study.analysis_for(analyte)
    for names, limit in limits_of(criterion):
        found = _at(criterion, observations(criterion.characteristic, names[0], record, units))
        for observation in (_with_unit(one, criterion, names[0], units) for one in found):
            judgement = judged(observation, limit, choices.decision_rule)
            would = remedy(
                observation,
                limit,
                judgement,
                choices.confidence,
                criterion.characteristic,
                rule=choices.decision_rule,
            )
            yield Finding(
                characteristic=criterion.characteristic,
                analyte=analyte,
                configuration=configuration,
                level=observation.level,
                criterion=criterion_words(criterion, names, observation),
                source=criterion.source or "criterion of the study",
                observed=None if observation.estimate is None else observation.estimate.value,
                lower=limit.lower,
                upper=limit.upper,
                interval=judgement.interval,
                outcome=judgement.outcome,
                decision_rule=choices.decision_rule,
                unit="p" if observation.kind == "probability" else observation.unit,
                n=observation.n,
                what=observation.what,
                reason=judgement.reason,
                needs=would.needs,
                further=would.further,
                further_likely=would.likely,
                margin=judged_margin(observation, limit, judgement),
                own=True,
            )


def _with_unit(observation: Observation, criterion: Criterion, limit: str, units: Units) -> Observation:
    """A figure that was not assessed has a limit with a unit all the same."""
    if observation.refusal is None or observation.unit or limit == "p_min":
        return observation
    if limit == "rsd_max":
        return replace(observation, unit="%")
    match criterion.characteristic:
        case "linearity" | "device_to_device":
            # a correlation has no unit; what devices will be read in is not known before
            return observation
        case "sensitivity":
            return replace(observation, unit=f"{units.signal}/({units.level})")
        case name if name in _IN_LEVEL_UNIT:
            return replace(observation, unit=units.level)
        case _:
            return replace(observation, unit="%")


def judged(observation: Observation, limit: Limit, rule: str) -> Judgement:
    """The outcome for one figure, whatever its kind."""
    estimate = observation.estimate
    if observation.failed:
        return Judgement("does not meet", None, observation.failed)
    if estimate is None or estimate.value is None:
        reason = observation.refusal.not_assessed if observation.refusal else (estimate and estimate.reason)
        return Judgement("not assessed", None, reason or "no result")
    if observation.kind == "probability" and limit.lower is not None:
        return judge_p(estimate.value, limit.lower)
    if observation.kind == "bound":
        return judge(estimate, limit, "simple")
    return judge(estimate, limit, rule)


_IDEAL_WHOLE = 100.0
"""Percent recovered or remaining of the ideal method."""


def judged_margin(observation: Observation, limit: Limit, judgement: Judgement) -> float | None:
    """How far the result lies inside *limit*, where there is one."""
    estimate = observation.estimate
    if estimate is None or estimate.value is None:
        return None
    return margin(limit, estimate.value, judgement.interval, ideal=_ideal(observation, limit))


def _ideal(observation: Observation, limit: Limit) -> float | None:
    """What the ideal method gives: no change, no scatter, all recovered; None where more is always better."""
    if observation.kind == "probability":
        return 1.0
    if limit.lower is None:
        return 0.0
    if observation.unit == "%" and limit.upper is not None and limit.holds(0.0):
        return 0.0
    if observation.unit == "%" and limit.holds(_IDEAL_WHOLE):
        return _IDEAL_WHOLE
    if limit.upper is None:
        return 1.0 if limit.lower <= 1.0 and observation.unit in ("", "1") else None
    return 1.0 if limit.holds(1.0) and observation.unit in ("", "1") else (limit.lower + limit.upper) / 2


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
    elif sides == ("max",) and criterion.characteristic in SYMMETRIC:
        found.append((sides, Limit(-abs(given["max"]), abs(given["max"]))))
    elif sides:
        found.append((sides, Limit(given.get("min"), given.get("max"))))
    return found


def _reach(name: str, value: float) -> Limit:
    """The range must reach down to min and up to max: its lower end at most min, its upper at least max."""
    return Limit(upper=value) if name == "min" else Limit(lower=value)


def _at(criterion: Criterion, found: tuple[Observation, ...]) -> list[Observation]:
    if criterion.at is None:
        return list(found)
    if criterion.characteristic in ("interference", "selectivity"):
        # up to the stated ratio: what is tested beyond it is information
        here = [one for one in found if one.level is None or one.level <= criterion.at * (1 + SAME_LEVEL)]
        return here or [_no_level(criterion, found)]
    here = [one for one in found if one.level is None or _same(one.level, criterion.at)]
    return here or [_no_level(criterion, found)]


def _same(level: float, asked: float) -> bool:
    return abs(level - asked) <= SAME_LEVEL * max(abs(level), abs(asked), 1e-300)


def _no_level(criterion: Criterion, found: tuple[Observation, ...]) -> Observation:
    levels = ", ".join(f"{one.level:g}" for one in found if one.level is not None)
    name = criterion.characteristic.replace("_", " ")
    return Observation(
        estimate=None,
        level=criterion.at,
        refusal=NotAssessed(
            not_assessed=f"no {name} data at level {criterion.at:g}; data are available at {levels}",
            needs=f"{name} data at level {criterion.at:g}",
        ),
    )


def criterion_words(criterion: Criterion, names: tuple[str, ...], observation: Observation) -> str:
    """The requirement in words: ``RSD ≤ 10 % at 5 µg/L``."""
    given = criterion.limits
    unit = f" {observation.unit}" if observation.unit not in ("", "1") else ""
    match names:
        case ("rsd_max",):
            text = f"{_symbol(criterion) or 'RSD'} ≤ {numbers.as_given(given['rsd_max'])} %"
        case ("p_min",):
            text = f"p ≥ {numbers.as_given(given['p_min'])}"
        case ("min", "max"):
            text = f"{numbers.as_given(given['min'])} to {numbers.as_given(given['max'])}{unit}"
        case ("max",) if criterion.characteristic in SYMMETRIC:
            text = f"within ±{numbers.as_given(abs(given['max']))}{unit}"
        case ("max",) if criterion.characteristic in RANGES:
            text = f"extends up to {numbers.as_given(given['max'])}{unit}"
        case ("min",) if criterion.characteristic in RANGES:
            text = f"extends down to {numbers.as_given(given['min'])}{unit}"
        case ("min",) if criterion.characteristic == "linearity":
            text = f"correlation coefficient ≥ {numbers.as_given(given['min'])}"
        case (name,):
            sign = "≥" if name == "min" else "≤"
            text = f"{_symbol(criterion)} {sign} {numbers.as_given(given[name])}{unit}".lstrip()
        case _:
            raise ValueError(names)
    if criterion.characteristic in ("interference", "selectivity") and criterion.at is not None:
        text += f" up to a ratio of {numbers.as_given(criterion.at)}"
    return text


def _symbol(criterion: Criterion) -> str:
    """The symbol of the figure, where its limit would be read as one of another figure."""
    return "U" if criterion.characteristic == "uncertainty" else ""
