"""Records of the comparison with another method."""

from __future__ import annotations

from typing import ClassVar, Literal

from validator.evaluation.results.trueness import Equivalence
from validator.records import EstimateRecord, NotAssessed, Record, SignificanceRecord


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
