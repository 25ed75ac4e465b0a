"""The clause index: what the dossier answers to each rule of a chosen document, by that rule alone."""

from __future__ import annotations

from typing import TYPE_CHECKING

from validator.assessment.asked import not_measured, refusal_of, rules_for
from validator.evaluation.results import ClauseRecord, NotAssessed
from validator.guidance import Topic, load_profile

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from validator.evaluation.results import ConfigurationRecord, DesignFinding, Finding, Results
    from validator.evaluation.results.assessment import ClauseOutcome
    from validator.guidance import Practice, Profile, Requirement
    from validator.study import Study

INDEX = "iso-iec-17025-2017"
"""The profile of ISO/IEC 17025, whose index stands in every dossier of a validation or verification."""

LONGEST = 12
"""Words of a requirement that the index prints."""


def clause_index(
    study: Study,
    results: Results,
    profiles: Sequence[Profile],
    findings: Sequence[Finding],
    design: Sequence[DesignFinding],
) -> tuple[ClauseRecord, ...]:
    """A record for every rule of the chosen documents, and of ISO/IEC 17025 where the purpose asks for it."""
    indexed = list(profiles)
    wanted = study.study.purpose in ("validation", "verification") and study.study.index_17025
    if wanted and all(one.id != INDEX for one in profiles):
        indexed.insert(0, load_profile(INDEX))
    found: list[ClauseRecord] = []
    for profile in indexed:
        unmeasured = {one.characteristic for one in not_measured(study, results, profile)}
        for rule in rules_for(study, profile):
            found.append(_of_requirement(profile, rule, results, study, findings, design, unmeasured))
        found.extend(_of_practice(profile, rule, study, results) for rule in profile.practices)
    return tuple(found)


def _of_requirement(
    profile: Profile,
    rule: Requirement,
    results: Results,
    study: Study,
    findings: Sequence[Finding],
    design: Sequence[DesignFinding],
    unmeasured: set[str],
) -> ClauseRecord:
    characteristic = rule.characteristic
    own = [one for one in findings if one.document == profile.name and one.rule == rule.id]
    counts = [
        one for one in design if one.profile == profile.id and one.rule == rule.id and not one.recommended
    ]
    outcomes = [one.outcome for one in own] + [one.outcome for one in counts]
    outcome: ClauseOutcome
    if "does not meet" in outcomes:
        outcome = "not met"
    elif "inconclusive" in outcomes:
        outcome = "inconclusive"
    elif "meets" in outcomes and "not assessed" not in outcomes:
        outcome = "met"
    elif characteristic in unmeasured or all(
        refusal_of(one, rule.characteristic) for one in _validated(study, results)
    ):
        outcome = "not studied"
    else:
        outcome = "reported"
    return ClauseRecord(
        document=profile.name,
        clause=rule.clause,
        requirement=shortened(rule.text),
        answer=", ".join(_answers(own, counts)) or _plain_answer(outcome),
        outcome=outcome,
        where=characteristic if outcome != "not studied" else "",
    )


def _validated(study: Study, results: Results) -> list[ConfigurationRecord]:
    """The record of every analyte with the configuration that is validated."""
    return [
        results.analytes[analyte].configurations[study.validated_configuration]
        for analyte in study.analyte_ids
    ]


def _answers(own: Sequence[Finding], counts: Sequence[DesignFinding]) -> Iterator[str]:
    if own:
        yield f"limits met: {sum(one.outcome == 'meets' for one in own)} of {len(own)}"
    if counts:
        yield f"minimum designs provided: {sum(one.outcome == 'meets' for one in counts)} of {len(counts)}"


def _plain_answer(outcome: ClauseOutcome) -> str:
    return "no data" if outcome == "not studied" else "results given; the analyst judges"


def _of_practice(profile: Profile, rule: Practice, study: Study, results: Results) -> ClauseRecord:
    answer, outcome = _record_of(rule.topic, study, results)
    return ClauseRecord(
        document=profile.name,
        clause=rule.clause,
        requirement=shortened(rule.text),
        answer=answer,
        outcome=outcome,
    )


def _record_of(topic: Topic, study: Study, results: Results) -> tuple[str, ClauseOutcome]:
    """What the record of the study says on a subject, and whether it says anything."""
    identity = study.study
    match topic:
        case Topic.PLANNING:
            if results.plan is not None:
                return "validation plan with its record", "reported"
            return ("intended use stated", "reported") if identity.intended_use else ("no plan", "not stated")
        case Topic.DECISION_RULE:
            if study.analysis.declared("decision_rule"):
                return f"{study.analysis.decision_rule} acceptance, declared beforehand", "reported"
            return "no decision rule declared", "not stated"
        case Topic.OUTLIER_TREATMENT:
            return "tests reported; no result removed because of a test", "reported"
        case Topic.DATA_CONTROL:
            return "hashes of the inputs, versions, recomputation from the attachments", "reported"
        case Topic.REPORTING:
            return "criteria, results, intervals and verdict", "reported"
        case Topic.QUALITY_CONTROL:
            if any(_has_control_limits(one) for one in _validated(study, results)):
                return "limits for routine control", "reported"
            return "no intermediate precision", "not stated"
        case _:
            return "no entry in the study", "not stated"


def _has_control_limits(record: ConfigurationRecord) -> bool:
    return not isinstance(record.precision, NotAssessed) and any(
        one.control_limits for one in record.precision
    )


def shortened(text: str) -> str:
    """The first words of a rule."""
    words = text.split()
    return text if len(words) <= LONGEST else " ".join(words[:LONGEST]).rstrip(",;:.") + " …"
