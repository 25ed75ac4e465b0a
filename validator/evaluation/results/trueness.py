"""Records of recovery, selectivity, matrix effect, standard addition and comparison of methods."""

from __future__ import annotations

from typing import ClassVar, Literal

from validator.records import (
    Equivalence,
    EstimateRecord,
    ExcludedPoint,
    FTest,
    Interval,
    NotAssessed,
    Record,
    SignificanceRecord,
    TTest,
)
from validator.statistics.found_on_added import CorrectionAdvice
from validator.statistics.trueness import ReferenceScores


class FoundOnAddedRecord(Record, frozen=True, kw_only=True):
    """Straight line of what was found on what was added or known, over the levels of one matrix.

    Attributes:
        matrix: its name.
        n, levels: independent results, and different levels among them.
        slope: mean recovery over the range, as a fraction.
        intercept: constant bias, in the unit of the analyte.
        residual_standard_deviation: in the unit of the analyte.
        joint_test: F test of slope 1 and intercept 0 together.
    """

    matrix: str | None = None
    n: int
    levels: int
    slope: EstimateRecord
    intercept: EstimateRecord
    residual_standard_deviation: float
    joint_test: SignificanceRecord


class RecoveryRecord(Record, frozen=True, kw_only=True):
    """Recovery at one level, in percent.

    ``level`` is what was added, certified or known, ``total_content`` what the samples contained: native and
    added, mean of the runs. ``found_rsd_percent`` is the relative standard deviation of the n results
    themselves, at that content.
    """

    always: ClassVar[tuple[str, ...]] = (
        "sd",
        "t",
        "p_bias",
        "equivalence",
        "reference_uncertainty_used",
    )
    level: float
    kind: Literal["spike", "reference", "level"]
    matrix: str | None = None
    total_content: float | None = None
    n: int
    series: int | None = None
    mean_recovery: EstimateRecord
    sd: float | None = None
    found_rsd_percent: float | None = None
    t: float | None = None
    p_bias: float | None = None
    equivalence: Equivalence | None = None
    reference_uncertainty_used: float | None = None
    native_uncertainty_used: float | None = None
    scores: ReferenceScores | None = None
    correction: CorrectionAdvice | None = None
    method: str = ""
    values: tuple[float, ...] = ()
    excluded: tuple[ExcludedPoint, ...] = ()
    with_excluded: EstimateRecord | None = None

    @property
    def content(self) -> float:
        """The total content; a file without it has only what was added, certified or known."""
        return self.level if self.total_content is None else self.total_content


class ComparedSample(Record, frozen=True, kw_only=True):
    """One sample as both methods found it: means of the readings that count.

    ``left_out`` says why it takes no part: excluded with its cause, or reported as below a limit.
    """

    always: ClassVar[tuple[str, ...]] = ("this_method", "reference_method")
    sample: str
    this_method: float | None
    reference_method: float | None
    n_this: int
    n_reference: int
    left_out: str | None = None


class PairedRecord(Record, frozen=True, kw_only=True):
    """Paired differences, this method less the other.

    ``mean_difference_percent`` is the mean of the differences in percent of the mean of both results,
    ``equivalence`` its two one-sided tests within the bounds that the study states.
    """

    mean_difference: EstimateRecord
    test: SignificanceRecord
    sd: float
    mean_difference_percent: EstimateRecord | NotAssessed
    equivalence: Equivalence | None = None


class BlandAltmanRecord(Record, frozen=True, kw_only=True):
    """Bias and limits of agreement; ``proportional_bias`` is the slope of the differences on the means."""

    bias: EstimateRecord
    lower: EstimateRecord
    upper: EstimateRecord
    coverage: float
    proportional_bias: EstimateRecord | None = None
    proportional_bias_test: SignificanceRecord | None = None


class DemingRecord(Record, frozen=True, kw_only=True):
    """Line with errors of constant size in both methods.

    ``variance_ratio`` is that of the error variances, this method over the other, and where it comes from.
    """

    slope: EstimateRecord
    intercept: EstimateRecord
    variance_ratio: float
    ratio_source: Literal["given", "replicates", "assumed"]


class PassingBablokRecord(Record, frozen=True, kw_only=True):
    """Line from the ranks of pairwise slopes; ``linearity_p`` is that of the cusum test."""

    always: ClassVar[tuple[str, ...]] = ("linearity_p",)
    slope: EstimateRecord
    intercept: EstimateRecord
    linearity_p: float | None


