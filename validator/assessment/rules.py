"""Which rules of a guidance profile hold for the study: those for its kind of method."""

from __future__ import annotations

from typing import TYPE_CHECKING

from validator.characteristics.order import family
from validator.evaluation.chosen_guidance import kind_of
from validator.guidance import Kind

if TYPE_CHECKING:
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
