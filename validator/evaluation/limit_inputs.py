"""What a study offers to the variants of detection and quantification limits; criteria at a level."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
from msgspec import Struct

from validator.errors import NotEstimable
from validator.evaluation.calibration import Fitted
from validator.evaluation.chosen_guidance import kind_of, profiles_of
from validator.evaluation.named_levels import fraction_at, same_level
from validator.evaluation.results import EstimateRecord, NotAssessed, PrecisionRecord, RecoveryRecord
from validator.evaluation.rows import (
    Cell,
    group_label,
    independent_values,
    kept,
    labels_or_none,
    runs_of,
)
from validator.guidance import Place, limit_for
from validator.statistics.detection import (
    DetectionInputs,
    LowLevelSample,
    NoiseReading,
    PrecisionLevel,
    RecoveryLevel,
)
from validator.statistics.levels import by_level
from validator.statistics.residuals import SMALLEST_GROUP
from validator.study.models.blanks import BlankRun, LowLevelRun, NoiseRun

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from numpy.typing import NDArray

    from validator.evaluation.concentrations import SignalReader
    from validator.guidance import Acceptance, Limit, Profile
    from validator.statistics.accuracy_profile import AccuracyProfile
    from validator.study import Study
    from validator.study.models.criteria import Criterion


def limit_inputs(
    study: Study,
    cell: Cell,
    fitted: Fitted | NotAssessed,
    reader: SignalReader,
    precision: Sequence[PrecisionRecord] | NotAssessed,
    recovery: Sequence[RecoveryRecord] | NotAssessed,
    profile: AccuracyProfile | None = None,
) -> DetectionInputs:
    """What the study offers to the limit variants."""
    choices = study.analysis_for(cell.analyte)
    blank_runs = [run for run in kept(runs_of(study.blanks, cell)) if isinstance(run, BlankRun)]
    on_signals = [run for run in blank_runs if run.axis == "signal"]
    as_results = [run for run in blank_runs if run.axis == "concentration"]
    low_level, unreadable = _low_level(study, cell, reader)
    profiles = profiles_of(study)
    return DetectionInputs(
        fit=fitted.fit if isinstance(fitted, Fitted) else None,
        fit_refusal=_refusal(study, cell, fitted),
        series_intercepts=_series_intercepts(fitted),
        blank_signals=_numerical(on_signals),
        blank_concentrations=_numerical(as_results),
        blanks_blank_corrected=_blank_corrected(blank_runs),
        blanks_per_correction=study.blanks.blanks_per_correction if study.blanks else None,
        blanks_censored=sum(len(run.below) for run in blank_runs),
        blank_series=_series(as_results or on_signals),
        blank_replicates_averaged=max((run.replicates_averaged or 1 for run in blank_runs), default=1),
        low_level=low_level,
        low_level_refusal=unreadable,
        precision_levels=_precision_levels(precision),
        variance_function=fitted.variance_function if isinstance(fitted, Fitted) else None,
        variance_degrees_of_freedom=(
            fitted.weighting.degrees_of_freedom if isinstance(fitted, Fitted) else None
        ),
        scatter_refusal=_unproven_scatter(study, cell, fitted),
        recovery_levels=_recovery_levels(Criteria(study, cell, profiles), recovery),
        accuracy_profile=profile,
        linear_range_lower=_lowest_linear(fitted),
        noise=_noise(study, cell),
        replicates_for_sample=choices.calibration.replicates_for_sample,
        alpha=choices.alpha,
        beta=choices.beta,
        alpha_declared=choices.declared("alpha"),
        beta_declared=choices.declared("beta"),
        confidence=choices.confidence,
        seed=choices.seed,
    )


def _refusal(study: Study, cell: Cell, fitted: Fitted | NotAssessed) -> NotEstimable | None:
    """Why the calibration that was measured gives no function."""
    if isinstance(fitted, Fitted) or not runs_of(study.calibration, cell):
        return None
    return NotEstimable(fitted.not_assessed, fitted.needs)


def _series_intercepts(fitted: Fitted | NotAssessed) -> NDArray[np.float64] | None:
    if isinstance(fitted, NotAssessed) or fitted.record.series is None:
        return None
    return np.array([one.intercept.value for one in fitted.record.series.lines])


def _blank_corrected(runs: Sequence[BlankRun]) -> bool | None:
    """Whether results have a blank subtracted, as stated; None where a run does not say and none says so."""
    stated = {run.blank_correction for run in runs}
    if "subtracted" in stated:
        return True
    return False if stated == {"none"} else None


def _unproven_scatter(study: Study, cell: Cell, fitted: Fitted | NotAssessed) -> NotEstimable | None:
    """Equal scatter that a test on few replicates did not reject, and that nobody declared, is not shown."""
    automatic = study.analysis_for(cell.analyte).calibration.weighting == "auto"
    if not automatic or isinstance(fitted, NotAssessed) or fitted.weighting.scheme != "none":
        return None
    if by_level(fitted.fit.x, fitted.fit.y).n.min() >= SMALLEST_GROUP:
        return None
    return NotEstimable(
        "equal scatter at all levels was concluded from too few replicates to bound the scatter at level 0",
        f"weights declared beforehand, {SMALLEST_GROUP} replicates at each level, or limits from blanks",
    )


def _numerical(runs: Sequence[BlankRun]) -> NDArray[np.float64] | None:
    """The numerical blanks; none where no run was made, empty where all are censored."""
    return np.array([value.value for value in independent_values(runs)]) if runs else None


def _series(runs: Sequence[BlankRun] | Sequence[LowLevelRun]) -> tuple[str, ...] | None:
    """Labels of the results, numerical ones first, then the censored."""
    numerical = [group_label(value.run) for value in independent_values(runs)]
    censored = [group_label(run) for run in runs for _ in run.below]
    return labels_or_none([*numerical, *censored])


def _low_level(
    study: Study, cell: Cell, reader: SignalReader
) -> tuple[tuple[LowLevelSample, ...], NotEstimable | None]:
    """The low-level samples by level, and why some cannot be read as results."""
    runs = [run for run in kept(runs_of(study.low_level, cell)) if isinstance(run, LowLevelRun)]
    samples = []
    for level in sorted({run.level for run in runs}):
        members = [run for run in runs if run.level == level]
        try:
            concentrations = reader.concentrations(independent_values(members))
        except NotEstimable as refusal:
            return (), NotEstimable(refusal.reason, refusal.needs)
        samples.append(
            LowLevelSample(
                level=level,
                concentrations=np.array(concentrations),
                series=_series(members),
                censored=sum(len(run.below) for run in members),
            )
        )
    return tuple(samples), None


def _precision_levels(precision: Sequence[PrecisionRecord] | NotAssessed) -> tuple[PrecisionLevel, ...]:
    if isinstance(precision, NotAssessed):
        return ()
    levels = []
    for entry in precision:
        sd = next(
            (
                one
                for one in (entry.intermediate_sd, entry.repeatability_sd)
                if isinstance(one, EstimateRecord) and one.value and one.degrees_of_freedom
            ),
            None,
        )
        if sd is not None and sd.value and sd.degrees_of_freedom and entry.level:
            levels.append(
                PrecisionLevel(level=entry.level, sd=sd.value, degrees_of_freedom=sd.degrees_of_freedom)
            )
    return tuple(levels)


def _recovery_levels(
    criteria: Criteria, recovery: Sequence[RecoveryRecord] | NotAssessed
) -> tuple[RecoveryLevel, ...]:
    if isinstance(recovery, NotAssessed):
        return ()
    found = [entry for entry in recovery if entry.mean_recovery.value]
    lowest = min((entry.level for entry in found), default=None)
    return tuple(_recovery_level(criteria, entry, is_lowest=entry.level == lowest) for entry in found)


def _recovery_level(criteria: Criteria, entry: RecoveryRecord, *, is_lowest: bool) -> RecoveryLevel:
    over_series = entry.series is not None and entry.series > 1
    holding = criteria.at(entry.level, is_lowest=is_lowest, over_series=over_series)
    return RecoveryLevel(
        level=entry.content,
        mean_percent=entry.mean_recovery.value or 0.0,
        rsd_percent=entry.found_rsd_percent,
        n=entry.n,
        limits_percent=holding.recovery,
        rsd_max_percent=holding.rsd_max,
    )


def _lowest_linear(fitted: Fitted | NotAssessed) -> float | None:
    """The lowest level above zero in the linear range: a blank is no level that can be reported."""
    if isinstance(fitted, NotAssessed) or isinstance(fitted.record.linear_range, NotAssessed):
        return None
    found = fitted.record.linear_range
    inside = [x for x in fitted.fit.x.tolist() if found.lower <= x <= found.upper and x > 0]
    return min(inside, default=None)


def _noise(study: Study, cell: Cell) -> tuple[NoiseReading, ...]:
    return tuple(
        NoiseReading(level=run.level, height=run.signal_height, noise=run.noise, kind=run.noise_kind)
        for run in kept(runs_of(study.noise, cell))
        if isinstance(run, NoiseRun)
    )


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
