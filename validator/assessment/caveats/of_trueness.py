"""Caveats on the materials that trueness rests on: spikes, reference materials, check standards."""

from __future__ import annotations

import re
from typing import TYPE_CHECKING

from validator import numbers
from validator.assessment.caveats.raising import Raised, Subject, Trigger, unlike
from validator.evaluation.results import (
    ComparisonRecord,
    EstimateRecord,
    NotAssessed,
    PairedRecord,
    PartRecord,
    UncertaintyRecord,
)
from validator.evaluation.rows import kept
from validator.study.models.trueness import RecoveryRun

if TYPE_CHECKING:
    from validator.evaluation.results import Finding, RecoveryRecord

SMALLEST_SPIKE, LARGEST_SPIKE = 0.5, 10.0
"""Amount added over the native content between which a spike tests the native analyte (customary)."""
OTHER_LEVEL = 3.0
"""A reference value this many times outside the samples' levels is of another level (customary)."""

_LATE = re.compile(
    r"\b(added|spiked|addition|spike)\b.*\b(after|behind|following)\b.*"
    r"\b(extraction|digestion|clean-?up|preparation|filtration|dilution)\b",
    re.IGNORECASE,
)
_SAME_STOCK = re.compile(
    r"\bsame (stock|lot|solution|standard|material)\b.*\bcalibrat\w+"
    r"|\b(from|of|with) the calibrat\w+ (stock|lot|solution|standard|material)s?\b",
    re.IGNORECASE,
)

_SECOND_SOURCE = re.compile(
    r"\b(second|other|another|different|independent)(?: \w+)? "
    r"(source|supplier|lot|batch|stock|manufacturer)\b",
    re.IGNORECASE,
)


def _runs(subject: Subject) -> list[RecoveryRun]:
    return [run for run in kept(subject.runs("recovery")) if isinstance(run, RecoveryRun)]


def trueness_from_spikes_only(subject: Subject) -> Trigger:
    """Spikes are present, but no reference material and no second method."""
    kinds = {record.kind for record in subject.recovery}
    if kinds == {"spike"} and not subject.runs("comparison"):
        spikes = sum(record.n for record in subject.recovery)
        yield Raised(
            id="trueness_from_spikes_only", case="spikes_only", values={"spikes": numbers.count(spikes)}
        )


def spike_badly_chosen(subject: Subject) -> Trigger:
    """Spikes far smaller than the native content, only far larger ones, or ones added too late."""
    ratios: dict[tuple[str | None, float], list[tuple[float, float]]] = {}
    for run in _runs(subject):
        if run.added is not None and run.native is not None and run.native > 0:
            ratios.setdefault((run.matrix, run.native), []).append((run.added / run.native, run.added))
    smallest = min((ratio for some in ratios.values() for ratio in some), default=None)
    if smallest is not None and smallest[0] < SMALLEST_SPIKE:
        yield _spike(subject, "too_small", smallest, SMALLEST_SPIKE)
    real = _lowest_real_content(subject)
    # a sample with next to nothing in it is a blank, and the series of spikes a calibration in matrix
    large = [min(some) for (_, native), some in ratios.items() if native >= real]
    too_large = [one for one in large if one[0] > LARGEST_SPIKE]
    if too_large:
        yield _spike(subject, "too_large", max(too_large), LARGEST_SPIKE)
    late = [run for run in _runs(subject) if run.added is not None and _LATE.search(run.note or "")]
    if late:
        yield Raised(id="spike_badly_chosen", case="added_late", values={"note": late[0].note or ""})


def _lowest_real_content(subject: Subject) -> float:
    limit = subject.quantification_limit
    return max(subject.lowest_standard or 0.0, limit.value if limit is not None else 0.0)


def _spike(subject: Subject, case: str, found: tuple[float, float], bound: float) -> Raised:
    ratio, added = found
    return Raised(
        id="spike_badly_chosen",
        case=case,
        values={
            "added": numbers.as_given(added),
            "unit": subject.analyte.unit,
            "ratio": numbers.significant(ratio, 2, apart_from=(bound,)),
        },
    )


def reference_material_unlike_samples(subject: Subject) -> Trigger:
    """The reference material is of another matrix, or far from the levels of the samples."""
    references = [record for record in subject.recovery if record.kind == "reference"]
    other = [record.matrix for record in references if unlike(record.matrix, subject.matrix)]
    if other:
        yield Raised(
            id="reference_material_unlike_samples",
            case="other_matrix",
            values={"reference_matrix": other[0] or "", "sample_matrix": subject.matrix or ""},
        )
        return
    levels = subject.analyte.target_levels or [
        *(record.level for record in subject.recovery if record.kind != "reference"),
        *(record.level for record in subject.precision if record.level),
    ]
    if not levels:
        return
    lowest, highest = min(levels), max(levels)
    far = [one for one in references if not lowest / OTHER_LEVEL <= one.level <= OTHER_LEVEL * highest]
    if far and len(far) == len(references):
        yield Raised(
            id="reference_material_unlike_samples",
            case="other_level",
            values={
                "value": numbers.significant(far[0].level),
                "unit": subject.analyte.unit,
                "lowest": numbers.as_given(lowest),
                "highest": numbers.as_given(highest),
            },
        )


def same_material_calibrates_and_checks(subject: Subject) -> Trigger:
    """The study says of what checks trueness that it was made from the stock of the calibration."""
    for run in _runs(subject):
        if run.added is None and _SAME_STOCK.search(run.note or ""):
            yield Raised(
                id="same_material_calibrates_and_checks",
                case="same",
                values={
                    "level": subject.level(run.expected),
                    "note": run.note or "",
                },
            )
            return


def one_dilution_chain(subject: Subject) -> Trigger:
    """Trueness is spoken of, and nothing of a second source checks the standards."""
    kinds = {record.kind for record in subject.recovery}
    independent = bool(kinds & {"level", "reference"}) or bool(subject.runs("comparison"))
    if subject.calibration is not None and kinds and not independent and not _second_source(subject):
        yield Raised(id="one_dilution_chain", case="no_check_standard", characteristic="trueness")


def _second_source(subject: Subject) -> bool:
    """True when the study records an independent standard, or its reagents or spikes speak of one."""
    method = subject.study.method
    notes = (run.note or "" for run in _runs(subject))
    return any(one.independent for one in method.standards) or any(
        _SECOND_SOURCE.search(text) for text in (*method.reagents, *notes)
    )


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
    trueness_from_spikes_only,
    spike_badly_chosen,
    reference_material_unlike_samples,
    same_material_calibrates_and_checks,
    one_dilution_chain,
    bias_neither_corrected_nor_included,
    bias_over_the_range,
    no_difference_without_power,
    mean_recovery_hides_spread,
    agreement_weakly_shown,
)