class YorkRecord(Record, frozen=True, kw_only=True):
    """Line with the stated uncertainty of every result; ``p`` is that of the scatter about it."""

    slope: EstimateRecord
    intercept: EstimateRecord
    chi_squared: float
    degrees_of_freedom: int
    p: float


class ReplicateScatter(Record, frozen=True, kw_only=True):
    """Standard deviation of single readings of each method, from replicates of the samples.

    ``variance_ratio`` is that of this method over the other, ``test`` the F test of equal variances.
    """

    this_method: float
    reference_method: float
    df_this: int
    df_reference: int
    variance_ratio: EstimateRecord
    test: SignificanceRecord


class ComparisonRecord(Record, frozen=True, kw_only=True):
    """This method against another on the same samples; ``n`` samples count."""

    n: int
    paired: PairedRecord | NotAssessed
    bland_altman: BlandAltmanRecord | NotAssessed
    deming: DemingRecord | NotAssessed
    passing_bablok: PassingBablokRecord | NotAssessed
    york: YorkRecord | NotAssessed | None = None
    replicates: ReplicateScatter | None = None
    samples: tuple[ComparedSample, ...] = ()
    with_excluded: EstimateRecord | NotAssessed | None = None


class InterferenceRecord(Record, frozen=True, kw_only=True):
    """Effect of one interferent at one ratio; ``with_excluded`` is it with what the study excludes."""

    always: ClassVar[tuple[str, ...]] = (
        "ratio",
        "relative_change_percent",
        "ci",
        "interferes",
        "tolerance_ratio",
    )
    interferent: str
    ratio: float | None = None
    ratio_kind: str | None = None
    interferent_level: float | None = None
    interferent_unit: str | None = None
    analyte_level: float | None = None
    n: int
    n_reference: int
    relative_change_percent: float | None
    ci: Interval | None = None
    interferes: bool | None = None
    interferes_guarded: Literal["yes", "no", "undecided"] | None = None
    tolerance_ratio: float | None
    tolerance_ratio_guarded: float | None = None
    reason: str | None = None
    excluded: tuple[ExcludedPoint, ...] = ()
    with_excluded: EstimateRecord | NotAssessed | None = None


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


class AdditionLinearity(Record, frozen=True, kw_only=True):
    """Tests of the line through the portions of one sample."""

    lack_of_fit: FTest | NotAssessed
    quadratic_test: FTest | NotAssessed


class AdditionPoint(Record, frozen=True, kw_only=True):
    """One portion: what was added to it and the signal it gave."""

    added: float
    signal: float


class StandardAdditionRecord(Record, frozen=True, kw_only=True):
    """The content of one sample by standard addition, or why its line cannot be drawn.

    Attributes:
        sample: its name.
        concentration: content of the sample, dilution included, with Fieller's interval.
        slope, intercept: of the line over the additions to the measured solution.
        linearity: tests of the line.
        n, additions: portions, and different additions among them (none counts as one).
        dilution_factor: content of the sample over that of the measured solution.
        residual_standard_deviation: in the unit of the signal.
        extrapolation: content over the largest addition; far above 1 the answer lies far from the data.
        slope_ratio: slope of this line over that of the external calibration.
        reference: value known from elsewhere; it counts as exact.
        difference: content less the reference; ``p_reference`` tests it against zero.
        blank: mean blank signal that was subtracted here.
        by_volume: signals are corrected for the volumes added.
        successive: additions went into one solution, so that their errors accumulate.
        blank_corrected: a blank was subtracted, here or before; absent where it is not stated.
    """

    sample: str
    concentration: EstimateRecord | NotAssessed
    slope: EstimateRecord | NotAssessed
    linearity: AdditionLinearity | NotAssessed
    intercept: EstimateRecord | None = None
    n: int
    additions: int
    dilution_factor: float
    residual_standard_deviation: float | None = None
    extrapolation: float | None = None
    slope_ratio: EstimateRecord | NotAssessed | None = None
    reference: float | None = None
    difference: EstimateRecord | None = None
    p_reference: float | None = None
    blank: float | None = None
    by_volume: bool | None = None
    successive: bool | None = None
    blank_corrected: bool | None = None
    points: tuple[AdditionPoint, ...] = ()
    excluded: tuple[ExcludedPoint, ...] = ()
    with_excluded: EstimateRecord | NotAssessed | None = None
