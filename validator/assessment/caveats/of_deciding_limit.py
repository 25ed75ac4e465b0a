"""What the limit that decides rests on; other variants decide nothing and raise nothing."""

from __future__ import annotations

from typing import TYPE_CHECKING

from validator import numbers
from validator.assessment.caveats.deciding import Deciding, deciding
from validator.assessment.caveats.likeness import unlike
from validator.assessment.caveats.of_replicates import few_blanks_decide
from validator.assessment.caveats.raising import Raised, Subject, Trigger, listed
from validator.evaluation.rows import kept
from validator.guidance import Counter
from validator.statistics.detection import result

if TYPE_CHECKING:
    from collections.abc import Mapping

OWN_CASES = (
    result.ONE_SERIES,
    result.NEGATIVE_LIMIT,
    result.SLOPE_AT_ZERO,
    result.LEVEL_FAR_FROM_LIMIT,
    result.BLANKS_NOT_NORMAL,
    result.EXTRAPOLATED,
    result.NOT_MONOTONE,
    result.SCATTER_BETWEEN_LEVELS_ASSUMED,
    result.NOT_CALIBRATED_AT_ZERO,
    result.DESIGN_NOT_MET,
)
"""Cautions that are cases of ``deciding_limit_weakened``, under the same name."""

TOLD_BY_THE_DATA: Mapping[str, str] = {
    result.PSEUDO_REPLICATES: "repeat_readings_counted",
    result.BELOW_CALIBRATION: "detection_limit_extrapolated",
    result.CALIBRATION_TOO_HIGH: "detection_limit_extrapolated",
    result.FEW_BLANKS: "too_few_replicates",
}
"""Cautions whose caveat has a trigger of its own, which sees more of the study."""


def deciding_limit_weakened(subject: Subject) -> Trigger:
    """A caution that the deciding variant carries, once for both limits where they share it."""
    told: set[tuple[str, str]] = set()
    for one in deciding(subject):
        for caution in one.variant.cautions:
            if caution in OWN_CASES and (one.id, caution) not in told:
                told.add((one.id, caution))
                yield Raised(
                    id="deciding_limit_weakened",
                    case=caution,
                    values=_values(subject, one, caution),
                    characteristic=one.characteristic,
                )


def _values(subject: Subject, one: Deciding, caution: str) -> dict[str, str | int]:
    values: dict[str, str | int] = {"variant": one.title}
    if caution == result.LEVEL_FAR_FROM_LIMIT:
        level = one.variant.inputs["level"]
        values |= {"level": subject.level(level), "limit": subject.unit(one.limit.value, 2)}
    if caution == result.DESIGN_NOT_MET:
        values["design"] = _design(one)
    if caution in (result.NEGATIVE_LIMIT, result.EXTRAPOLATED):
        lower = one.variant.detection_limit
        # a quantification limit can be positive where the detection limit of the same blanks is not
        at_zero = caution == result.NEGATIVE_LIMIT and lower is not None
        values["limit"] = subject.unit(lower.value if at_zero and lower else one.limit.value, 2)
    return values


def _design(one: Deciding) -> str:
    """Spiked samples and blanks behind a method detection limit, with their batches."""
    entered = one.variant.inputs
    parts = []
    for what, count, batches in (
        ("spiked sample", "n_spikes", "batches_of_spikes"),
        ("method blank", "n_blanks", "batches_of_blanks"),
    ):
        found = int(entered.get(count, 0))
        known = int(entered.get(batches, 0))
        origin = f"in {numbers.counted(known, 'batch', 'batches')}" if known else "from unrecorded batches"
        parts.append(f"{numbers.counted(found, what)} {origin}" if found else f"no {what}")
    return listed(parts)


def limit_from_few_blanks(subject: Subject) -> Trigger:
    """The deciding variant rests on fewer blanks than are customary, and no guidance says how many."""
    if any(one.counter == Counter.BLANKS for one in subject.demands):
        return
    for one in deciding(subject):
        if result.FEW_BLANKS in one.variant.cautions:
            yield few_blanks_decide(subject, one.variant.inputs["n"])
            return


def instrument_limit_as_method_limit(subject: Subject) -> Trigger:
    """The limit rests on standards or noise alone: nothing near zero went through the procedure."""
    if subject.runs("blanks") or subject.runs("low_level") or subject.matrix is None:
        return
    matrices = {run.matrix for run in kept(subject.runs("calibration"))}
    if matrices and None not in matrices and not any(unlike(one, subject.matrix) for one in matrices):
        return
    alone = [one for one in deciding(subject) if one.rests_on("calibration") or one.rests_on("noise")]
    if alone:
        names = {one.characteristic: one.title for one in alone}
        yield Raised(
            id="instrument_limit_as_method_limit",
            case="standards_only",
            values={"variant": listed(list(names.values())), "sample_matrix": subject.matrix},
            characteristic=alone[0].characteristic,
        )


def noise_reading_not_stated(subject: Subject) -> Trigger:
    """A limit rests on noise: read once only, or without a word on where it was read."""
    limits = [one for one in deciding(subject) if one.rests_on("noise")]
    runs = kept(subject.runs("noise"))
    if not limits or not runs:
        return
    lowest = min(float(getattr(run, "level", 0.0)) for run in runs)
    used = [run for run in runs if getattr(run, "level", 0.0) == lowest]
    values = {
        "readings": numbers.counted(len(used), "reading"),
        "kind": listed([str(getattr(run, "noise_kind", "")).replace("_", " ") for run in used]),
    }
    if any(run.note is None for run in used):
        yield Raised(
            id="noise_reading_not_stated",
            case="window_missing",
            values=values,
            characteristic=limits[0].characteristic,
        )
    elif len(used) == 1:
        yield Raised(
            id="noise_reading_not_stated",
            case="read_once",
            values=values,
            characteristic=limits[0].characteristic,
        )


TRIGGERS = (
    deciding_limit_weakened,
    limit_from_few_blanks,
    instrument_limit_as_method_limit,
    noise_reading_not_stated,
)
