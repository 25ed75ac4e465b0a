"""What recovery and scatter have to keep at one level: by the study's own criteria, else by its guidance."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

from validator.errors import NotEstimable
from validator.guidance import Characteristic, Figure, Kind, Place, limit_for, load_profile
from validator.statistics.mass_fraction import mass_fraction

if TYPE_CHECKING:
    from collections.abc import Iterator

    from validator.evaluation.rows import Cell
    from validator.guidance import Acceptance, Limit
    from validator.study import Criterion, Study

_SAME_LEVEL = 1e-6
_RECOVERY = (Characteristic.RECOVERY, Characteristic.TRUENESS)
_PRECISION = (Characteristic.REPEATABILITY, Characteristic.INTERMEDIATE_PRECISION)


@dataclass(frozen=True, slots=True, kw_only=True)
class LevelCriteria:
    """Limits at one level, percent; None where nothing is stated.

    Attributes:
        recovery: lower and upper limit of the mean recovery, either side open.
        rsd_max: largest relative standard deviation of the results.
    """

    recovery: tuple[float | None, float | None] | None
    rsd_max: float | None


def level_criteria(study: Study, cell: Cell, level: float, *, is_lowest: bool) -> LevelCriteria:
    """The limits that hold at *level*; a criterion of the study takes precedence over its guidance."""
    own = _own_recovery(study, cell, level)
    rsd_max = _own_rsd(study, cell, level)
    return LevelCriteria(
        recovery=own or _recovery_of_guidance(study, cell, level, is_lowest),
        rsd_max=rsd_max or _rsd_of_guidance(study, cell, level, is_lowest),
    )


def _own(study: Study, cell: Cell, characteristic: str, level: float) -> Iterator[Criterion]:
    """The study's criteria on *characteristic* at *level*, those that name the level first."""
    found = [
        one
        for one in study.criteria
        if one.characteristic == characteristic
        and one.analyte in (None, cell.analyte)
        and one.configuration in (None, cell.configuration)
        and (one.at is None or math.isclose(one.at, level, rel_tol=_SAME_LEVEL))
    ]
    yield from sorted(found, key=lambda one: one.at is None)


def _own_recovery(study: Study, cell: Cell, level: float) -> tuple[float | None, float | None] | None:
    return next(((one.min, one.max) for one in _own(study, cell, "recovery", level)), None)


def _own_rsd(study: Study, cell: Cell, level: float) -> float | None:
    stated = (
        one.rsd_max
        for characteristic in _PRECISION
        for one in _own(study, cell, characteristic.value, level)
        if one.rsd_max is not None
    )
    return next(stated, None)


def _recovery_of_guidance(
    study: Study, cell: Cell, level: float, is_lowest: bool
) -> tuple[float | None, float | None] | None:
    for figure, offset in ((Figure.MEAN_RECOVERY_PERCENT, 0.0), (Figure.RELATIVE_BIAS_PERCENT, 100.0)):
        for limit in _limits(study, cell, level, is_lowest, _RECOVERY, figure):
            return _plus(limit.lower, offset), _plus(limit.upper, offset)
    return None


def _rsd_of_guidance(study: Study, cell: Cell, level: float, is_lowest: bool) -> float | None:
    for figure in (Figure.REPEATABILITY_RSD_PERCENT, Figure.INTERMEDIATE_RSD_PERCENT):
        for limit in _limits(study, cell, level, is_lowest, _PRECISION, figure):
            return limit.upper
    return None


def _limits(
    study: Study,
    cell: Cell,
    level: float,
    is_lowest: bool,
    characteristics: tuple[Characteristic, ...],
    figure: Figure,
) -> Iterator[Limit]:
    """Limits for *figure* at *level* from the study's profiles, in their order."""
    analyte = study.analyte(cell.analyte)
    kind = Kind(study.method.kind or Kind.ANY)
    for name in study.study.guidance:
        profile = load_profile(name, search_folders=(study.folder,))
        for rule in profile.requirements:
            if rule.characteristic not in characteristics or not rule.applies_to(kind):
                continue
            for acceptance in rule.acceptance:
                if acceptance.figure is not figure or not _holds(acceptance, is_lowest):
                    continue
                try:
                    fraction = mass_fraction(
                        level, analyte.unit, molar_mass=analyte.molar_mass, water_matrix=True
                    ).value
                except NotEstimable:
                    fraction = None
                try:
                    yield limit_for(
                        acceptance, mass_fraction=fraction, analyte_names=(analyte.id, analyte.name)
                    )
                except NotEstimable:
                    continue


def _holds(acceptance: Acceptance, is_lowest: bool) -> bool:
    places = (Place.EVERY_LEVEL, Place.LOWEST_LEVEL if is_lowest else Place.OTHER_LEVELS)
    return acceptance.decides and acceptance.at in places


def _plus(end: float | None, offset: float) -> float | None:
    return None if end is None else end + offset
