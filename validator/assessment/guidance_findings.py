"""Acceptance limits of the chosen guidance held against the figures of the study."""

from __future__ import annotations

from typing import TYPE_CHECKING

from validator.assessment.deciding import remedy
from validator.assessment.guidance_figures import Subject, figure_observations
from validator.assessment.judging import Limit
from validator.assessment.observation import Observation, refused
from validator.assessment.own_criteria import judged, judged_margin
from validator.assessment.rules import rules_for
from validator.errors import NotEstimable
from validator.evaluation.convert import not_assessed
from validator.evaluation.results import Finding, NotAssessed, Results
from validator.evaluation.rows import Cell
from validator.guidance import (
    FIGURE_MEANINGS,
    Acceptance,
    Place,
    Profile,
    Requirement,
    Status,
    limit_for,
    load_profile,
)
from validator.statistics.mass_fraction import mass_fraction

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from validator.study import Study


def profiles_of(study: Study) -> tuple[Profile, ...]:
    """The guidance profiles the study names; a lab's own lie in the study folder.

    Raises:
        GuidanceError: a profile is unknown or malformed.
    """
    return tuple(load_profile(name, search_folders=(study.folder,)) for name in study.study.guidance)


def guidance_findings(
    study: Study, results: Results, profiles: Sequence[Profile], own: Sequence[Finding]
) -> tuple[Finding, ...]:
    """A finding for every limit of the profiles that a figure of the study can be held against."""
    findings: list[Finding] = []
    for profile in profiles:
        for cell, subject in _subjects(study, results):
            for rule in rules_for(study, profile):
                for acceptance in rule.acceptance:
                    findings.extend(_findings(study, cell, subject, rule, acceptance, own))
    return tuple(findings)


def _subjects(study: Study, results: Results) -> Iterator[tuple[Cell, Subject]]:
    for analyte in study.method.analytes:
        cell = Cell(analyte.id, study.validated_configuration)
        yield cell, Subject(analyte, results.analytes[analyte.id].configurations[cell.configuration])


def _findings(
    study: Study,
    cell: Cell,
    subject: Subject,
    rule: Requirement,
    acceptance: Acceptance,
    own: Sequence[Finding],
) -> Iterator[Finding]:
    found = figure_observations(acceptance.figure, subject, rule.characteristic)
    if found is None:
        return
    choices = study.analysis_for(cell.analyte)
    for observation in _places(acceptance.at, found, subject.analyte.legal_limit):
        limit, words, refusal, source = _limit(rule, acceptance, subject, observation)
        if refusal is not None and observation.refusal is None:
            observation = refused(refusal, level=observation.level, what=observation.what)
        judgement = judged(observation, limit, choices.decision_rule)
        would = remedy(
            observation,
            limit,
            judgement,
            choices.confidence,
            rule.characteristic.value,
            rule=choices.decision_rule,
        )
        yield Finding(
            characteristic=rule.characteristic.value,
            analyte=cell.analyte,
            configuration=cell.configuration,
            level=observation.level,
            criterion=words,
            source=source,
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
            superseded_by=_superseded(rule, cell, own),
            decides=acceptance.decides and acceptance.status is not Status.CUSTOMARY,
        )


def _superseded(rule: Requirement, cell: Cell, own: Sequence[Finding]) -> str | None:
    for finding in own:
        same_cell = (finding.analyte, finding.configuration) == (cell.analyte, cell.configuration)
        if same_cell and finding.characteristic == rule.characteristic.value:
            return "superseded by the criterion of the study"
    return None


def _limit(
    rule: Requirement, acceptance: Acceptance, subject: Subject, observation: Observation
) -> tuple[Limit, str, NotAssessed | None, str]:
    """The limit at this level, its words, why there is none, and the citation."""
    analyte = subject.analyte
    fraction = None
    if observation.level:
        try:
            fraction = mass_fraction(
                observation.level, analyte.unit, molar_mass=analyte.molar_mass, water_matrix=True
            ).value
        except NotEstimable:
            fraction = None
    try:
        found = limit_for(acceptance, mass_fraction=fraction, analyte_names=(analyte.id, analyte.name))
    except NotEstimable as refusal:
        words = FIGURE_MEANINGS[acceptance.figure].meaning
        return Limit(), words, not_assessed(refusal), rule.cite_limit(acceptance)
    source = rule.cite_limit(acceptance, found)
    if acceptance.status is Status.CUSTOMARY:
        source = f"{source}; customary"
    limit = Limit(found.lower, found.upper)
    return limit, _words(acceptance, limit), None, source


def _words(acceptance: Acceptance, limit: Limit) -> str:
    meaning = FIGURE_MEANINGS[acceptance.figure]
    unit = f" {meaning.unit}" if meaning.unit else ""
    if limit.lower is not None and limit.upper is not None:
        bounds = f"{limit.lower:.4g} to {limit.upper:.4g}{unit}"
    elif limit.lower is not None:
        bounds = f"≥ {limit.lower:.4g}{unit}"
    else:
        bounds = f"≤ {limit.upper:.4g}{unit}"
    return f"{meaning.meaning} {bounds}"


def _places(place: Place, found: Sequence[Observation], legal_limit: float | None) -> list[Observation]:
    """The figures at the levels that the limit is for."""
    levels = [one.level for one in found if one.level is not None]
    if place is Place.EVERY_LEVEL or not levels:
        return list(found)
    lowest = min(levels)
    if place is Place.LOWEST_LEVEL:
        return [one for one in found if one.level == lowest]
    if place is Place.OTHER_LEVELS:
        return [one for one in found if one.level != lowest]
    if legal_limit is None:
        refusal = NotAssessed(
            not_assessed="the study states no legal limit", needs="the legal limit of the analyte"
        )
        return [Observation(estimate=None, refusal=refusal)]
    nearest = min(levels, key=lambda level: abs(level - legal_limit))
    return [one for one in found if one.level == nearest]
