"""What the chosen guidance asks for and the study does not give: characteristics, limits, the kind."""

from __future__ import annotations

from typing import TYPE_CHECKING

from msgspec import Struct

from validator.characteristics.order import CHARACTERISTICS, family
from validator.evaluation.chosen_guidance import kind_of
from validator.evaluation.results import ConfigurationRecord, NotAssessed
from validator.guidance import Binding, Kind

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from validator.evaluation.results import Finding, Results
    from validator.guidance import Profile, Requirement
    from validator.study import Study

PRECISION, TRUENESS, SELECTIVITY = family("precision"), family("trueness"), family("selectivity")
RELATED = (
    family("calibration"),
    PRECISION,
    TRUENESS,
    SELECTIVITY,
    {"accuracy_profile", *PRECISION, *TRUENESS},
)
"""Characteristics of which one is meant where a document asks for another."""


def rules_for(study: Study, profile: Profile) -> tuple[Requirement, ...]:
    """The rules of *profile* that hold for a method of the study's kind.

    Where the document lists what it asks of this very kind, a rule on anything else is left out: whoever
    identifies a substance owes no linearity.
    """
    kind = kind_of(study)
    rules = tuple(rule for rule in profile.requirements if rule.applies_to(kind))
    if kind is Kind.ANY or profile.asked_for is None or kind not in profile.asked_for.by_kind:
        return rules
    asked = set(profile.characteristics(kind))
    return tuple(rule for rule in rules if _is_meant(rule.characteristic, asked))


def _is_meant(characteristic: str, asked: set[str]) -> bool:
    family = {characteristic}.union(*(some for some in RELATED if characteristic in some))
    return bool(family & asked)


_LIMITED_TOGETHER = (PRECISION, TRUENESS, family("limits"), SELECTIVITY)
"""Characteristics of which a limit on one speaks for the others."""


class NotMeasured(Struct, frozen=True):
    """A characteristic that a profile asks for and the data do not give."""

    characteristic: str
    analyte: str
    refusal: NotAssessed


class NotSet(Struct, frozen=True):
    """A figure for which the document wants a limit fixed beforehand, and nothing limits it."""

    rule: Requirement
    figure: str
    analyte: str


def not_measured(study: Study, results: Results, profile: Profile) -> tuple[NotMeasured, ...]:
    """What *profile* asks for, for a method of this kind, that was not measured."""
    found: list[NotMeasured] = []
    for analyte in study.analyte_ids:
        record = results.analytes[analyte].configurations[study.validated_configuration]
        for characteristic in profile.characteristics(kind_of(study)):
            refusal = refusal_of(record, characteristic)
            if refusal is not None:
                found.append(NotMeasured(characteristic, analyte, refusal))
    return tuple(found)


def not_set(
    study: Study, profile: Profile, findings: Sequence[Finding], analytes: Sequence[str] | None = None
) -> tuple[NotSet, ...]:
    """Limits that *profile* leaves to the user, and that neither study nor other guidance sets.

    For *analytes*, all of the study unless they are named.
    """
    return tuple(
        NotSet(rule, figure, analyte)
        for analyte in (study.analyte_ids if analytes is None else analytes)
        for rule in rules_for(study, profile)
        for figure in rule.user_sets
        if not is_limited(rule.characteristic, analyte, findings)
    )


def limited_with(characteristic: str) -> frozenset[str]:
    """*characteristic* and those of which a limit speaks for it too."""
    return next((some for some in _LIMITED_TOGETHER if characteristic in some), frozenset({characteristic}))


def is_limited(characteristic: str, analyte: str, findings: Sequence[Finding]) -> bool:
    """True when a limit that decides speaks of *characteristic*, or of one that is limited with it."""
    family = limited_with(characteristic)
    return any(
        one.decides and one.characteristic in family and one.analyte in (None, analyte) for one in findings
    )


def waiting_for_kind(study: Study, profile: Profile) -> tuple[Kind, ...]:
    """Kinds of method for which *profile* has rules of their own, where the study does not state its kind."""
    if study.method.kind is not None:
        return ()
    named = {kind for rule in profile.requirements for kind in rule.kinds}
    listed = profile.asked_for.by_kind if profile.asked_for is not None else {}
    return tuple(kind for kind in Kind if kind is not Kind.ANY and (kind in named or kind in listed))


def refusal_of(record: ConfigurationRecord, characteristic: str) -> NotAssessed | None:
    """Why the record gives no figure for *characteristic*; None where it gives one or was asked for none."""
    paths = CHARACTERISTICS[characteristic].found
    found = [one for path in paths for one in _at(record, path)]
    refusals = [one for one in found if isinstance(one, NotAssessed)]
    return refusals[0] if refusals and len(refusals) == len(found) else None


def _at(record: ConfigurationRecord, path: str) -> Iterator[object]:
    """What stands at *path*, of each precision level where it is one of their fields."""
    name, _, field = path.partition(".")
    whole = getattr(record, name)
    if whole is None:
        return
    if not field or isinstance(whole, NotAssessed):
        yield whole
        return
    for entry in whole if isinstance(whole, tuple) else (whole,):
        found = getattr(entry, field)
        if found is None:
            found = _ONE_LABORATORY if field == "reproducibility_sd" else _NO_SERIES
        yield found


_ONE_LABORATORY = NotAssessed(
    not_assessed="the readings come from one laboratory, or no laboratory is recorded",
    needs="readings of the same materials from several laboratories",
)
_NO_SERIES = NotAssessed(
    not_assessed="no laboratory has readings of the same material in more than one series",
    needs="readings of the same material in several series (days, operators, instruments) of one laboratory",
)


def is_remembered(study: Study, rule: str, status: str) -> bool:
    """Whether a rule was written down from memory and nobody compared it with its text since."""
    return status == "memory" and all(one.rule != rule for one in study.study.confirmed_rules)


def is_set_aside(study: Study, profile: Profile, rule: str) -> bool:
    """Whether the study sets a rule of *profile* aside; one of law stands all the same."""
    return profile.binding is not Binding.LAW and any(
        one.document == profile.id and one.rule == rule for one in study.study.not_applicable
    )
