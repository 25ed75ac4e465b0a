"""Caveats on detection and quantification limits: where they lie, what they are worth for the use."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from validator import numbers
from validator.assessment.caveats.of_replicates import few_blanks_decide
from validator.assessment.caveats.raising import (
    Deciding,
    Raised,
    Subject,
    Trigger,
    deciding,
    listed,
    unlike,
)
from validator.errors import NotEstimable
from validator.evaluation.results import LimitVariant
from validator.evaluation.rows import kept
from validator.guidance import Counter
from validator.statistics.detection import VARIANTS, result
from validator.statistics.detection.result import CALIBRATION_TOO_HIGH
from validator.statistics.horwitz import mass_fraction
from validator.study.models.trueness import RecoveryRun

if TYPE_CHECKING:
    from collections.abc import Mapping

    from validator.assessment.caveats.raising import Deciding
    from validator.study.models.runs import Run

SPREAD = 3.0
"""Ratio of the largest to the smallest detection limit from which the definition matters (customary)."""
FAR = 10.0
"""Highest calibrator over the limit up to which a calibration serves for it (DIN 32645:2008, 6.3)."""
NEAR_FROM, NEAR_TO = 0.5, 3.0
"""What is measured between these multiples of a limit is near it (customary)."""
TENTH, FIFTH, LOW_MAXIMUM = 10.0, 20.0, 1e-7
"""Largest detection limit in percent of a maximum level, and below a maximum level of 0.1 mg/kg."""


def quantification_limit_below_lowest_calibrator(subject: Subject) -> Trigger:
    """The declared quantification limit, as it is printed, lies below the lowest standard."""
    limit, lowest = subject.quantification_limit, subject.lowest_standard
    if limit is None or lowest is None or limit.value >= lowest:
        return
    shown = numbers.limit(limit.value)
    if shown != numbers.limit(lowest) and not _is_tested(subject, limit.value):
        yield Raised(
            id="quantification_limit_below_lowest_calibrator",
            case="below",
            values={"limit": shown, "lowest": numbers.as_given(lowest), "unit": subject.analyte.unit},
            effect=lowest / limit.value if limit.value > 0 else None,
        )


def _is_tested(subject: Subject, limit: float) -> bool:
    """True when samples of a known level at or just below the limit went through the procedure."""
    known = [
        *(getattr(value.run, "level", 0.0) for value in subject.values("low_level")),
        *(record.level for record in subject.recovery if record.n > 0),
    ]
    return any(NEAR_FROM * limit <= level <= limit for level in known)


def detection_limit_extrapolated(subject: Subject) -> Trigger:
    """Nothing measured near the limit; or the calibration behind it reaches far above."""
    lowest, highest = subject.lowest_standard, subject.highest_standard
    for one in deciding(subject):
        value = one.limit.value
        if one.characteristic != "detection_limit" or lowest is None or highest is None or value <= 0:
            continue
        # the distance of low-level samples from a limit that rests on them is a caution of the variant
        if not one.rests_on("low_level") and value < NEAR_FROM * lowest and not _has_near(subject, value):
            yield Raised(
                id="detection_limit_extrapolated",
                case="nothing_near",
                values={
                    "limit": numbers.limit(value),
                    "lowest": numbers.as_given(lowest),
                    "unit": subject.analyte.unit,
                },
            )
        if _reaches_too_far(subject, one, highest):
            yield Raised(
                id="detection_limit_extrapolated",
                case="range_too_wide",
                values={
                    "highest": numbers.as_given(highest),
                    "limit": numbers.limit(value),
                    "ratio": numbers.significant(highest / value, 2),
                    "unit": subject.analyte.unit,
                },
            )


def _has_near(subject: Subject, limit: float) -> bool:
    levels = [
        *(getattr(value.run, "level", 0.0) for value in subject.values("low_level")),
        *(record.level for record in subject.recovery if record.n > 0),
        *(record.level or 0.0 for record in subject.precision),
    ]
    return any(NEAR_FROM * limit <= level <= NEAR_TO * limit for level in levels)


def _reaches_too_far(subject: Subject, one: Deciding, highest: float) -> bool:
    if CALIBRATION_TOO_HIGH in one.variant.cautions:
        return True
    # weights describe the scatter at the low end; without them it is that of the whole range
    unweighted = subject.calibration is not None and subject.calibration.weighting == "none"
    return one.rests_on("calibration") and unweighted and highest > FAR * one.limit.value


def limit_depends_on_definition(subject: Subject) -> Trigger:
    """Variants differ more than threefold; or the study declares none."""
    if subject.detection is None or not subject.limits_are_claimed:
        return
    found = {
        name: one.detection_limit.value
        for name, one in subject.detection.variants.items()
        if isinstance(one, LimitVariant) and one.detection_limit is not None and one.detection_limit.value > 0
    }
    if len(found) > 1 and max(found.values()) > SPREAD * min(found.values()):
        smallest, largest = min(found, key=lambda one: found[one]), max(found, key=lambda one: found[one])
        yield Raised(
            id="limit_depends_on_definition",
            case="spread",
            values={
                "ratio": numbers.significant(found[largest] / found[smallest], 2, apart_from=(SPREAD,)),
                "smallest": f"{subject.unit(found[smallest], 2)} ({VARIANTS[smallest].title})",
                "largest": f"{subject.unit(found[largest], 2)} ({VARIANTS[largest].title})",
            },
        )
    limit = subject.detection_limit
    if subject.detection.declared_by != "study" and limit is not None:
        yield Raised(
            id="limit_depends_on_definition",
            case="undeclared",
            values={
                "variant": VARIANTS[limit.variant].title if limit.variant in VARIANTS else limit.variant,
                "origin": subject.detection.declared_in,
            },
        )


def limit_too_high_for_purpose(subject: Subject) -> Trigger:
    """A limit exceeds the legal limit, or the share of it that a profile or the trade allows."""
    yield from _quantification_too_high(subject)
    limit, legal = subject.detection_limit, subject.analyte.legal_limit
    allowed = None if legal is None else _allowed_share(legal, subject.analyte.unit)
    if limit is None or legal is None or allowed is None or 100 * limit.value <= allowed * legal:
        return
    yield Raised(
        id="limit_too_high_for_purpose",
        case="detection_share",
        values={
            "percent": numbers.significant(100 * limit.value / legal, 2, apart_from=(allowed,)),
            "allowed": numbers.as_given(allowed),
        },
        characteristic="detection_limit",
        effect=100 * limit.value / (allowed * legal),
    )


def _quantification_too_high(subject: Subject) -> Trigger:
    limit, legal = subject.quantification_limit, subject.analyte.legal_limit
    if limit is None or legal is None:
        return
    share = 100 * limit.value / legal
    if share > 100:
        yield Raised(
            id="limit_too_high_for_purpose",
            case="above_legal_limit",
            values={"percent": numbers.significant(share, 2, apart_from=(100,))},
            effect=share / 100,
        )
        return
    exceeded = [
        (finding.upper, finding.source)
        for finding in subject.findings
        if finding.characteristic == "quantification_limit"
        and finding.analyte == subject.cell.analyte
        and not finding.own
        and finding.unit == "%"
        and finding.upper is not None
        and share > finding.upper
    ]
    if exceeded:
        allowed, source = min(exceeded)
        yield Raised(
            id="limit_too_high_for_purpose",
            case="above_share",
            values={
                "percent": numbers.significant(share, 2, apart_from=(allowed,)),
                "allowed": numbers.as_given(allowed),
                "document": source,
            },
            effect=share / allowed,
        )


def _allowed_share(legal: float, unit: str) -> float | None:
    """Percent of a maximum level of food; None where the level is not a mass fraction."""
    try:
        fraction = mass_fraction(legal, unit)
    except NotEstimable:
        return None
    return FIFTH if fraction.value < LOW_MAXIMUM else TENTH


def sample_and_solution_limits_mixed(subject: Subject) -> Trigger:
    """Samples were diluted for the measurement, and the limit is that of the solution."""
    limit = subject.quantification_limit
    factors = sorted(
        {
            float(factor)
            for run in kept(subject.runs("standard_addition"))
            if (factor := getattr(run, "dilution_factor", 1.0)) != 1
        }
    )
    if limit is None or not factors:
        return
    yield Raised(
        id="sample_and_solution_limits_mixed",
        case="diluted",
        values={
            "factor": listed([numbers.as_given(factor) for factor in factors]),
            "limit": subject.unit(limit.value, 2),
            "scaled": subject.unit(limit.value * factors[-1], 2),
        },
        characteristic="quantification_limit",
    )


def results_below_quantification_limit(subject: Subject) -> Trigger:
    """Levels below the quantification limit, or zeros, enter a recovery or a comparison as firm numbers."""
    limit = subject.quantification_limit
    if limit is None:
        return
    for block, characteristic in (("recovery", "recovery"), ("comparison", "method_comparison")):
        by_level = [(_level_of(run), _results_of(run)) for run in kept(subject.runs(block))]
        found = [value for _, values in by_level for value in values]
        zeros = found.count(0.0)
        # the level, not the single result: at the limit itself about half of the results lie below it
        below = sum(
            len(values) - values.count(0.0)
            for level, values in by_level
            if level < limit.value and numbers.limit(level) != numbers.limit(limit.value)
        )
        shares = {"block": block, "total": numbers.count(len(found))}
        if below:
            yield Raised(
                id="results_below_quantification_limit_as_numbers",
                case="unflagged",
                values={
                    **shares,
                    "count": numbers.count(below),
                    "limit": numbers.limit(limit.value),
                    "unit": subject.analyte.unit,
                },
                characteristic=characteristic,
            )
        if zeros:
            yield Raised(
                id="results_below_quantification_limit_as_numbers",
                case="zeros",
                values={**shares, "count": numbers.count(zeros)},
                characteristic=characteristic,
            )


def _results_of(run: Run) -> list[float]:
    return [*getattr(run, "found", ()), *getattr(run, "this_values", ())]


def _level_of(run: Run) -> float:
    """The content of a sample: known, of a spike with the native one, else by the other method."""
    if isinstance(run, RecoveryRun):
        return run.content
    known = getattr(run, "reference_values", ()) or _results_of(run)
    return sum(known) / len(known) if known else math.inf


OWN_CASES = (
    result.ONE_SERIES,
    result.SLOPE_AT_ZERO,
    result.LEVEL_FAR_FROM_LIMIT,
    result.BLANKS_NOT_NORMAL,
    result.EXTRAPOLATED,
    result.NOT_MONOTONE,
    result.NO_PRECISION,
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
    if caution == result.EXTRAPOLATED:
        values["limit"] = subject.unit(one.limit.value, 2)
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
    quantification_limit_below_lowest_calibrator,
    detection_limit_extrapolated,
    limit_depends_on_definition,
    limit_too_high_for_purpose,
    sample_and_solution_limits_mixed,
    results_below_quantification_limit,
    deciding_limit_weakened,
    limit_from_few_blanks,
    instrument_limit_as_method_limit,
    noise_reading_not_stated,
)
