"""Caveats on replicates, days, people, devices and exclusions."""

from __future__ import annotations

import re
from math import sqrt

from validator.assessment.caveats.raising import Raised, Subject, Trigger
from validator.dossier import numbers
from validator.evaluation.results import EstimateRecord, PrecisionRecord
from validator.evaluation.rows import Value, group_label, kept
from validator.statistics.distributions import chi2_quantile

ENOUGH = 6
ENOUGH_SERIES = 6
ENOUGH_DAYS = 5
ENOUGH_DEVICES = 5
_STATISTICAL = re.compile(
    r"\b(outlier|grubbs|dixon|cochran|statistic\w*|deviat\w*|too (high|low))\b", re.IGNORECASE
)
_COUNTED = ("calibration", "blanks", "low_level", "precision", "recovery", "interference")


def repeat_readings_counted(subject: Subject) -> Trigger:
    """A standard deviation that rests on repeated readings of at most two preparations."""
    about = {"blanks": "detection_limit", "precision": "repeatability", "recovery": "recovery"}
    for block, characteristic in about.items():
        runs = kept(subject.runs(block))
        readings = sum(len(getattr(run, "values", ())) for run in runs)
        preparations = len(subject.values(block))
        if 0 < preparations <= 2 < readings:
            yield Raised(
                id="repeat_readings_counted",
                case="repeated",
                values={
                    "block": block,
                    "readings": numbers.count(readings),
                    "preparations": numbers.count(preparations),
                },
                characteristic=characteristic,
            )


def too_few_replicates(subject: Subject) -> Trigger:
    """Fewer independent results than a profile asks, or than six where none says."""
    asked = [
        one
        for one in subject.design
        if one.analyte == subject.cell.analyte
        and not one.recommended
        and one.outcome == "does not meet"
        and re.search(r": (replicates|determinations|blanks)", one.requirement)
    ]
    for one in asked:
        if not isinstance(one.provided, float | int) or one.provided < 2:
            continue
        n = int(one.provided)
        yield Raised(
            id="too_few_replicates",
            case="below_guidance",
            values={
                "n": numbers.count(n),
                "factor": numbers.significant(_upper_factor(n, subject.choices.confidence), 2),
                "level": numbers.as_given(100 * subject.choices.confidence),
                "document": one.source,
                "required": numbers.as_given(float(one.required)),
            },
            characteristic=one.characteristic,
        )
    told = {one.characteristic for one in subject.design}
    smallest = min((record.n for record in subject.precision), default=ENOUGH)
    if 2 <= smallest < ENOUGH and "repeatability" not in told:
        yield Raised(
            id="too_few_replicates",
            case="without_guidance",
            values={
                "n": numbers.count(smallest),
                "factor": numbers.significant(_upper_factor(smallest, subject.choices.confidence), 2),
                "level": numbers.as_given(100 * subject.choices.confidence),
            },
            characteristic="repeatability",
        )


def _upper_factor(n: int, confidence: float) -> float:
    nu = n - 1
    return sqrt(nu / chi2_quantile((1 - confidence) / 2, nu))


def _precision_values(subject: Subject) -> tuple[Value, ...]:
    return subject.values("precision")


def intermediate_precision_from_one_day(subject: Subject) -> Trigger:
    """Intermediate precision without different series; or one person on few days."""
    values = _precision_values(subject)
    if not values or not subject.is_limited("intermediate_precision"):
        return
    groups = {group_label(value.run) for value in values} - {None}
    if len(groups) < 2:
        yield Raised(
            id="intermediate_precision_from_one_day", case="one_day", values={"factor": "series or day"}
        )
        return
    operators = {value.run.operator for value in values}
    instruments = {value.run.instrument for value in values}
    if len(operators) == 1 and len(instruments) == 1 and len(groups) < ENOUGH_DAYS:
        yield Raised(
            id="intermediate_precision_from_one_day",
            case="one_person",
            values={"days": numbers.count(len(groups))},
        )


def only_repeatability_given(subject: Subject) -> Trigger:
    """Precision data without any grouping factor."""
    for record in subject.precision:
        if record.factor is None:
            yield Raised(
                id="only_repeatability_given",
                case="no_grouping",
                values={"n": numbers.count(record.n), "where": subject.unit(record.level)},
            )
            return


