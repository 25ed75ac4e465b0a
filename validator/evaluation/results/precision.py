"""Records of precision: within one laboratory, over laboratories, from device to device, in repeated use."""

from __future__ import annotations

from typing import ClassVar, Literal

from validator.records import (
    EstimateRecord,
    ExcludedPoint,
    NotAssessed,
    Record,
    SignificanceRecord,
)
from validator.statistics.interlaboratory import RobustPrecision
from validator.statistics.level_dependence import LevelForm
from validator.statistics.repeated_use import DeclineRecord


class RemovalRecord(Record, frozen=True, kw_only=True):
    """What the figures would be without the suspect; they stay as they are, this is shown beside.

    Attributes:
        removed: the values left out for this one computation.
        n: values that remain.
        mean: of these, in the unit of the analyte.
        repeatability_sd, repeatability_rsd: without the suspect, the latter in percent.
        intermediate_sd, intermediate_rsd: the same for intermediate precision.
        reproducibility_sd, reproducibility_rsd: the same, in an interlaboratory study.
    """

    removed: tuple[float, ...]
    n: int
    mean: float
    repeatability_sd: float | None = None
    repeatability_rsd: float | None = None
    intermediate_sd: float | None = None
    intermediate_rsd: float | None = None
    reproducibility_sd: float | None = None
    reproducibility_rsd: float | None = None


class OutlierRecord(Record, frozen=True, kw_only=True):
    """An outlier test: reported, never acted upon.

    Attributes:
        test: its name and what it was applied to.
        statistic, critical, p: of the test; critical at the study's alpha.
        suspect: the value in question, for Cochran the standard deviation of the group.
        suspect_group: the group (day, laboratory) it belongs to, where there are groups.
        flagged: beyond the critical value.
        grade: in an interlaboratory study, "straggler" beyond the 5 % point, "outlier" beyond the 1 % point.
        without: the figures without the suspect, where it is flagged.
    """

    test: str
    statistic: float
    critical: float | None = None
    p: float | None = None
    suspect: float | None = None
    suspect_group: str | None = None
    flagged: bool
    grade: Literal["straggler", "outlier"] | None = None
    without: RemovalRecord | NotAssessed | None = None


class LevelDependenceRecord(Record, frozen=True, kw_only=True):
    """How standard deviations depend on the level; no form is preferred.

    ``total`` is the reproducibility standard deviation where the groups are laboratories, else the
    intermediate one; ``total_of`` says which.
    """

    repeatability: tuple[LevelForm, ...] | NotAssessed
    total: tuple[LevelForm, ...] | NotAssessed
    total_of: Literal["intermediate", "reproducibility"]


class VarianceComponentRecord(Record, frozen=True, kw_only=True):
    """What one of several factors adds.

    Attributes:
        factor: its name; "day:operator" is an interaction, "repeatability" the residual.
        levels: number of levels; of the residual the number of cells.
        sd: standard deviation of the component, in the unit of the analyte; zero where it came out negative.
        share_percent: part of the total variance.
        mean_square, degrees_of_freedom: of the analysis of variance; absent by likelihood.
    """

    factor: str
    levels: int
    sd: EstimateRecord | NotAssessed
    share_percent: float
    mean_square: float | None = None
    degrees_of_freedom: int | None = None


class AnalysisOfVarianceRecord(Record, frozen=True, kw_only=True):
    """Mean squares between and within the groups of a one-way layout, and their F test."""

    ms_between: float
    df_between: int
    ms_within: float
    df_within: int
    f: float
    p: float


class DuplicatesRecord(Record, frozen=True, kw_only=True):
    """Repeatability over samples of different levels, measured twice each.

    Attributes:
        pairs: how many, also the degrees of freedom.
        mean: of all results.
        repeatability_sd: √(Σd²/2n), fit for use where the scatter does not change with the level.
        repeatability_rsd: √(Σ(d/x̄)²/2n) in percent, fit for use where it is proportional to the level.
        repeatability_limit: 2.8 times the standard deviation.
    """

    pairs: int
    mean: float
    repeatability_sd: EstimateRecord | NotAssessed
    repeatability_rsd: EstimateRecord | NotAssessed
    repeatability_limit: float | None = None


