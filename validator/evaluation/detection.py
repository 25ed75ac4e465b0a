"""Detection and quantification limits: every variant the data allow, and the one that decides."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
from msgspec import Struct

from validator.errors import NotEstimable
from validator.evaluation.chosen_guidance import profiles_of
from validator.evaluation.convert import attempt, not_assessed
from validator.evaluation.limit_inputs import limit_inputs
from validator.evaluation.results import (
    DeclaredLimit,
    DetectionRecord,
    LimitValue,
    LimitVariant,
    NotAssessed,
)
from validator.records import finite
from validator.statistics.detection import (
    QUANTIFICATION_ALIASES,
    VARIANTS,
    LimitResult,
    all_limits,
    limits_by,
    resolve_detection,
    resolve_quantification,
)
from validator.statistics.interval import interval_record

if TYPE_CHECKING:
    from collections.abc import Sequence

    from validator.evaluation.calibration import Fitted
    from validator.evaluation.concentrations import SignalReader
    from validator.evaluation.results import PrecisionRecord, RecoveryRecord
    from validator.evaluation.results.detection import DeclaredBy
    from validator.evaluation.rows import Cell
    from validator.statistics.accuracy_profile import AccuracyProfile
    from validator.statistics.detection import DetectionInputs
    from validator.statistics.interval import Estimate
    from validator.study import Study

ENOUGH_BLANKS = 10
"""Independent blanks from which ``blank_3s`` decides where nothing was declared (Eurachem 2014, 6.2.4)."""


class Deciding(Struct, frozen=True):
    """Which variants decide, and who said so."""

    detection: str
    quantification: str
    declared_by: DeclaredBy
    declared_in: str


class Limits(Struct, frozen=True):
    """The record of the limits and the results behind it, for comparing configurations."""

    record: DetectionRecord | NotAssessed
    found: dict[str, LimitResult | NotEstimable]


def detection(
    study: Study,
    cell: Cell,
    fitted: Fitted | NotAssessed,
    reader: SignalReader,
    precision: Sequence[PrecisionRecord] | NotAssessed,
    recovery: Sequence[RecoveryRecord] | NotAssessed,
    profile: AccuracyProfile | None = None,
    *,
    only_deciding: bool = False,
) -> Limits:
    """Every limit of *cell*, or the deciding ones alone; the declared variants decide."""
    inputs = limit_inputs(study, cell, fitted, reader, precision, recovery, profile)
    deciding = deciding_variants(study, cell, inputs)
    by_detection = attempt(lambda: resolve_detection(deciding.detection).id)
    by_quantification = attempt(lambda: resolve_quantification(deciding.quantification).id)
    variants = {one for one in (by_detection, by_quantification) if isinstance(one, str)}
    found = (
        {name: limits_by(name, inputs) for name in sorted(variants)} if only_deciding else all_limits(inputs)
    )
    refusals = {name: one for name, one in found.items() if isinstance(one, NotEstimable)}
    if len(refusals) == len(found) and not only_deciding:
        decides = by_detection if isinstance(by_detection, str) else next(iter(variants))
        return Limits(_nothing(decides, refusals[decides]), found)
    # only limits that are judged need one-sided bounds: those that decide, all where nobody chose one
    chosen = deciding.declared_by != "rule" or only_deciding
    unit = study.analyte(cell.analyte).unit

    def declared(name: str, variant: str | NotAssessed, field: str) -> DeclaredLimit | NotAssessed:
        if isinstance(variant, NotAssessed):
            return _undefined(name, field)
        return _declared(name, field, found[variant], unit)

    record = DetectionRecord(
        critical_level=declared(deciding.detection, by_detection, "critical_level"),
        detection_limit=declared(deciding.detection, by_detection, "detection_limit"),
        quantification_limit=declared(deciding.quantification, by_quantification, "quantification_limit"),
        declared_by=deciding.declared_by,
        declared_in=deciding.declared_in,
        variants={name: _variant(result, judged=not chosen) for name, result in found.items()},
    )
    return Limits(record, found)


def _nothing(deciding: str, refusal: NotEstimable) -> NotAssessed:
    """No limit at all: the reason is that of the variant that would decide."""
    title = VARIANTS[deciding].title
    return NotAssessed(
        not_assessed=(f"no limit can be computed; the governing approach would be {title}: {refusal.reason}"),
        needs=refusal.needs,
    )


def deciding_variants(study: Study, cell: Cell, inputs: DetectionInputs) -> Deciding:
    """The declared variants; else the first profile's own; else by the number of blanks.

    Where the study declares one of the two limits, the other follows the same variant rather than a default.
    """
    choices = study.analysis_for(cell.analyte)
    by_detection = choices.detection_limit.variant if choices.detection_limit else None
    by_quantification = choices.quantification_limit.variant if choices.quantification_limit else None
    if by_detection or by_quantification:
        # a quantification limit may go by a name of its own, residual_10 of residual_3.3
        variant = by_detection or resolve_quantification(by_quantification or "").id
        return Deciding(variant, by_quantification or variant, "study", "the study")
    return deciding_by_guidance(study) or _by_rule(inputs)


def deciding_by_guidance(study: Study) -> Deciding | None:
    """The variants that the study's first profile names; None where it names none."""
    for profile in profiles_of(study)[:1]:
        own = [
            one.variant
            for one in (profile.default_detection_limit, profile.default_quantification_limit)
            if one is not None
        ]
        if own:
            return Deciding(own[0], own[-1], "guidance", profile.short_title)
    return None


