"""Caveats on recovery, reference materials and the matrix."""

from __future__ import annotations

from typing import TYPE_CHECKING

from validator.assessment.caveats.raising import Raised, Subject, Trigger
from validator.dossier import numbers
from validator.evaluation.rows import kept

if TYPE_CHECKING:
    from validator.evaluation.results import RecoveryRecord

FEW = 6


def _where(subject: Subject, record: RecoveryRecord) -> str:
    level = subject.unit(record.level)
    return f"{level} ({record.matrix})" if record.matrix else level


def _limits(subject: Subject) -> tuple[float, float] | None:
    for finding in subject.findings:
        if (
            finding.characteristic == "recovery"
            and finding.analyte == subject.cell.analyte
            and isinstance(finding.limit, tuple)
            and None not in finding.limit
        ):
            lower, upper = finding.limit
            if lower is not None and upper is not None:
                return lower, upper
    return None


def trueness_from_spikes_only(subject: Subject) -> Trigger:
    """Spikes are present, but no reference material and no second method."""
    kinds = {record.kind for record in subject.recovery}
    if kinds == {"spike"} and not subject.runs("comparison"):
        spikes = sum(record.n for record in subject.recovery)
        yield Raised(
            id="trueness_from_spikes_only", case="spikes_only", values={"spikes": numbers.count(spikes)}
        )


def spike_badly_chosen(subject: Subject) -> Trigger:
    """Spikes far smaller or larger than the native content, or too badly known."""
    for run in kept(subject.runs("recovery")):
        native, added = getattr(run, "native", None), getattr(run, "added", None)
        if not native or not added or native <= 0:
            continue
        case = "too_small" if added < 0.5 * native else "too_large" if added > 10 * native else None
        if case is not None:
            yield Raised(
                id="spike_badly_chosen",
                case=case,
                values={
                    "added": numbers.as_given(added),
                    "unit": subject.analyte.unit,
                    "ratio": numbers.significant(added / native, 2),
                },
            )
            break
    limits = _limits(subject)
    for record in subject.recovery:
        half = _half_width(record)
        if limits is not None and half is not None and half > (limits[1] - limits[0]) / 2:
            yield Raised(
                id="spike_badly_chosen",
                case="interval_too_wide",
                values={"where": _where(subject, record), "width": numbers.significant(half, 2)},
            )
            return


def _half_width(record: RecoveryRecord) -> float | None:
    interval = record.mean_recovery.ci
    if interval is None or interval[0] is None or interval[1] is None:
        return None
    return (interval[1] - interval[0]) / 2


def reference_material_unlike_samples(subject: Subject) -> Trigger:
    """The reference material is of another matrix, or far from the levels of the samples."""
    sample = subject.study.study.matrix
    spikes = [record.level for record in subject.recovery if record.kind != "reference"]
    levels = spikes or [record.level for record in subject.precision if record.level]
    for record in subject.recovery:
        if record.kind != "reference":
            continue
        if record.matrix and sample and record.matrix.casefold() != sample.casefold():
            yield Raised(
                id="reference_material_unlike_samples",
                case="other_matrix",
                values={"reference_matrix": record.matrix, "sample_matrix": sample},
            )
            return
        if levels and not min(levels) / 3 <= record.level <= 3 * max(levels):
            yield Raised(
                id="reference_material_unlike_samples",
                case="other_level",
                values={
                    "value": numbers.significant(record.level),
                    "unit": subject.analyte.unit,
                    "lowest": numbers.as_given(min(levels)),
                    "highest": numbers.as_given(max(levels)),
                },
            )


