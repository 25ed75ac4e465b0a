"""Acceptance limits of the chosen guidance held against the figures of the study."""

from __future__ import annotations

from typing import TYPE_CHECKING

from msgspec.structs import replace

from validator.assessment.asked import is_remembered, is_set_aside, rules_for
from validator.assessment.finding import finding, judged, standing, with_effects
from validator.assessment.guidance_figures import Subject, figure_observations
from validator.assessment.judging import Limit
from validator.assessment.observation import Observation, refused
from validator.characteristics.order import FIGURES
from validator.errors import NotEstimable
from validator.evaluation.convert import not_assessed
from validator.evaluation.named_levels import fraction_at, level_named, same_level
from validator.evaluation.predicted_precision import WITHIN_ONE_LABORATORY
from validator.evaluation.results import Finding, NotAssessed, Results
from validator.evaluation.rows import Cell
from validator.guidance import (
    Acceptance,
    AtLevel,
    JudgedBy,
    Place,
    Profile,
    Requirement,
    Status,
    limit_for,
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


def guidance_findings(study: Study, results: Results, profiles: Sequence[Profile]) -> tuple[Finding, ...]:
    """A finding for every limit of the profiles that a figure of the study can be held against."""
    findings: list[Finding] = []
    for profile in profiles:
        for cell, subject in _subjects(study, results, profile):
            for rule in rules_for(study, profile):
                for acceptance in rule.acceptance:
                    findings.extend(
                        _standing(one, study, profile, rule, acceptance)
                        for one in _findings(study, profile, cell, subject, rule, acceptance)
                    )
    return tuple(findings)


def _subjects(study: Study, results: Results, profile: Profile) -> Iterator[tuple[Cell, Subject]]:
    share = profile.horrat_share or WITHIN_ONE_LABORATORY
    for analyte in study.method.analytes:
        cell = Cell(analyte.id, study.validated_configuration)
        record = results.analytes[analyte.id].configurations[cell.configuration]
        yield cell, Subject(analyte, record, share)


def _findings(
    study: Study,
    profile: Profile,
    cell: Cell,
    subject: Subject,
    rule: Requirement,
    acceptance: Acceptance,
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
        observation = with_effects(observation, study, cell)
        made = finding(
            observation,
            limit,
            characteristic=rule.characteristic,
            cell=cell,
            criterion=words,
            choices=choices,
            rule=_RULES[profile.judged_by],
        )
        guarded = (
            judged(observation, limit, "guarded").outcome if profile.judged_by is JudgedBy.ESTIMATE else None
        )
        yield replace(
            made,
            source=source.text,
            source_status=source.status,
            document=profile.name,
            clause=acceptance.clause or rule.clause,
            rule=rule.id,
            binding=profile.binding.value,
            guarded_outcome=guarded,
        )


_RULES = {JudgedBy.ESTIMATE: "simple", JudgedBy.INTERVAL: "guarded"}
"""The decision rule by which a document judges."""


def _standing(
    made: Finding, study: Study, profile: Profile, rule: Requirement, acceptance: Acceptance
) -> Finding:
    """The finding with what its outcome counts for."""
    made = replace(made, remembered=is_remembered(study, rule.id, made.source_status))
    if not acceptance.decides or acceptance.status is not Status.REQUIRED:
        return replace(made, decides=False, informs="not required")
    if is_set_aside(study, profile, rule.id):
        return replace(made, decides=False, informs="set aside")
    return standing(made, study)


def _limit(
    rule: Requirement, acceptance: Acceptance, subject: Subject, observation: Observation
) -> tuple[Limit, str, NotAssessed | None, Source]:
    """The limit at this level, its words, why there is none, and the citation."""
    analyte = subject.analyte
    if acceptance.by_mass_fraction is not None and observation.level is None:
        words = FIGURES[acceptance.figure].meaning
        return Limit(), words, _NO_LEVEL, rule.cite_limit(acceptance)
    try:
        found = limit_for(
            acceptance,
            mass_fraction=fraction_at(analyte, observation.level),
            analyte_names=(analyte.id, analyte.name),
            legal_limit=fraction_at(analyte, analyte.legal_limit),
        )
    except NotEstimable as refusal:
        words = FIGURES[acceptance.figure].meaning
        return Limit(), words, not_assessed(refusal), rule.cite_limit(acceptance)
    source = rule.cite_limit(acceptance, found)
    if acceptance.status is Status.CUSTOMARY:
        source = Source(f"{source.text}; customary", source.status)
    limit = Limit(found.lower, found.upper, found.exclusive)
    return limit, _words(acceptance, limit), None, source


def _words(acceptance: Acceptance, limit: Limit) -> str:
    meaning = FIGURES[acceptance.figure]
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
            not_assessed="the study states no legal limit", needs="the legal limit of the analyte"
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
