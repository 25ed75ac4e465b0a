"""What recovery and scatter have to keep at one level: by the study's own criteria, else by its guidance."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from msgspec import Struct

from validator.errors import NotEstimable
from validator.evaluation.named_levels import fraction_at
from validator.guidance import Characteristic, Figure, Kind, Place, limit_for

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from validator.evaluation.rows import Cell
    from validator.guidance import Acceptance, Limit, Profile
    from validator.study import Criterion, Study

_SAME_LEVEL = 1e-6
_RECOVERY = (Characteristic.RECOVERY, Characteristic.TRUENESS)
_PRECISION = (Characteristic.REPEATABILITY, Characteristic.INTERMEDIATE_PRECISION)


class LevelCriteria(Struct, frozen=True, kw_only=True):
    """Limits at one level, percent; None where nothing is stated.

    Attributes:
        recovery: lower and upper limit of the mean recovery, either side open.
        rsd_max: largest relative standard deviation of the results.
    """

    recovery: tuple[float | None, float | None] | None
    rsd_max: float | None


class Criteria(Struct, frozen=True):
    """The criteria on recovery and scatter that hold for *cell*: those of the study and of its guidance."""

    study: Study
    cell: Cell
    profiles: Sequence[Profile]

    def at(self, level: float, *, is_lowest: bool) -> LevelCriteria:
        """The limits that hold at *level*; a criterion of the study takes precedence over its guidance."""
        guidance = _Guidance(self, level, is_lowest)
        return LevelCriteria(
            recovery=self._own_recovery(level) or guidance.recovery(),
            rsd_max=self._own_rsd(level) or guidance.rsd_max(),
        )

    def _own(self, characteristic: str, level: float) -> Iterator[Criterion]:
        """The study's criteria on *characteristic* at *level*, those that name the level first."""
        found = [
            one
            for one in self.study.criteria
            if one.characteristic == characteristic
            and one.analyte in (None, self.cell.analyte)
            and one.configuration in (None, self.cell.configuration)
            and (one.at is None or math.isclose(one.at, level, rel_tol=_SAME_LEVEL))
        ]
        yield from sorted(found, key=lambda one: one.at is None)

    def _own_recovery(self, level: float) -> tuple[float | None, float | None] | None:
        return next(((one.min, one.max) for one in self._own("recovery", level)), None)

    def _own_rsd(self, level: float) -> float | None:
        stated = (
            one.rsd_max
            for characteristic in _PRECISION
            for one in self._own(characteristic.value, level)
            if one.rsd_max is not None
        )
        return next(stated, None)


class _Guidance(Struct, frozen=True):
    """What the study's profiles, in their order, set at one level."""

    criteria: Criteria
    level: float
    is_lowest: bool

    def recovery(self) -> tuple[float | None, float | None] | None:
        for figure, offset in ((Figure.MEAN_RECOVERY_PERCENT, 0.0), (Figure.RELATIVE_BIAS_PERCENT, 100.0)):
            for limit in self._limits(_RECOVERY, figure):
                return _plus(limit.lower, offset), _plus(limit.upper, offset)
        return None

    def rsd_max(self) -> float | None:
        for figure in (Figure.REPEATABILITY_RSD_PERCENT, Figure.INTERMEDIATE_RSD_PERCENT):
            for limit in self._limits(_PRECISION, figure):
                return limit.upper
        return None

    def _limits(self, characteristics: tuple[Characteristic, ...], figure: Figure) -> Iterator[Limit]:
        study = self.criteria.study
        kind = Kind(study.method.kind or Kind.ANY)
        rules = (rule for profile in self.criteria.profiles for rule in profile.requirements)
        for rule in rules:
            if rule.characteristic in characteristics and rule.applies_to(kind):
                for acceptance in rule.acceptance:
                    limit = self._limit(acceptance) if acceptance.figure is figure else None
                    if limit is not None:
                        yield limit

    def _limit(self, acceptance: Acceptance) -> Limit | None:
        """The limit at the level; None where it holds elsewhere, decides nothing or cannot be told."""
        here = (Place.EVERY_LEVEL, Place.LOWEST_LEVEL if self.is_lowest else Place.OTHER_LEVELS)
        if not acceptance.decides or acceptance.at not in here:
            return None
        analyte = self.criteria.study.analyte(self.criteria.cell.analyte)
        try:
            return limit_for(
                acceptance,
                mass_fraction=fraction_at(analyte, self.level),
                analyte_names=(analyte.id, analyte.name),
            )
        except NotEstimable:
            return None


def _plus(end: float | None, offset: float) -> float | None:
    return None if end is None else end + offset