def bias_neither_corrected_nor_included(subject: Subject) -> Trigger:
    """A bias beyond twice its standard uncertainty, and no uncertainty budget that could hold it."""
    if subject.study.uncertainty is not None:
        return
    worst: RecoveryRecord | None = None
    for record in subject.recovery:
        value, error = record.mean_recovery.value, record.mean_recovery.standard_error
        if value is None or not error or abs(value - 100) <= 2 * error:
            continue
        if worst is None or abs(value - 100) > abs((worst.mean_recovery.value or 100) - 100):
            worst = record
    # a bias inside the stated limits is tolerated by the study itself; it is told by the table
    limits = _limits(subject)
    if worst is None or worst.mean_recovery.value is None:
        return
    if limits is not None and limits[0] <= worst.mean_recovery.value <= limits[1]:
        return
    yield Raised(
        id="bias_neither_corrected_nor_included",
        case="left_out",
        values={
            "where": _where(subject, worst),
            "bias": numbers.significant(worst.mean_recovery.value - 100, 2),
            "uncertainty": numbers.significant(worst.mean_recovery.standard_error, 2),
        },
        characteristic="recovery",
    )


def no_difference_without_power(subject: Subject) -> Trigger:
    """The interval of the bias holds zero and is wider than the limit."""
    limits = _limits(subject)
    for record in subject.recovery:
        half, interval = _half_width(record), record.mean_recovery.ci
        if limits is None or half is None or interval is None:
            continue
        lower, upper = interval
        allowed = min(100 - limits[0], limits[1] - 100)
        if lower is not None and upper is not None and lower <= 100 <= upper and half > allowed > 0:
            yield Raised(
                id="no_difference_without_power",
                case="wide_interval",
                values={
                    "where": _where(subject, record),
                    "width": numbers.significant(half, 2),
                    "limit": numbers.as_given(allowed),
                },
                characteristic="recovery",
            )
            return


def mean_recovery_hides_spread(subject: Subject) -> Trigger:
    """The mean keeps the limits, its interval or a single value does not."""
    limits = _limits(subject)
    if limits is None:
        return
    for record in subject.recovery:
        mean, interval = record.mean_recovery.value, record.mean_recovery.ci
        if mean is None or not limits[0] <= mean <= limits[1]:
            continue
        if interval is not None and None not in interval:
            lower, upper = interval
            if lower is not None and upper is not None and not (limits[0] <= lower and upper <= limits[1]):
                yield _spread(subject, "interval", record, lower, upper)
                return
        outside = [value for value in record.values if not limits[0] <= value <= limits[1]]
        if outside and record.n <= FEW:
            yield _spread(subject, "single_value", record, min(record.values), max(record.values))
            return


def _spread(subject: Subject, case: str, record: RecoveryRecord, lower: float, upper: float) -> Raised:
    return Raised(
        id="mean_recovery_hides_spread",
        case=case,
        values={
            "where": _where(subject, record),
            "mean": numbers.significant(record.mean_recovery.value),
            "lower": numbers.significant(lower),
            "upper": numbers.significant(upper),
        },
    )


def matrix_effect_not_examined(subject: Subject) -> Trigger:
    """No matrix calibration and no standard addition beside a calibration in clean solution."""
    sample = subject.study.study.matrix
    if subject.calibration is None or sample is None:
        return
    in_matrix = {run.matrix for run in subject.runs("calibration")} == {sample}
    if not in_matrix and not subject.runs("matrix_calibration") and not subject.runs("standard_addition"):
        yield Raised(id="matrix_effect_not_examined", case="no_comparison", values={"sample_matrix": sample})


def one_dilution_chain(subject: Subject) -> Trigger:
    """No independently known solution checks the standards."""
    kinds = {record.kind for record in subject.recovery}
    if subject.calibration is not None and not kinds & {"level", "reference"}:
        yield Raised(id="one_dilution_chain", case="no_check_standard", characteristic="trueness")


TRIGGERS = (
    trueness_from_spikes_only,
    spike_badly_chosen,
    reference_material_unlike_samples,
    bias_neither_corrected_nor_included,
    no_difference_without_power,
    mean_recovery_hides_spread,
    matrix_effect_not_examined,
    one_dilution_chain,
)
