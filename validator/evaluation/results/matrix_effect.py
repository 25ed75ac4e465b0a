"""Records of the effect of the matrix on the slope."""

from __future__ import annotations

from typing import Literal

from validator.records import EstimateRecord, ExcludedPoint, NotAssessed, Record, TTest


class LinePoint(Record, frozen=True, kw_only=True):
    """One preparation of a line."""

    level: float
    signal: float


class MatrixEffectRecord(Record, frozen=True, kw_only=True):
    """The slope in one matrix against that of the calibration.

    Attributes:
        matrix: its name.
        slope_ratio: slope in matrix over slope of the calibration, Fieller's interval.
        effect_percent: 100 (slope ratio - 1).
        slope_difference: Welch's test of equal slopes, which decides.
        slope_difference_pooled: the same with one residual variance for both lines.
        source: where the line in matrix comes from; standard additions serve where the study holds no
            calibration in matrix.
        slope, intercept: of the line in matrix.
        weighting: of that line.
        n, levels: preparations, and different levels among them.
        residual_standard_deviation: in the unit of the signal.
    """

    matrix: str
    slope_ratio: EstimateRecord | NotAssessed
    effect_percent: EstimateRecord | NotAssessed
    slope_difference: TTest | NotAssessed
    slope_difference_pooled: TTest | NotAssessed | None = None
    source: Literal["matrix calibration", "standard addition"]
    slope: EstimateRecord | None = None
    intercept: EstimateRecord | None = None
    weighting: str | None = None
    n: int
    levels: int
    residual_standard_deviation: float | None = None
    points: tuple[LinePoint, ...] = ()
    excluded: tuple[ExcludedPoint, ...] = ()
    with_excluded: EstimateRecord | NotAssessed | None = None
