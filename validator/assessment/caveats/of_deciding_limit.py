"""What the variant that decides a limit says of itself; other variants decide nothing and raise nothing."""

from __future__ import annotations

from typing import TYPE_CHECKING

from validator.assessment.caveats.deciding import Deciding, deciding
from validator.assessment.caveats.of_replicates import few_blanks_decide
from validator.assessment.caveats.raising import Raised, Subject, Trigger
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
        limit = one.variant.inputs.get("legal_limit", one.limit.value)
        level = one.variant.inputs["level"]
        values |= {"level": subject.level(level), "limit": subject.unit(limit, 2)}
    if caution in (result.NEGATIVE_LIMIT, result.EXTRAPOLATED):
        values["limit"] = subject.unit(one.limit.value, 2)
    return values


def limit_from_few_blanks(subject: Subject) -> Trigger:
    """The deciding variant rests on fewer blanks than are customary, and no guidance says how many."""
    if any(one.counter == Counter.BLANKS for one in subject.demands):
        return
    for one in deciding(subject):
        if result.FEW_BLANKS in one.variant.cautions:
            yield few_blanks_decide(subject, one.variant.inputs["n"])
            return


TRIGGERS = (deciding_limit_weakened, limit_from_few_blanks)
