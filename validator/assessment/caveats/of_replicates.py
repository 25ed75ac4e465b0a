"""Caveats on the number of independent results, and on designs that fall short of the chosen guidance."""

from __future__ import annotations

from math import sqrt
from typing import TYPE_CHECKING

from validator import numbers
from validator.assessment.asked import limited_with
from validator.assessment.caveats.raising import Raised, Subject, Trigger
from validator.assessment.design import Demand, counter_name
from validator.evaluation.results import EstimateRecord, NotAssessed
from validator.evaluation.rows import group_label, independent_values, kept
from validator.guidance import Counter
from validator.statistics.distributions import chi2_quantile

if TYPE_CHECKING:
    from validator.study.models.runs import Run

FEW_PREPARATIONS = 2
"""A standard deviation over so few preparations says next to nothing (customary)."""
TELLING = 3
"""From so many readings in one list on, the reader asks of how many preparations they are (customary)."""
ENOUGH = 6
"""Independent results that are enough where no guidance says how many (customary)."""
ENOUGH_DEVICES, FEW_DEVICES = 5, 3
"""Devices that stand for a kind of device, and below which nothing can be said of it (customary)."""

_STANDARD_DEVIATIONS = {
    "blanks": "detection_limit",
    "precision": "repeatability",
    "recovery": "recovery",
}
"""Blocks whose standard deviations count, and the characteristic they carry."""

_NAMING_DEVICES = (
    "calibration",
    "blanks",
    "low_level",
    "precision",
    "recovery",
    "interference",
    "stability",
    "repeated_use",
)

_SPREAD_OF_RESULTS = (
    "repeatability",
    "detection_limit",
    "quantification_limit",
    "intermediate_precision",
    "recovery",
    "trueness",
    "device_to_device",
)
_RESULTS_OF_ONE = (
    Counter.REPLICATES_PER_LEVEL,
    Counter.BLANKS,
    Counter.LOW_LEVEL_SAMPLES,
    Counter.REPLICATES_PER_DEVICE,
)
"""Counts of results that make one standard deviation."""


def repeat_readings_counted(subject: Subject) -> Trigger:
    """At some level, all readings come from at most two preparations."""
    for block, characteristic in _STANDARD_DEVIATIONS.items():
        found = [
            (len(independent_values(runs)), sum(len(getattr(run, "values", ())) for run in runs), level)
            for level, runs in _by_level(subject, block).items()
        ]
        weak = [one for one in found if 0 < one[0] <= FEW_PREPARATIONS < one[1]]
        if not weak:
            continue
        preparations, readings, level = min(weak)
        where = block if level is None else f"{block} at {subject.level(level)}"
        yield Raised(
            id="repeat_readings_counted",
            case="repeated",
            values={
                "block": where,
                "readings": numbers.count(readings),
                "preparations": numbers.counted(preparations, "independent preparation"),
            },
            characteristic=characteristic,
        )


def preparations_not_stated(subject: Subject) -> Trigger:
    """All readings of a level stand in one list, and nothing says of how many preparations they are."""
    for block in ("blanks", "precision"):
        silent = [
            len(getattr(runs[0], "values", ()))
            for runs in _by_level(subject, block).values()
            if len(runs) == 1 and _is_silent(runs[0])
        ]
        if silent and max(silent) >= TELLING:
            yield Raised(
                id="repeat_readings_counted",
                case="unknown",
                values={"block": block, "readings": numbers.count(max(silent))},
                characteristic=_STANDARD_DEVIATIONS[block],
            )


def _is_silent(run: Run) -> bool:
    return (
        "preparation" not in run.model_fields_set
        and run.preparation_id is None
        and run.device is None
        and group_label(run) is None
    )


def _by_level(subject: Subject, block: str) -> dict[float | None, list[Run]]:
    levels: dict[float | None, list[Run]] = {}
    for run in kept(subject.runs(block)):
        level = getattr(run, "level", None)
        expected = getattr(run, "expected", level)
        levels.setdefault(expected if isinstance(expected, float) else level, []).append(run)
    return levels


