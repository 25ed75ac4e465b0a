"""The data and choices a detection or quantification variant may use."""

from __future__ import annotations

from typing import TYPE_CHECKING, Literal, Protocol

import numpy as np
from msgspec import Struct
from numpy.typing import ArrayLike, NDArray

if TYPE_CHECKING:
    from collections.abc import Hashable

    from validator.errors import NotEstimable
    from validator.statistics.accuracy_profile import AccuracyProfile
    from validator.statistics.regression import CalibrationFit

Array = NDArray[np.float64]


class VarianceOfSignal(Protocol):
    """Variance of a single signal by level, up to a common factor where the weights are known."""

    def variance(self, level: ArrayLike, /) -> NDArray[np.float64]:
        """Variance at *level*."""
        ...


class LowLevelSample(Struct, frozen=True, kw_only=True, eq=False):
    """Independent results of one sample with little analyte.

    Attributes:
        level: spiked or nominal level.
        concentrations: (n,) results.
        series: (n,) label of the batch or day of each result, numerical ones first, then the censored; None
            when not recorded.
        censored: results reported as "below" something, beside those in the array.
    """

    level: float
    concentrations: Array
    series: tuple[Hashable, ...] | None = None
    censored: int = 0

    @property
    def n(self) -> int:
        """Number of results, the censored included."""
        return int(self.concentrations.size) + self.censored


class PrecisionLevel(Struct, frozen=True, kw_only=True):
    """Standard deviation of results at one level, in the unit of the analyte.

    Attributes:
        level: mean or nominal level.
        sd: standard deviation (intermediate precision where the data hold it).
        degrees_of_freedom: ν of sd.
    """

    level: float
    sd: float
    degrees_of_freedom: float


class RecoveryLevel(Struct, frozen=True, kw_only=True):
    """Recovery found at one level.

    Attributes:
        level: content of the samples, native and added.
        mean_percent: mean recovery.
        rsd_percent: relative standard deviation of the results at that content; None when a single result.
        n: number of results.
        limits_percent: what the mean has to keep here, either side open; None where nothing is stated.
        rsd_max_percent: what the relative standard deviation has to keep; None likewise.
    """

    level: float
    mean_percent: float
    rsd_percent: float | None
    n: int
    limits_percent: tuple[float | None, float | None] | None = None
    rsd_max_percent: float | None = None


class NoiseReading(Struct, frozen=True, kw_only=True):
    """Height of the analyte's signal above the baseline, and the noise of that baseline.

    Attributes:
        level: level that gave the signal.
        height: H, from the middle of the noise to the top, signal unit.
        noise: h, signal unit; full width for "peak_to_peak", standard deviation for "rms".
        kind: how the noise was measured.
    """

    level: float
    height: float
    noise: float
    kind: Literal["peak_to_peak", "rms"] = "peak_to_peak"


class DetectionInputs(Struct, frozen=True, kw_only=True, eq=False):
    """Everything a variant may use; None or empty where the study has nothing.

    Attributes:
        fit: calibration function.
        fit_refusal: why there is no calibration function, where runs were made and cannot carry one.
        series_intercepts: (k,) intercepts of the lines of several series or days.
        blank_signals: (n_b,) independent blanks on the signal axis; empty when all are censored.
        blank_concentrations: (n_b,) the same or other blanks as results, used as they are; likewise.
        blanks_are_independent: False when they are repeated readings of one preparation.
        blanks_blank_corrected: whether a routine result has a blank subtracted; None where it is not stated.
        blanks_censored: blanks reported as "below" something, beside those in the arrays.
        blank_series: batch or day of each blank, numerical ones first, then the censored.
        blank_replicates_averaged: readings that each listed blank is the mean of, in the way that a
            routine result is a mean of ``replicates_for_sample``.
        blanks_per_correction: blanks averaged for the routine correction; None for all listed.
        low_level: samples with little analyte.
        low_level_refusal: why the signals of low-level samples cannot be read as results.
        precision_levels: standard deviations of results by level.
        rsd_target_percent: relative standard deviation that defines the precision-profile limit.
        variance_function: variance of the signal as a function of level, as used for the weights.
        variance_degrees_of_freedom: ν of that variance at level 0, where it was estimated from the signals;
            None where the weights are known.
        scatter_refusal: why the doubt of the scatter at level 0 is not known, where it is not.
        recovery_levels: recovery by level (and kind, and matrix), with the criteria that hold there.
        accuracy_profile: tolerance intervals of the relative error by level, with their acceptance limits.
        linear_range_lower: lowest level above zero in the linear range.
        noise: signal heights with their noise.
        replicates_for_sample: m, readings averaged for a routine result.
        alpha, beta: probabilities of false positive and false negative.
        alpha_declared: the study states alpha itself; documents with an alpha of their own yield to it.
        beta_declared: the study states beta itself.
        confidence: level of the intervals.
        seed: start of the simulations.
    """

    fit: CalibrationFit | None = None
    fit_refusal: NotEstimable | None = None
    series_intercepts: Array | None = None
    blank_signals: Array | None = None
    blank_concentrations: Array | None = None
    blanks_are_independent: bool = True
    blanks_blank_corrected: bool | None = None
    blanks_censored: int = 0
    blank_series: tuple[Hashable, ...] | None = None
    blank_replicates_averaged: int = 1
    blanks_per_correction: int | None = None
    low_level: tuple[LowLevelSample, ...] = ()
    low_level_refusal: NotEstimable | None = None
    precision_levels: tuple[PrecisionLevel, ...] = ()
    rsd_target_percent: float = 10.0
    variance_function: VarianceOfSignal | None = None
    variance_degrees_of_freedom: float | None = None
    scatter_refusal: NotEstimable | None = None
    recovery_levels: tuple[RecoveryLevel, ...] = ()
    accuracy_profile: AccuracyProfile | None = None
    linear_range_lower: float | None = None
    noise: tuple[NoiseReading, ...] = ()
    replicates_for_sample: int = 1
    alpha: float = 0.05
    beta: float = 0.05
    alpha_declared: bool = False
    beta_declared: bool = False
    confidence: float = 0.95
    seed: int = 20260325