def _by_rule(inputs: DetectionInputs) -> Deciding:
    blanks = [
        array.size for array in (inputs.blank_signals, inputs.blank_concentrations) if array is not None
    ]
    if max(blanks, default=0) >= ENOUGH_BLANKS:
        return Deciding("blank_3s", "blank_3s", "rule", "the default rule (at least ten independent blanks)")
    return Deciding(
        "residual_3.3", "residual_3.3", "rule", "the default rule (fewer than ten independent blanks)"
    )


_LIMIT_NAMES = {
    "critical_level": "critical value",
    "detection_limit": "detection limit",
    "quantification_limit": "quantification limit",
}


def _undefined(variant: str, field: str) -> NotAssessed:
    name = _LIMIT_NAMES[field]
    title = VARIANTS[QUANTIFICATION_ALIASES.get(variant, variant)].title
    return NotAssessed(
        not_assessed=f"no {name} is defined by the governing approach ({title})",
        needs=f"an approach that defines a {name}",
    )


def _declared(
    declared: str,
    field: str,
    result: LimitResult | NotEstimable,
    unit: str,
) -> DeclaredLimit | NotAssessed:
    if isinstance(result, NotEstimable):
        return not_assessed(result)
    estimate: Estimate | None = getattr(result, field)
    if estimate is None:
        return _undefined(declared, field)
    interval = estimate.interval
    return DeclaredLimit(
        variant=declared,
        value=estimate.value,
        ci=interval_record(interval),
        one_sided=None if interval is None else interval_record(interval.one_sided),
        unit=unit,
    )


def _variant(result: LimitResult | NotEstimable, *, judged: bool) -> LimitVariant | NotAssessed:
    if isinstance(result, NotEstimable):
        return not_assessed(result)
    return LimitVariant(
        detection_limit=_limit(result.detection_limit, judged=judged),
        quantification_limit=_limit(result.quantification_limit, judged=judged),
        critical_level=_limit(result.critical_level, judged=False),
        sigma=finite(result.sigma),
        sigma_unit=result.sigma_unit,
        sigma_concentration=finite(result.sigma_concentration),
        sigma_source=result.sigma_source,
        degrees_of_freedom=finite(result.degrees_of_freedom),
        k=finite(result.k),
        quantification_k=finite(result.quantification_k),
        inputs={name: float(value) for name, value in result.inputs.items() if np.isfinite(value)},
        source=result.source.text,
        source_status=result.source.status,
        note=result.note,
        cautions=result.cautions,
        reason=None if result.refusal is None else f"{result.refusal.reason}; needs {result.refusal.needs}",
    )


def _limit(estimate: Estimate | None, *, judged: bool) -> LimitValue | None:
    if estimate is None:
        return None
    interval = estimate.interval
    return LimitValue(
        value=estimate.value,
        ci=interval_record(interval),
        one_sided=interval_record(interval.one_sided) if interval is not None and judged else None,
    )
