"""Records of the calibration."""

from __future__ import annotations

from typing import Literal

import numpy as np

from validator.records import (
    EstimateRecord,
    ExcludedPoint,
    FTest,
    NotAssessed,
    Range,
    Record,
    SignificanceRecord,
    TestRecord,
    TTest,
)
from validator.statistics.linearity import LinearRangeStep
from validator.statistics.regression import CalibrationFunction
from validator.statistics.weighting import WeightingStep


class Homoscedasticity(Record, frozen=True, kw_only=True):
    """Tests of equal scatter over the levels."""

    variance_ratio: TestRecord | NotAssessed
    breusch_pagan: TestRecord | NotAssessed
    cochran: TestRecord | NotAssessed
    brown_forsythe: TestRecord | NotAssessed


class RunsTest(Record, frozen=True, kw_only=True):
    """Runs of residual signs in order of level."""

    runs: int
    expected: float
    statistic: float
    p: float


class Normality(Record, frozen=True, kw_only=True):
    """Shapiro-Wilk test of the residuals."""

    shapiro_w: float
    p: float


class Influence(Record, frozen=True, kw_only=True):
    """The point with the largest Cook distance."""

    max_cook: float
    at: float


class LinearRange(Range, frozen=True, kw_only=True):
    """The linear range, the rule that found it, and the line over it."""

    rule: str
    path: tuple[LinearRangeStep, ...] = ()
    fit: CalibrationSummary | None = None


class CalibrationPoint(Record, frozen=True, kw_only=True):
    """One independent preparation as fitted."""

    level: float
    signal: float
    weight: float
    fitted: float
    residual: float
    standardised_residual: float | None = None
    back_calculated: float | None = None
    relative_error_percent: float | None = None


class CalibrationSummary(Record, frozen=True, kw_only=True):
    """The line in short, for showing it beside another: without exclusions, or over the linear range."""

    n: int
    slope: EstimateRecord
    intercept: EstimateRecord
    quadratic: EstimateRecord | None = None
    residual_standard_deviation: float
    correlation: float | None = None


class SeriesLine(Record, frozen=True, kw_only=True):
    """The line of one series or day by itself."""

    series: str
    n: int
    slope: EstimateRecord
    intercept: EstimateRecord


class SeriesOfLines(Record, frozen=True, kw_only=True):
    """Do the series of a calibration share a line?

    Attributes:
        lines: of each series by itself.
        slopes, intercepts: F tests of equal slopes, and of equal intercepts under a common slope; absent
            without residual scatter.
        slope_rsd_percent: standard deviation of the slopes in percent of their mean.
        intercept_sd: standard deviation of the intercepts, in the unit of the signal.
    """

    lines: tuple[SeriesLine, ...]
    slopes: SignificanceRecord | None = None
    intercepts: SignificanceRecord | None = None
    slope_rsd_percent: float
    intercept_sd: float


class ReadingScatter(Record, frozen=True, kw_only=True):
    """Scatter of repeated readings of one preparation; it never adds degrees of freedom."""

    sd: float
    degrees_of_freedom: float
    preparations: int


class LevelUncertainty(Record, frozen=True, kw_only=True):
    """Effect of the levels' own uncertainty on the line."""

    largest_share: float
    york_slope: EstimateRecord | None = None
    york_intercept: EstimateRecord | None = None


class LevelMisfit(Record, frozen=True, kw_only=True):
    """Deviation of the mean of one level above 0 from the function, in percent of the level."""

    level: float
    percent: EstimateRecord


class FittedFunction(Record, frozen=True, kw_only=True):
    """The function as a polynomial in u = (level − centre)/scale, which loses no digits far from level 0.

    ``coefficients`` of 1, u and u², in the unit of the signal, and their (3, 3) covariance, zeros where a
    coefficient is absent. For a line b = c₁/scale, u(b)² = cov₁₁/scale² and a = c₀ − b·centre.
    """

    centre: float
    scale: float
    coefficients: tuple[float, ...]
    covariance: tuple[tuple[float, ...], ...]


class CalibrationRecord(Record, frozen=True, kw_only=True):
    """A calibration line with all that is said of it.

    ``rejected_ranges`` are the sets of levels tried where none is linear; ``fit_over`` says that the function
    is that of the linear range only. ``residual_standard_deviation`` of a weighted fit is that of a signal of
    weight 1, ``r_squared`` is weighted, and there is no ``method_standard_deviation``, which is defined for
    equal variances. ``sensitivity_per_area`` is the slope over the active area, whose unit stands beside it.
    """

    model: str
    weighting: str
    weighting_reason: str
    n: int
    levels: int
    degrees_of_freedom: int
    slope: EstimateRecord
    intercept: EstimateRecord
    quadratic: EstimateRecord | None = None
    function: FittedFunction
    residual_standard_deviation: float
    r_squared: float
    correlation: float
    method_standard_deviation: float | None = None
    method_standard_deviation_percent: float | None = None
    quality_coefficient_percent: float | None = None
    lack_of_fit: FTest | NotAssessed
    quadratic_test: FTest | NotAssessed
    homoscedasticity: Homoscedasticity
    intercept_test: TTest | NotAssessed
    runs_test: RunsTest | NotAssessed
    durbin_watson: TestRecord | NotAssessed
    normality: Normality | NotAssessed
    influence: Influence | NotAssessed
    linear_range: LinearRange | NotAssessed
    working_range: Range
    points: tuple[CalibrationPoint, ...]
    misfit: tuple[LevelMisfit, ...] = ()
    excluded: tuple[ExcludedPoint, ...] = ()
    with_excluded: CalibrationSummary | None = None
    weighting_path: tuple[WeightingStep, ...] = ()
    repeated_readings: ReadingScatter | None = None
    level_uncertainty: LevelUncertainty | None = None
    alternative_quadratic: CalibrationSummary | None = None
    rejected_ranges: tuple[LinearRangeStep, ...] = ()
    fit_over: Literal["linear_range"] | None = None
    series: SeriesOfLines | None = None
    sensitivity_per_area: EstimateRecord | None = None
    area_unit: str | None = None

    def function_at(self, confidence: float) -> CalibrationFunction:
        """The fitted function as predictions, readings and bands at *confidence* use it."""
        return CalibrationFunction(
            model=self.model,  # type: ignore[arg-type]
            x=np.array([point.level for point in self.points]),
            weights=np.array([point.weight for point in self.points]),
            residual_standard_deviation=self.residual_standard_deviation,
            degrees_of_freedom=self.degrees_of_freedom,
            confidence=confidence,
            centre=self.function.centre,
            scale=self.function.scale,
            scaled_coefficients=np.array(self.function.coefficients),
            scaled_covariance=np.array(self.function.covariance),
        )
