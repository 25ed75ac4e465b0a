"""What recovery and variation have to keep at one level: by the study's own criteria and by its guidance."""

from __future__ import annotations

from typing import TYPE_CHECKING

from msgspec import Struct

from validator.errors import NotEstimable
from validator.evaluation.chosen_guidance import kind_of
from validator.evaluation.named_levels import fraction_at
from validator.evaluation.top_down import same_level
from validator.guidance import Place, limit_for

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from validator.evaluation.rows import Cell
    from validator.guidance import Acceptance, Limit, Profile
    from validator.study import Criterion, Study

_RECOVERY = ("recovery", "trueness")
_WITHIN_SERIES = ("repeatability", "repeatability_rsd_percent")
_OVER_SERIES = ("intermediate_precision", "intermediate_rsd_percent")
_PRECISION = ("repeatability", "intermediate_precision")


class LevelCriteria(Struct, frozen=True, kw_only=True):
    """Limits at one level, percent; None where nothing is stated.

    Attributes:
        recovery: lower and upper limit of the mean recovery, either side open.
        rsd_max: largest relative standard deviation of the results.
    """

    recovery: tuple[float | None, float | None] | None
    rsd_max: float | None


class Criteria(Struct, frozen=True):
    """The criteria on recovery and variation that hold for *cell*: those of the study and of its guidance."""

    study: Study
    cell: Cell
    profiles: Sequence[Profile]

    def at(self, level: float, *, is_lowest: bool, over_series: bool) -> LevelCriteria:
        """The limits that hold at *level*, the narrower of the study's own and those of its guidance.

        Results of several series vary as intermediate precision does, those of one as repeatability; where
        no limit is stated for the one, that for the other serves.
        """
        guidance = _Guidance(self, level, is_lowest)
        kinds = (_OVER_SERIES, _WITHIN_SERIES) if over_series else (_WITHIN_SERIES, _OVER_SERIES)
        stated = (
            [
                limit
                for limit in (self._own_rsd(level, characteristic), guidance.rsd_max(figure))
                if limit is not None
            ]
            for characteristic, figure in kinds
        )
        return LevelCriteria(
            recovery=_both(self._own_recovery(level), guidance.recovery()),
            rsd_max=next((min(limits) for limits in stated if limits), None),
        )

    def _own(self, characteristic: str, level: float) -> Iterator[Criterion]:
        """The study's criteria on *characteristic* that hold at *level*."""
        for one in self.study.criteria:
            if (
                one.characteristic == characteristic
                and one.analyte in (None, self.cell.analyte)
                and one.configuration in (None, self.cell.configuration)
                and (one.at is None or same_level(one.at, level))
            ):
                yield one

    def _own_recovery(self, level: float) -> tuple[float | None, float | None] | None:
        found: tuple[float | None, float | None] | None = None
        for one in self._own("recovery", level):
            found = _both(found, (one.min, one.max))
        return found

    def _own_rsd(self, level: float, characteristic: str) -> float | None:
        stated = (one.rsd_max for one in self._own(characteristic, level) if one.rsd_max is not None)
        return min(stated, default=None)


class _Guidance(Struct, frozen=True):
    """What the study's profiles, in their order, set at one level."""

    criteria: Criteria
    level: float
    is_lowest: bool

    def recovery(self) -> tuple[float | None, float | None] | None:
        for figure, offset in (("mean_recovery_percent", 0.0), ("relative_bias_percent", 100.0)):
            for limit in self._limits(_RECOVERY, figure):
                return _plus(limit.lower, offset), _plus(limit.upper, offset)
        return None

    def rsd_max(self, figure: str) -> float | None:
        return next((limit.upper for limit in self._limits(_PRECISION, figure)), None)

    def _limits(self, characteristics: tuple[str, ...], figure: str) -> Iterator[Limit]:
        kind = kind_of(self.criteria.study)
        rules = (rule for profile in self.criteria.profiles for rule in profile.requirements)
        for rule in rules:
            if rule.characteristic in characteristics and rule.applies_to(kind):
                for acceptance in rule.acceptance:
                    limit = self._limit(acceptance) if acceptance.figure == figure else None
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


def _both(
    one: tuple[float | None, float | None] | None, other: tuple[float | None, float | None] | None
) -> tuple[float | None, float | None] | None:
    """What lies within both limits; each side is the narrower of the two."""
    if one is None or other is None:
        return one if other is None else other
    lower = [end for end in (one[0], other[0]) if end is not None]
    upper = [end for end in (one[1], other[1]) if end is not None]
    return max(lower, default=None), min(upper, default=None)


def _plus(end: float | None, offset: float) -> float | None:
    return None if end is None else end + offset
