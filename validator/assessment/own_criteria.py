"""The study's own criteria, held against the results."""

from __future__ import annotations

from typing import TYPE_CHECKING

from msgspec.structs import replace

from validator import numbers
from validator.assessment.asked import SELECTIVITY
from validator.assessment.finding import RANGES, finding, limits_of, standing, with_effects
from validator.assessment.observation import Observation, Units
from validator.assessment.observations import observations
from validator.characteristics.order import CHARACTERISTICS
from validator.evaluation.named_levels import same_level
from validator.evaluation.results import ConfigurationRecord, Finding, NotAssessed, Results
from validator.evaluation.rows import Cell

if TYPE_CHECKING:
    from collections.abc import Iterator

    from validator.study import Study
    from validator.study.models.criteria import Criterion


def own_findings(study: Study, results: Results) -> tuple[Finding, ...]:
    """A finding for every criterion of the study, analyte, configuration and level it speaks of."""
    findings: list[Finding] = []
    for criterion in study.criteria:
        for analyte in [criterion.analyte] if criterion.analyte else study.analyte_ids:
            cell = Cell(analyte, criterion.configuration or study.validated_configuration)
            record = results.analytes[analyte].configurations[cell.configuration]
            findings.extend(_findings(study, criterion, cell, record))
    return tuple(findings)


def _findings(
    study: Study, criterion: Criterion, cell: Cell, record: ConfigurationRecord
) -> Iterator[Finding]:
    described = study.analyte(cell.analyte)
    units = Units(described.unit, described.signal_unit)
    choices = study.analysis_for(cell.analyte)
    for names, limit in limits_of(criterion):
        found = _at(criterion, observations(criterion.characteristic, names[0], record, units))
        for observation in found:
            observation = with_effects(_with_unit(observation, criterion, names[0], units), study, cell)
            made = finding(
                observation,
                limit,
                characteristic=criterion.characteristic,
                cell=cell,
                criterion=criterion_words(criterion, names, observation),
                choices=choices,
                rule=choices.decision_rule,
                ideal=None
                if "p_min" in names or "rsd_max" in names
                else CHARACTERISTICS[criterion.characteristic].ideal,
            )
            made = replace(
                made,
                source=criterion.source or "criterion of the study",
                why=criterion.why,
                own=True,
            )
            yield standing(made, study)


def _with_unit(observation: Observation, criterion: Criterion, limit: str, units: Units) -> Observation:
    """A figure that was not assessed has a limit with a unit all the same."""
    if observation.refusal is None or observation.unit or limit == "p_min":
        return observation
    of_meaning = {"level": units.level, "signal": "", "slope": f"{units.signal}/({units.level})", "1": ""}
    unit = "%" if limit == "rsd_max" else CHARACTERISTICS[criterion.characteristic].unit
    return replace(observation, unit=of_meaning.get(unit, unit))


def _at(criterion: Criterion, found: tuple[Observation, ...]) -> list[Observation]:
    if criterion.tolerated_ratio_min is not None:
        return _up_to(criterion, criterion.tolerated_ratio_min, found)
    if criterion.at is None:
        return list(found)
    if criterion.characteristic in SELECTIVITY:  # their level is a ratio to the analyte
        # up to the stated ratio: what is tested beyond it is information
        here = [one for one in found if one.level is None or one.level <= criterion.at * (1 + 1e-6)]
        return here or [_no_level(criterion, found)]
    here = [one for one in found if one.level is None or same_level(one.level, criterion.at)]
    return here or [_no_level(criterion, found)]


def _up_to(criterion: Criterion, ratio: float, found: tuple[Observation, ...]) -> list[Observation]:
    """Of every substance the amounts up to the first one tested that reaches *ratio*."""
    kept: list[Observation] = []
    for what in dict.fromkeys(one.what for one in found):
        of_one = [one for one in found if one.what == what]
        reached = min(
            (one.level for one in of_one if one.level is not None and one.level >= ratio * (1 - 1e-6)),
            default=None,
        )
        kept.extend(one for one in of_one if one.level is None or reached is None or one.level <= reached)
        if reached is None and not any(one.refusal for one in of_one):
            refusal = NotAssessed(
                not_assessed=f"{what} was not tested at a ratio of {ratio:g} or more",
                needs=f"results with {what} at a ratio of {ratio:g} or more",
            )
            kept.append(Observation(estimate=None, level=ratio, what=what, refusal=refusal))
    return kept


def _no_level(criterion: Criterion, found: tuple[Observation, ...]) -> Observation:
    levels = ", ".join(f"{one.level:g}" for one in found if one.level is not None)
    name = criterion.characteristic.replace("_", " ")
    missing = f"no {name} data at level {criterion.at:g}"
    return Observation(
        estimate=None,
        level=criterion.at,
        refusal=NotAssessed(
            not_assessed=f"{missing}; data are available at {levels}" if levels else missing,
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
        case ("max",) if CHARACTERISTICS[criterion.characteristic].is_change:
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
    ratio = criterion.tolerated_ratio_min or criterion.at
    if criterion.characteristic in SELECTIVITY and ratio is not None:
        text += f" up to a ratio of {numbers.as_given(ratio)}"
    return text


def _symbol(criterion: Criterion) -> str:
    """The symbol of the figure, where its limit would be read as one of another figure."""
    return "U" if criterion.characteristic == "uncertainty" else ""