def between_series_part_badly_known(subject: Subject) -> Trigger:
    """Fewer than six series; or a between component that was set to zero."""
    grouped = [record for record in subject.precision if record.factor is not None and record.groups > 1]
    if not grouped:
        return
    fewest = min(record.groups for record in grouped)
    if fewest < ENOUGH_SERIES:
        yield Raised(
            id="between_series_part_badly_known",
            case="few_series",
            values={"groups": numbers.count(fewest)},
        )
    zero = [record for record in grouped if _is_zero(record)]
    if zero:
        yield Raised(
            id="between_series_part_badly_known",
            case="set_to_zero",
            values={"groups": numbers.count(zero[0].groups)},
        )


def _is_zero(record: PrecisionRecord) -> bool:
    return isinstance(record.between_sd, EstimateRecord) and record.between_sd.value == 0


def scatter_too_small(subject: Subject) -> Trigger:
    """Scatter far below what the mass fraction lets one expect."""
    for record in subject.precision:
        if record.horrat is None:
            continue
        kind, usual = (
            ("reproducibility", 0.5) if record.reproducibility_sd is not None else ("repeatability", 0.3)
        )
        if record.horrat < usual:
            yield Raised(
                id="scatter_too_small_to_be_independent",
                case=kind,
                values={"ratio": numbers.significant(record.horrat, 2), "where": subject.unit(record.level)},
                characteristic=kind,
            )
            return


def too_few_devices(subject: Subject) -> Trigger:
    """Devices are named, few, and the study compares kinds of device."""
    if len(subject.study.configuration_ids) < 2:
        return
    devices = {
        run.device for block in _COUNTED for run in kept(subject.runs(block)) if run.device is not None
    }
    if 0 < len(devices) < ENOUGH_DEVICES:
        yield Raised(
            id="too_few_devices",
            case="one_or_two" if len(devices) < 3 else "three_or_four",
            values={"devices": numbers.count(len(devices))},
            characteristic="device_to_device",
        )


def exclusion_without_cause(subject: Subject) -> Trigger:
    """Results left out for a statistical reason only, or too many of them."""
    about = {
        "calibration": "linearity",
        "blanks": "detection_limit",
        "precision": "repeatability",
        "recovery": "recovery",
    }
    for block, characteristic in about.items():
        runs = subject.runs(block)
        total = sum(len(getattr(run, "values", ())) or 1 for run in runs)
        left_out = [run for run in runs if run.excluded]
        count = sum(len(getattr(run, "values", ())) or 1 for run in left_out)
        if not count:
            continue
        values = {"block": block, "excluded": numbers.count(count), "total": numbers.count(total)}
        if any(_STATISTICAL.search(run.excluded or "") for run in left_out):
            yield Raised(
                id="exclusion_without_cause", case="no_cause", values=values, characteristic=characteristic
            )
        elif count > 2 * total / 9:
            yield Raised(
                id="exclusion_without_cause", case="many", values=values, characteristic=characteristic
            )


def acceptance_limits_not_set(subject: Subject) -> Trigger:
    """A characteristic was measured and nothing limits it."""
    measured = {
        "repeatability": bool(subject.precision),
        "recovery": bool(subject.recovery),
        "quantification_limit": subject.quantification_limit is not None and bool(subject.runs("blanks")),
    }
    leaves_it = {
        rule.characteristic.value: profile.short_title
        for profile in subject.profiles
        for rule in profile.requirements
        if rule.user_sets
    }
    related = {
        "repeatability": ("repeatability", "intermediate_precision"),
        "recovery": ("recovery", "trueness"),
        "quantification_limit": ("quantification_limit", "detection_limit"),
    }
    for characteristic, present in measured.items():
        if not present or any(subject.is_limited(one) for one in related[characteristic]):
            continue
        document = leaves_it.get(characteristic)
        name = characteristic.replace("_", " ")
        if document:
            yield Raised(
                id="acceptance_limits_not_set_beforehand",
                case="missing",
                values={"characteristic": name, "document": document},
                characteristic=characteristic,
            )
        else:
            yield Raised(
                id="acceptance_limits_not_set_beforehand",
                case="no_guidance",
                values={"characteristic": name},
                characteristic=characteristic,
            )


TRIGGERS = (
    repeat_readings_counted,
    too_few_replicates,
    intermediate_precision_from_one_day,
    only_repeatability_given,
    between_series_part_badly_known,
    scatter_too_small,
    too_few_devices,
    exclusion_without_cause,
    acceptance_limits_not_set,
)
