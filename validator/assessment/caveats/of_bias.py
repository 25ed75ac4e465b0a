"""Caveats on what recovery and the comparison with another method show: bias, power, spread."""

from __future__ import annotations

from typing import TYPE_CHECKING

from validator import numbers
from validator.assessment.caveats.raising import Raised, Subject, Trigger
from validator.evaluation.results import (
    ComparisonRecord,
    EstimateRecord,
    NotAssessed,
    PairedRecord,
    PartRecord,
    UncertaintyRecord,
)

if TYPE_CHECKING:
    from validator.evaluation.results import Finding, RecoveryRecord

FEW = 6
"""Up to so many values a single one outside the limits counts beside their mean (customary)."""
FEW_SAMPLES = 20
"""Samples below which a comparison of methods shows little (customary)."""
SIGNIFICANCE = 0.05
SIGNIFICANT_BIAS = 2.0
"""A bias beyond so many standard uncertainties is real (Nordtest TR 537; as quoted in a public text)."""
NEGLIGIBLE_BIAS = 1 / 3
"""Share of the scatter of results below which a bias is negligible (customary)."""


def _where(subject: Subject, record: RecoveryRecord) -> str:
    level = subject.level(record.level)
    return f"{level} ({record.matrix})" if record.matrix else level


def bias_neither_corrected_nor_included(subject: Subject) -> Trigger:
    """A real bias outside what the study tolerates, and no uncertainty that holds it."""
    uncertainty = subject.record.uncertainty
    if isinstance(uncertainty, UncertaintyRecord) and isinstance(uncertainty.bias, PartRecord):
        return
    found = [
        (abs(value - 100), value - 100, error, record)
        for record in subject.recovery
        if (value := record.mean_recovery.value) is not None
        and (error := record.mean_recovery.standard_error)
        and abs(value - 100) > SIGNIFICANT_BIAS * error
        and not _is_tolerated(subject, value)
    ]
    if not found:
        return
    _, bias, error, record = max(found, key=lambda one: one[0])
    yield Raised(
        id="bias_neither_corrected_nor_included",
        case="left_out",
        values={
            "where": _where(subject, record),
            "bias": numbers.significant(bias, 2),
            "uncertainty": numbers.significant(error, 2),
        },
        characteristic="recovery",
        effect=abs(bias) / subject.allowed_bias,
    )


def bias_over_the_range(subject: Subject) -> Trigger:
    """Mean recoveries all on one side, or slope 1 with intercept 0 rejected, by more than scatter hides."""
    means = [value for one in subject.recovery if (value := one.mean_recovery.value) is not None]
    if not means:
        return
    bias = sum(means) / len(means) - 100
    scatter = subject.scatter_percent
    if scatter is not None and abs(bias) <= NEGLIGIBLE_BIAS * scatter:
        return
    same = sum((mean < 100) == (bias < 0) for mean in means if mean != 100)
    values: dict[str, str | int] = {
        "count": numbers.count(same),
        "n": numbers.count(len(means)),
        "side": "below" if bias < 0 else "above",
        "bias": numbers.significant(bias, 2),
    }
    lines = [one for one in subject.record.found_on_added or () if one.joint_test.p < SIGNIFICANCE]
    if lines:
        line = min(lines, key=lambda one: one.joint_test.p)
        yield Raised(
            id="bias_over_the_range",
            case="line",
            values={
                **values,
                "matrix": line.matrix or "all matrices",
                "p": numbers.p_text(line.joint_test.p),
            },
            effect=abs(bias) / subject.allowed_bias,
        )
    elif same == len(means) and 2 * 0.5 ** len(means) < SIGNIFICANCE:  # sign test, two-sided
        yield Raised(
            id="bias_over_the_range",
            case="one_side",
            values={**values, "p": numbers.p_text(2 * 0.5 ** len(means))},
            effect=abs(bias) / subject.allowed_bias,
        )


def _is_tolerated(subject: Subject, recovery: float) -> bool:
    """Inside the stated limits; without any, far below the scatter of results."""
    limits = subject.recovery_limits
    if limits is not None:
        return limits[0] <= recovery <= limits[1]
    scatter = subject.scatter_percent
    return scatter is not None and abs(recovery - 100) <= NEGLIGIBLE_BIAS * scatter


