"""Records of recovery."""

from __future__ import annotations

from typing import ClassVar, Literal

from validator.records import (
    EstimateRecord,
    ExcludedPoint,
    Record,
    SignificanceRecord,
)


class Equivalence(Record, frozen=True, kw_only=True):
    """Two one-sided tests against stated bounds, in percent; ``p`` is the larger of the two."""

    lower: float
    upper: float
    passes: bool
    p: float | None = None


class ReferenceScoresRecord(Record, frozen=True, kw_only=True):
    """The mean of the results beside a reference value with its uncertainty, in the unit of the analyte.

    Attributes:
        difference, standard_uncertainty: of the mean from the reference value.
        within_two_u: the difference is within twice its standard uncertainty.
        zeta: difference over its standard uncertainty.
        en: difference over its expanded uncertainty.
    """

    difference: float
    standard_uncertainty: float
    within_two_u: bool
    zeta: float
    en: float


class CorrectionRecord(Record, frozen=True, kw_only=True):
    """Whether results should be corrected for recovery, and what it costs to leave it (Eurachem).

    Attributes:
        t, critical: of the recovery against 100 %.
        advised: the recovery differs significantly.
        factor: what a result would be multiplied by.
        relative_uncertainty_percent: of the recovery, to be carried into the budget in either case.
        relative_uncertainty_uncorrected_percent: to be carried in its place where a significant bias is left.
    """

    t: float
    critical: float
    advised: bool
    factor: float
    relative_uncertainty_percent: float
    relative_uncertainty_uncorrected_percent: float


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
    scores: ReferenceScoresRecord | None = None
    correction: CorrectionRecord | None = None
    method: str = ""
    values: tuple[float, ...] = ()
    excluded: tuple[ExcludedPoint, ...] = ()
    with_excluded: EstimateRecord | None = None

    @property
    def content(self) -> float:
        """The total content; a file without it has only what was added, certified or known."""
        return self.level if self.total_content is None else self.total_content