def too_few_replicates(subject: Subject) -> Trigger:
    """Fewer independent results than a profile asks, or than six where none says."""
    told_of: set[tuple[frozenset[str], str]] = set()
    for one in subject.demands:
        same = (limited_with(one.characteristic), one.counter)
        if not _is_about_few_results(one) or same in told_of:
            continue  # the same results carry repeatability and intermediate precision: told once
        told_of.add(same)
        n = int(float(one.provided or 0))
        yield Raised(
            id="too_few_replicates",
            case="below_guidance",
            values={
                **_interval(subject, n, n - 1),
                "document": one.strictest.source,
                "required": numbers.as_given(float(one.strictest.required)),
            },
            characteristic=one.characteristic,
        )
    told = {one.characteristic for one in subject.demands}
    if "repeatability" in told:
        return
    found = [
        (record.n, record.repeatability_sd.degrees_of_freedom)
        for record in subject.precision
        if isinstance(record.repeatability_sd, EstimateRecord) and record.repeatability_sd.degrees_of_freedom
    ]
    if not found:
        return
    n, nu = min(found)
    if n < ENOUGH and nu:
        yield Raised(
            id="too_few_replicates",
            case="without_guidance",
            values=_interval(subject, n, nu),
            characteristic="repeatability",
        )


def few_blanks_decide(subject: Subject, variant_n: float) -> Raised:
    """The caveat for a limit that rests on few blanks."""
    n = round(variant_n)
    return Raised(
        id="too_few_replicates",
        case="without_guidance",
        values=_interval(subject, n, n - 1),
        characteristic="detection_limit",
    )


def _interval(subject: Subject, n: int, nu: float) -> dict[str, str | int]:
    """How far the true standard deviation may lie above the one found: sqrt(nu / chi-squared quantile)."""
    confidence = subject.choices.confidence
    factor = sqrt(nu / chi2_quantile((1 - confidence) / 2, nu))
    return {
        "n": numbers.count(n),
        "factor": numbers.significant(factor, 2),
        "level": numbers.as_given(round(100 * confidence, 6)),
    }


def _is_about_few_results(demand: Demand) -> bool:
    return (
        demand.is_short
        and demand.counter in _RESULTS_OF_ONE
        and demand.characteristic in _SPREAD_OF_RESULTS
        and isinstance(demand.provided, float | int)
        and demand.provided >= 2  # from one result there is no standard deviation to speak of
    )


def design_below_guidance(subject: Subject) -> Trigger:
    """Any other count that falls short of what a chosen profile requires, by characteristic."""
    short: dict[str, list[str]] = {}
    for one in subject.demands:
        if not one.is_short or _is_about_few_results(one) or _told_elsewhere(subject, one):
            continue
        given = numbers.as_given(one.provided) if isinstance(one.provided, float | int) else "none"
        asked = numbers.as_given(float(one.strictest.required))
        short.setdefault(one.characteristic, []).append(
            f"{counter_name(one.counter)}: {given}, required {asked} ({one.strictest.source})"
        )
    for characteristic, shortfalls in short.items():
        yield Raised(
            id="design_below_guidance",
            case="short",
            values={
                "characteristic": characteristic.replace("_", " "),
                "shortfalls": "; ".join(shortfalls),
            },
            characteristic=characteristic,
        )


def _told_elsewhere(subject: Subject, demand: Demand) -> bool:
    if demand.counter == Counter.MATRICES:
        return True
    if demand.characteristic == "linearity":
        return demand.counter in (Counter.LEVELS, Counter.LEVELS_ABOVE_ZERO)
    of_devices = (demand.characteristic, demand.counter) == ("device_to_device", Counter.DEVICES)
    return of_devices and next(too_few_devices(subject), None) is not None


def too_few_devices(subject: Subject) -> Trigger:
    """Devices are named, few, and the study compares kinds of device."""
    devices = _devices(subject)
    if 0 < len(devices) < ENOUGH_DEVICES:
        yield Raised(
            id="too_few_devices",
            case="one_or_two" if len(devices) < FEW_DEVICES else "three_or_four",
            values={"devices": numbers.counted(len(devices), "device")},
            characteristic="device_to_device",
        )


def _devices(subject: Subject) -> set[str]:
    """Devices that the data name, where the study compares kinds of device."""
    if len(subject.study.configuration_ids) < 2:
        return set()
    return {
        run.device for block in _NAMING_DEVICES for run in kept(subject.runs(block)) if run.device is not None
    }


def devices_not_told_apart(subject: Subject) -> Trigger:
    """Each device has a day or a laboratory of its own, so the spread between devices holds both."""
    found = subject.record.device_to_device
    if isinstance(found, NotAssessed):
        return
    for record in found:
        if record.confounded_with is not None:
            yield Raised(
                id="devices_not_told_apart",
                case="confounded",
                values={
                    "devices": numbers.count(record.devices),
                    "factor": record.confounded_with,
                },
            )
            return


TRIGGERS = (
    repeat_readings_counted,
    preparations_not_stated,
    too_few_replicates,
    design_below_guidance,
    too_few_devices,
    devices_not_told_apart,
)