def no_difference_without_power(subject: Subject) -> Trigger:
    """The interval of a bias holds zero and is wider than the limit."""
    limits = subject.recovery_limits
    if limits is not None:
        allowed = min(100 - limits[0], limits[1] - 100)
        wide = [
            (half, record)
            for record in subject.recovery
            if (half := _half_width_around(record.mean_recovery, 100.0)) is not None and half > allowed > 0
        ]
        if wide:
            half, record = max(wide, key=lambda one: one[0])
            yield _without_power(_where(subject, record), half, allowed, "recovery")
    comparison = subject.record.comparison
    if isinstance(comparison, ComparisonRecord) and isinstance(comparison.paired, PairedRecord):
        difference = comparison.paired.mean_difference_percent
        half = None if isinstance(difference, NotAssessed) else _half_width_around(difference, 0.0)
        tolerated = _allowed_difference(subject)
        if half is not None and tolerated is not None and half > tolerated:
            yield _without_power(
                f"comparison of {comparison.n} samples", half, tolerated, "method_comparison"
            )


def _half_width_around(estimate: EstimateRecord, true: float) -> float | None:
    """Half the width of an interval that holds *true*; None where it does not, or there is none."""
    lower, upper = estimate.ci or (None, None)
    if lower is None or upper is None or not lower <= true <= upper:
        return None
    return (upper - lower) / 2


def _allowed_difference(subject: Subject) -> float | None:
    """Largest mean difference that a criterion allows, percent."""
    allowed = [_size(one) for one in subject.findings if one.characteristic == "method_comparison"]
    return min((one for one in allowed if one is not None), default=None)


def _size(finding: Finding) -> float | None:
    if finding.unit != "%":
        return None
    return min((abs(end) for end in (finding.lower, finding.upper) if end), default=None)


def _without_power(where: str, half: float, allowed: float, characteristic: str) -> Raised:
    return Raised(
        id="no_difference_without_power",
        case="wide_interval",
        values={
            "where": where,
            "width": numbers.significant(half, 2, apart_from=(allowed,)),
            "limit": numbers.as_given(allowed),
        },
        characteristic=characteristic,
        effect=half / allowed,
    )


def mean_recovery_hides_spread(subject: Subject) -> Trigger:
    """The mean keeps the limits; its interval, where the rule does not look at it, or a value does not."""
    limits = subject.recovery_limits
    if limits is None:
        return
    for record in subject.recovery:
        mean, interval = record.mean_recovery.value, record.mean_recovery.ci
        if mean is None or not limits[0] <= mean <= limits[1]:
            continue
        if subject.choices.decision_rule == "simple" and interval is not None:
            lower, upper = interval
            if lower is not None and upper is not None and not (limits[0] <= lower and upper <= limits[1]):
                yield _spread(subject, "interval", record, (lower, upper), limits)
                return
        outside = [value for value in record.values if not limits[0] <= value <= limits[1]]
        if outside and record.n <= FEW:
            yield _spread(subject, "single_value", record, (min(record.values), max(record.values)), limits)
            return


def _spread(
    subject: Subject,
    case: str,
    record: RecoveryRecord,
    ends: tuple[float, float],
    limits: tuple[float, float],
) -> Raised:
    return Raised(
        id="mean_recovery_hides_spread",
        case=case,
        values={
            "where": _where(subject, record),
            "mean": numbers.significant(record.mean_recovery.value, apart_from=limits),
            "lower": numbers.significant(ends[0], apart_from=limits),
            "upper": numbers.significant(ends[1], apart_from=limits),
        },
    )


def agreement_weakly_shown(subject: Subject) -> Trigger:
    """The comparison rests on few samples, or only on a test that found no difference."""
    found = subject.record.comparison
    if isinstance(found, NotAssessed):
        return
    own = [
        one
        for one in subject.study.criteria
        if one.characteristic == "method_comparison" and one.analyte in (None, subject.cell.analyte)
    ]
    if own and all(one.p_min is not None and one.min is None and one.max is None for one in own):
        yield Raised(
            id="agreement_by_test_only",
            case="test_only",
            values={"criterion": f"p ≥ {numbers.as_given(own[0].p_min)}"},
        )
    if found.n < FEW_SAMPLES:
        yield Raised(
            id="comparison_from_few_samples",
            case="few_samples",
            values={"samples": numbers.counted(found.n, "sample")},
        )


TRIGGERS = (
    bias_neither_corrected_nor_included,
    bias_over_the_range,
    no_difference_without_power,
    mean_recovery_hides_spread,
    agreement_weakly_shown,
)
