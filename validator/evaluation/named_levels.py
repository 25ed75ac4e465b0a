"""Levels that guidance names for an analyte, in its unit, and levels as mass fractions."""

from __future__ import annotations

import math
from bisect import bisect_left
from typing import TYPE_CHECKING

from validator.errors import NotEstimable
from validator.evaluation.chosen_guidance import profiles_of
from validator.guidance import row_for
from validator.statistics.horwitz import mass_fraction
from validator.study.conversion import Inconvertible, converted
from validator.study.headings import same_unit

if TYPE_CHECKING:
    from collections.abc import Sequence

    from validator.guidance import AtLevel
    from validator.study import Study
    from validator.study.models.method import Analyte


def fraction_at(analyte: Analyte, level: float | None) -> float | None:
    """*level* as a mass fraction, per volume as in water; None where the unit carries none."""
    if not level:
        return None
    try:
        return mass_fraction(level, analyte.unit, molar_mass=analyte.molar_mass, water_matrix=True).value
    except NotEstimable:
        return None


def level_named(place: AtLevel, analyte: Analyte) -> float:
    """The level of *place* in the unit of *analyte*.

    Raises:
        NotEstimable: the legal limit is not stated, or the unit of a fixed level cannot be converted.
    """
    if place.percent_of_legal_limit is not None:
        if analyte.legal_limit is None:
            raise NotEstimable("the study states no legal limit", "method.analytes: legal_limit")
        return place.percent_of_legal_limit / 100 * analyte.legal_limit
    level, unit = place.level or 0.0, place.unit or ""
    if same_unit(unit, analyte.unit):
        return level
    try:
        return converted(level, unit, analyte.unit, analyte.molar_mass)
    except Inconvertible as error:
        raise NotEstimable(str(error), f"the unit {unit} for the analyte") from error


def levels_of_guidance(study: Study, analyte: Analyte) -> tuple[float, ...]:
    """The levels at which the chosen guidance wants the uncertainty of *analyte* evaluated."""
    found: list[float] = []
    for profile in profiles_of(study):
        for rule in profile.requirements:
            for acceptance in rule.acceptance:
                row = row_for(acceptance, (analyte.id, analyte.name))
                if acceptance.figure != "expanded_uncertainty_percent" or row is None or row.at is None:
                    continue
                try:
                    found.append(level_named(row.at, analyte))
                except NotEstimable:
                    continue
    return tuple(found)


SAME_LEVEL = 1e-6
"""Levels within this relative difference are one: they come from one number written twice."""


def same_level(one: float, other: float) -> bool:
    """True for one level written twice."""
    return math.isclose(one, other, rel_tol=SAME_LEVEL)


def place_of_level(levels: Sequence[float], level: float) -> int | None:
    """The place of *level* among rising *levels*; None where it is not one of them."""
    at = bisect_left(levels, level - SAME_LEVEL * abs(level))
    return at if at < len(levels) and same_level(levels[at], level) else None