class PrecisionRecord(Record, frozen=True, kw_only=True):
    """Precision at one level; percent for the relative figures.

    ``groups`` counts the finest groups that share conditions. ``components`` splits the scatter where several
    factors are nested or crossed; ``between_sd`` is then the root of what they add together. The limits are
    2.8 times the standard deviation; those that end in ``_exact`` take √2·t in place of 2.8. ``arrangement``
    says how several factors were taken to stand to each other.

    ``horwitz_rsd`` is the reproducibility that the mass fraction lets one expect by Horwitz' function,
    ``thompson_rsd`` that with Thompson's ends below 1.2e-7 and above 0.138; ``horrat`` is the reproducibility
    found over the latter, ``horrat_repeatability`` the repeatability found over ``horrat_share`` of it; those
    that end in ``_horwitz`` are over Horwitz' function at every mass fraction.
    ``mass_fraction`` says why where a unit cannot be turned into one;
    ``mass_fraction_assumption`` is what was taken for granted in turning the level into a mass fraction.
    """

    always: ClassVar[tuple[str, ...]] = ("level", "repeatability_limit", "horwitz_rsd", "horrat")
    level: float | None
    n: int
    groups: int
    factor: str | None = None
    arrangement: Literal["nested", "crossed"] | None = None
    mean: EstimateRecord
    repeatability_sd: EstimateRecord | NotAssessed
    repeatability_rsd: EstimateRecord | NotAssessed
    between_sd: EstimateRecord | NotAssessed
    intermediate_sd: EstimateRecord | NotAssessed | None = None
    intermediate_rsd: EstimateRecord | NotAssessed | None = None
    reproducibility_sd: EstimateRecord | NotAssessed | None = None
    reproducibility_rsd: EstimateRecord | NotAssessed | None = None
    repeatability_limit: float | None = None
    reproducibility_limit: float | None = None
    repeatability_limit_exact: float | None = None
    intermediate_limit: float | None = None
    intermediate_limit_exact: float | None = None
    reproducibility_limit_exact: float | None = None
    horwitz_rsd: float | None = None
    thompson_rsd: float | None = None
    horrat: float | None = None
    horrat_repeatability: float | None = None
    horrat_horwitz: float | None = None
    horrat_repeatability_horwitz: float | None = None
    horrat_share: float | None = None
    mass_fraction: float | NotAssessed | None = None
    mass_fraction_assumption: str | None = None
    analysis_of_variance: AnalysisOfVarianceRecord | None = None
    components: tuple[VarianceComponentRecord, ...] = ()
    consistency: ConsistencyRecord | None = None
    robust: RobustPrecision | NotAssessed | None = None
    outlier_tests: tuple[OutlierRecord, ...] = ()
    method: str
    excluded: tuple[ExcludedPoint, ...] = ()
    with_excluded: PrecisionRecord | None = None

    @property
    def control_limits(self) -> tuple[float, float] | None:
        """Centre line and intermediate standard deviation of a control chart; none without both."""
        wide = self.intermediate_sd
        if wide is None or isinstance(wide, NotAssessed) or not wide.value or not self.mean.value:
            return None
        return self.mean.value, wide.value


class LaboratoryRecord(Record, frozen=True, kw_only=True):
    """One laboratory at one level.

    Attributes:
        laboratory, n, mean, sd: its name, and what its results come to.
        h, k: Mandel's; ``k_critical`` at 5 % and 1 %.
        outlying: the tests at 1 % that flag it; Grubbs' pair only where the single test flags nothing.
    """

    always: ClassVar[tuple[str, ...]] = ("sd", "h", "k")
    laboratory: str
    n: int
    mean: float
    sd: float | None
    h: float | None
    k: float | None
    k_critical: tuple[float, float] | None = None
    outlying: tuple[Literal["cochran", "grubbs", "grubbs_pair", "h", "k"], ...] = ()


class ConsistencyRecord(Record, frozen=True, kw_only=True):
    """How far each laboratory agrees with the others.

    Attributes:
        h_critical: bounds of the size of h at 5 % and 1 %.
        laboratories: one by one.
        reason: why there is no h and k.
        without: the figures without every outlying laboratory; shown beside, those of the level stay.
    """

    h_critical: tuple[float, float] | None = None
    laboratories: tuple[LaboratoryRecord, ...]
    reason: str | None = None
    without: RemovalRecord | NotAssessed | None = None


class DeviceMean(Record, frozen=True, kw_only=True):
    """One device."""

    device: str
    n: int
    mean: float


class DeviceToDeviceRecord(Record, frozen=True, kw_only=True):
    """Spread between devices at one level, relative figures in percent.

    Attributes:
        level: of the material; None for signals of repeated use, whose level is not recorded.
        source: the readings: "precision", or "first uses" of the devices of ``repeated_use``.
        axis: what the readings are.
        devices, n: how many, and readings of them.
        mean: of all readings, devices being the independent units.
        device_sd, device_rsd: spread of the devices' means as observed; the scatter of the readings is part
            of it.
        between_rsd, within_rsd, total_rsd: components: what the devices add, on one device, of one reading on
            any device.
        test: of no difference between devices.
        confounded_with: what changes together with the device, so that the spread holds both.
    """

    level: float | None = None
    source: Literal["precision", "first uses"]
    axis: Literal["signal", "concentration"]
    devices: int
    n: int
    mean: EstimateRecord
    device_sd: EstimateRecord | NotAssessed
    device_rsd: EstimateRecord | NotAssessed
    between_rsd: EstimateRecord | NotAssessed
    within_rsd: EstimateRecord | NotAssessed
    total_rsd: EstimateRecord | NotAssessed
    test: SignificanceRecord | None = None
    confounded_with: str | None = None
    means: tuple[DeviceMean, ...] = ()
    excluded: tuple[ExcludedPoint, ...] = ()
    with_excluded: EstimateRecord | NotAssessed | None = None


class DeviceUses(Record, frozen=True, kw_only=True):
    """The uses of one device: signals in the order of use, their mean and relative scatter in percent."""

    always: ClassVar[tuple[str, ...]] = ("rsd",)
    device: str
    uses: tuple[int, ...]
    signals: tuple[float, ...]
    mean: float
    rsd: float | None


class RepeatedUseRecord(Record, frozen=True, kw_only=True):
    """Signals of devices used again and again.

    Attributes:
        n, devices, last_use: signals, devices, highest number of a use.
        rsd: relative standard deviation over the uses of one device, pooled over the devices, percent; a
            decline is part of it.
        decline: the trend with use.
        by_device: the devices one by one.
    """

    n: int
    devices: int
    last_use: int
    rsd: EstimateRecord | NotAssessed
    decline: DeclineRecord | NotAssessed
    by_device: tuple[DeviceUses, ...]
    excluded: tuple[ExcludedPoint, ...] = ()
    with_excluded: EstimateRecord | NotAssessed | None = None
