"""Guidance documents as data: requirements, limits, designs, caveats. No study, no results, no verdict."""

from validator.guidance.acceptance import Acceptance, AtLevel
from validator.guidance.caveats import Caution, caveat_texts
from validator.guidance.limits import Limit, limit_for, row_for
from validator.guidance.loading import load_profile, profile_names, resolve
from validator.guidance.profile import Profile
from validator.guidance.rules import Design, Practice, Requirement
from validator.guidance.vocabulary import Binding, Counter, JudgedBy, Kind, Place, Status, Topic

__all__ = [
    "Acceptance",
    "AtLevel",
    "Binding",
    "Caution",
    "Counter",
    "Design",
    "JudgedBy",
    "Kind",
    "Limit",
    "Place",
    "Practice",
    "Profile",
    "Requirement",
    "Status",
    "Topic",
    "caveat_texts",
    "limit_for",
    "load_profile",
    "profile_names",
    "resolve",
    "row_for",
]
