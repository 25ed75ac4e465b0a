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
from validator.evaluation.named_levels import fraction_at, level_named
from validator.evaluation.predicted_precision import WITHIN_ONE_LABORATORY
from validator.evaluation.results import Finding, NotAssessed, Results
from validator.evaluation.rows import Cell
from validator.evaluation.top_down import same_level
from validator.guidance import (
    FIGURE_MEANINGS,
    Acceptance,
    AtLevel,
    Place,
    Profile,
    Requirement,
    Status,
    limit_for,
    load_profile,
    row_for,
)
from validator.sources import Source

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from validator.study import Study
    from validator.study.models.method import Analyte


_NO_LEVEL = NotAssessed(
    not_assessed="the level that the limit depends on is not stated",
    needs="method.analytes: legal_limit or reference_point_for_action",
)


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
        for cell, subject in _subjects(study, results, profile):
            for rule in rules_for(study, profile):
                for acceptance in rule.acceptance:
                    findings.extend(_findings(study, cell, subject, rule, acceptance, own))
    return tuple(findings)


def _subjects(study: Study, results: Results, profile: Profile) -> Iterator[tuple[Cell, Subject]]:
    share = profile.horrat_share or WITHIN_ONE_LABORATORY
    for analyte in study.method.analytes:
        cell = Cell(analyte.id, study.validated_configuration)
        record = results.analytes[analyte.id].configurations[cell.configuration]
        yield cell, Subject(analyte, record, share)


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
    row = row_for(acceptance, (subject.analyte.id, subject.analyte.name))
    at = acceptance.at if row is None or row.at is None else row.at
    for observation in _places(at, found, subject.analyte):
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
            source=source.text,
            source_status=source.status,
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
) -> tuple[Limit, str, NotAssessed | None, Source]:
    """The limit at this level, its words, why there is none, and the citation."""
    analyte = subject.analyte
    if acceptance.by_mass_fraction is not None and observation.level is None:
        words = FIGURE_MEANINGS[acceptance.figure].meaning
        return Limit(), words, _NO_LEVEL, rule.cite_limit(acceptance)
    try:
        found = limit_for(
            acceptance,
            mass_fraction=fraction_at(analyte, observation.level),
            analyte_names=(analyte.id, analyte.name),
            legal_limit=fraction_at(analyte, analyte.legal_limit),
        )
    except NotEstimable as refusal:
        words = FIGURE_MEANINGS[acceptance.figure].meaning
        return Limit(), words, not_assessed(refusal), rule.cite_limit(acceptance)
    source = rule.cite_limit(acceptance, found)
    if acceptance.status is Status.CUSTOMARY:
        source = Source(f"{source.text}; customary", source.status)
    limit = Limit(found.lower, found.upper, found.exclusive)
    return limit, _words(acceptance, limit), None, source


def _words(acceptance: Acceptance, limit: Limit) -> str:
    meaning = FIGURE_MEANINGS[acceptance.figure]
    unit = f" {meaning.unit}" if meaning.unit else ""
    if limit.lower is not None and limit.upper is not None:
        bounds = f"{limit.lower:.4g} to {limit.upper:.4g}{unit}"
    elif limit.lower is not None:
        bounds = f"{'>' if limit.exclusive else '≥'} {limit.lower:.4g}{unit}"
    else:
        bounds = f"{'<' if limit.exclusive else '≤'} {limit.upper:.4g}{unit}"
    return f"{meaning.meaning} {bounds}"


def _places(place: Place | AtLevel, found: Sequence[Observation], analyte: Analyte) -> list[Observation]:
    """The figures at the levels that the limit is for."""
    if isinstance(place, AtLevel):
        return _at_level(place, found, analyte)
    levels = [one.level for one in found if one.level is not None]
    if place is Place.EVERY_LEVEL or not levels:
        return list(found)
    lowest = min(levels)
    if place is Place.LOWEST_LEVEL:
        return [one for one in found if one.level == lowest]
    if place is Place.OTHER_LEVELS:
        return [one for one in found if one.level != lowest]
    legal_limit = analyte.legal_limit
    if legal_limit is None:
        refusal = NotAssessed(
            not_assessed="the study states no legal limit", needs="method.analytes: legal_limit"
        )
        return [Observation(estimate=None, refusal=refusal)]
    nearest = min(levels, key=lambda level: abs(level - legal_limit))
    return [one for one in found if one.level == nearest]


def _at_level(place: AtLevel, found: Sequence[Observation], analyte: Analyte) -> list[Observation]:
    """The figures at a level that the document names: a share of the legal limit, or a fixed one."""
    try:
        level = level_named(place, analyte)
    except NotEstimable as unknown:
        return [Observation(estimate=None, refusal=not_assessed(unknown))]
    here = [one for one in found if one.level is None or same_level(one.level, level)]
    if here:
        return here
    refusal = NotAssessed(
        not_assessed=f"no value was determined at {level:g} {analyte.unit}",
        needs=f"results at {level:g} {analyte.unit}",
    )
    return [Observation(estimate=None, refusal=refusal, level=level)]
