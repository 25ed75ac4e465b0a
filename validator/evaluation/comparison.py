"""Comparison with another method on the same samples."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
from msgspec import Struct
from msgspec.structs import replace

from validator.errors import NotEstimable
from validator.evaluation.chosen_guidance import own_criterion
from validator.evaluation.convert import attempt, equivalence_record
from validator.evaluation.results import (
    BlandAltmanRecord,
    ComparedSample,
    ComparisonRecord,
    DemingRecord,
    Equivalence,
    EstimateRecord,
    NotAssessed,
    PairedRecord,
    PassingBablokRecord,
    ReplicateScatter,
    YorkRecord,
)
from validator.evaluation.rows import Cell, excluded, runs_of
from validator.statistics.comparison import (
    bland_altman,
    error_variance_ratio,
    paired_difference,
    variance_ratio,
)
from validator.statistics.equivalence import equivalence_of_mean
from validator.statistics.errors_in_variables import RatioSource, deming, york
from validator.statistics.interval import estimate_record, significance, two_sided_record
from validator.statistics.passing_bablok import passing_bablok
from validator.study.models.trueness import ComparisonRun

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from validator.study import Study

Bounds = tuple[float, float]
"""Lower and upper bound of a mean difference, percent."""


class _Sample(Struct, frozen=True):
    """One sample: all its runs that count, or why none does."""

    name: str
    runs: tuple[ComparisonRun, ...]
    left_out: str | None

    @property
    def this(self) -> tuple[float, ...]:
        """Readings of this method."""
        return tuple(value for run in self.runs for value in run.this_values)

    @property
    def reference(self) -> tuple[float, ...]:
        """Readings of the other method."""
        return tuple(value for run in self.runs for value in run.reference_values)

    def as_record(self) -> ComparedSample:
        """The sample as the results list it."""
        return ComparedSample(
            sample=self.name,
            this_method=_mean(self.this),
            reference_method=_mean(self.reference),
            n_this=len(self.this),
            n_reference=len(self.reference),
            left_out=self.left_out,
        )


class _Pairs(Struct, frozen=True):
    """Samples that count, as arrays of means."""

    samples: tuple[_Sample, ...]
    this: NDArray[np.float64]
    reference: NDArray[np.float64]

    @classmethod
    def of(cls, samples: Sequence[_Sample]) -> _Pairs:
        """The pairs of those of *samples* that are not left out."""
        counted = tuple(sample for sample in samples if sample.left_out is None)
        return cls(
            counted,
            np.array([np.mean(sample.this) for sample in counted]),
            np.array([np.mean(sample.reference) for sample in counted]),
        )

    def uncertainties(self, method: str) -> NDArray[np.float64] | None:
        """Stated standard uncertainties of *method*, where every sample has a single run that states one."""
        found = [
            getattr(sample.runs[0], f"{method}_uncertainty") if len(sample.runs) == 1 else None
            for sample in self.samples
        ]
        if not found or any(one is None for one in found):
            return None
        return np.array(found, dtype=np.float64)


def comparison(study: Study, cell: Cell) -> ComparisonRecord | NotAssessed:
    """This method against the other one for *cell*; samples are the independent units."""
    runs = [run for run in runs_of(study.comparison, cell) if isinstance(run, ComparisonRun)]
    if not runs:
        return NotAssessed(
            not_assessed="no method comparison data were provided",
            needs="samples over the range, each measured by this method and by an independent method",
        )
    confidence = study.analysis_for(cell.analyte).confidence
    samples = _samples(runs)
    bounds = _bounds(study, cell)
    record = _record(_Pairs.of(samples), bounds, confidence)
    beside = None
    if excluded(runs):
        everything = _Pairs.of(_samples([run.model_copy(update={"excluded": None}) for run in runs]))
        beside = attempt(lambda: _paired(everything, None, confidence).mean_difference)
    return replace(record, samples=tuple(sample.as_record() for sample in samples), with_excluded=beside)


def _samples(runs: Sequence[ComparisonRun]) -> tuple[_Sample, ...]:
    by_name: dict[str, list[ComparisonRun]] = {}
    for run in runs:
        by_name.setdefault(run.sample, []).append(run)
    return tuple(_sample(name, members) for name, members in by_name.items())


def _sample(name: str, runs: Sequence[ComparisonRun]) -> _Sample:
    counted = tuple(run for run in runs if run.excluded is None)
    if not counted:
        return _Sample(name, tuple(runs), f"excluded: {runs[0].excluded}")
    return _Sample(name, counted, None)


def _record(pairs: _Pairs, bounds: Bounds | None, confidence: float) -> ComparisonRecord:
    return ComparisonRecord(
        n=len(pairs.samples),
        paired=attempt(lambda: _paired(pairs, bounds, confidence)),
        bland_altman=attempt(lambda: _bland_altman(pairs, confidence)),
        deming=attempt(lambda: _deming(pairs, confidence)),
        passing_bablok=attempt(lambda: _passing_bablok(pairs, confidence)),
        york=_york(pairs, confidence),
        replicates=_replicates(pairs, confidence),
    )


def _bounds(study: Study, cell: Cell) -> Bounds | None:
    """The mean differences, in percent, within which the study wants to see the methods agree."""
    criterion = own_criterion(study, cell, "method_comparison", "min", "max")
    if criterion is None or criterion.min is None or criterion.max is None:
        return None
    return (criterion.min, criterion.max) if criterion.min < criterion.max else None


def _paired(pairs: _Pairs, bounds: Bounds | None, confidence: float) -> PairedRecord:
    found = paired_difference(pairs.this, pairs.reference, confidence=confidence)
    return PairedRecord(
        mean_difference=estimate_record(found.mean_difference),
        test=significance(found.test),
        sd=found.sd,
        mean_difference_percent=attempt(lambda: _percent(pairs, confidence)),
        equivalence=_equivalence(pairs, bounds, confidence),
    )


def _equivalence(pairs: _Pairs, bounds: Bounds | None, confidence: float) -> Equivalence | None:
    """Two one-sided tests of the mean difference in percent; None without bounds, or without scatter."""
    if bounds is None:
        return None
    try:
        percent = bland_altman(pairs.this, pairs.reference, scale="percent", confidence=confidence)
        found = equivalence_of_mean(
            percent.differences, lower=bounds[0], upper=bounds[1], alpha=1 - confidence
        )
    except NotEstimable:
        return None
    return equivalence_record(found)


def _percent(pairs: _Pairs, confidence: float) -> EstimateRecord:
    found = bland_altman(pairs.this, pairs.reference, scale="percent", confidence=confidence)
    return estimate_record(found.bias)


def _bland_altman(pairs: _Pairs, confidence: float) -> BlandAltmanRecord:
    found = bland_altman(pairs.this, pairs.reference, confidence=confidence)
    slope, test = found.proportional_bias, found.proportional_bias_test
    return BlandAltmanRecord(
        bias=two_sided_record(found.bias),
        lower=two_sided_record(found.lower),
        upper=two_sided_record(found.upper),
        coverage=found.coverage,
        proportional_bias=None if slope is None else two_sided_record(slope),
        proportional_bias_test=None if test is None else significance(test),
    )


def _deming(pairs: _Pairs, confidence: float) -> DemingRecord:
    ratio, source = _variance_ratio(pairs)
    found = deming(
        pairs.this, pairs.reference, variance_ratio=ratio, ratio_source=source, confidence=confidence
    )
    return DemingRecord(
        slope=two_sided_record(found.slope, reason=found.reason),
        intercept=two_sided_record(found.intercept, reason=found.reason),
        variance_ratio=found.variance_ratio,
        ratio_source=found.ratio_source,
    )


def _variance_ratio(pairs: _Pairs) -> tuple[float, RatioSource]:
    """Ratio of the error variances: from stated uncertainties, from replicates, else taken as 1."""
    this, reference = pairs.uncertainties("this_method"), pairs.uncertainties("reference_method")
    if this is not None and reference is not None and this.any() and reference.any():
        return float(np.mean(this**2) / np.mean(reference**2)), "given"
    try:
        found = error_variance_ratio(
            [sample.this for sample in pairs.samples], [sample.reference for sample in pairs.samples]
        )
    except NotEstimable:
        return 1.0, "assumed"
    return found.value, "replicates"


def _passing_bablok(pairs: _Pairs, confidence: float) -> PassingBablokRecord:
    found = passing_bablok(pairs.this, pairs.reference, confidence=confidence)
    return PassingBablokRecord(
        slope=two_sided_record(found.slope),
        intercept=two_sided_record(found.intercept),
        linearity_p=found.linearity_p,
    )


def _york(pairs: _Pairs, confidence: float) -> YorkRecord | NotAssessed | None:
    """The line with stated uncertainties; None where the study states none."""
    this, reference = pairs.uncertainties("this_method"), pairs.uncertainties("reference_method")
    if this is None or reference is None:
        return None

    def line() -> YorkRecord:
        found = york(pairs.reference, pairs.this, u_x=reference, u_y=this, confidence=confidence)
        return YorkRecord(
            slope=two_sided_record(found.slope),
            intercept=two_sided_record(found.intercept),
            chi_squared=found.chi_squared,
            degrees_of_freedom=found.degrees_of_freedom,
            p=found.p,
        )

    return attempt(line)


def _replicates(pairs: _Pairs, confidence: float) -> ReplicateScatter | None:
    try:
        found = error_variance_ratio(
            [sample.this for sample in pairs.samples], [sample.reference for sample in pairs.samples]
        )
    except NotEstimable:
        return None
    compared = variance_ratio(
        (found.sd_this / found.sd_reference) ** 2, found.df_this, found.df_reference, confidence=confidence
    )
    return ReplicateScatter(
        this_method=found.sd_this,
        reference_method=found.sd_reference,
        df_this=found.df_this,
        df_reference=found.df_reference,
        variance_ratio=two_sided_record(compared.ratio),
        test=significance(compared.test),
    )


def _mean(values: Sequence[float]) -> float | None:
    return float(np.mean(values)) if values else None
