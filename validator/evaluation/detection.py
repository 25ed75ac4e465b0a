"""Detection and quantification limits: every variant the data allow, and the one that decides."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from validator.errors import NotEstimable
from validator.evaluation.calibration import Fitted
from validator.evaluation.convert import attempt, finite, interval_record, not_assessed, one_sided_level
from validator.evaluation.results import (
    DeclaredLimit,
    DetectionRecord,
    EstimateRecord,
    LimitValue,
    LimitVariant,
    NotAssessed,
    PrecisionRecord,
    RecoveryRecord,
)
from validator.evaluation.rows import (
    Cell,
    Value,
    group_label,
    independent_values,
    kept,
    labels_or_none,
    runs_of,
)
from validator.evaluation.trueness import equivalence_bounds
from validator.guidance import load_profile
from validator.statistics.detection import (
    DetectionInputs,
    LimitResult,
    LowLevelSample,
    NoiseReading,
    PrecisionLevel,
    RecoveryLevel,
    all_limits,
    limits_by,
    resolve_detection,
    resolve_quantification,
)
from validator.study.models.blanks import BlankRun, LowLevelRun, NoiseRun

if TYPE_CHECKING:
    from collections.abc import Sequence

    from validator.evaluation.concentrations import SignalReader
    from validator.statistics.accuracy_profile import AccuracyProfile
    from validator.statistics.interval import Estimate
    from validator.study import Study

ENOUGH_BLANKS = 10
"""Independent blanks from which ``blank_3s`` decides where nothing was declared (Eurachem 2014, 6.2.4)."""


@dataclass(frozen=True, slots=True)
class Deciding:
    """Which variants decide, and who said so."""

    detection: str
    quantification: str
    declared_by: str


@dataclass(frozen=True, slots=True)
class Limits:
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
) -> Limits:
    """Every limit of *cell*; the declared variants decide."""
    inputs = limit_inputs(study, cell, fitted, reader, precision, recovery, profile)
    found = all_limits(inputs)
    deciding = deciding_variants(study, cell, inputs)
    by_detection = attempt(lambda: resolve_detection(deciding.detection).id)
    by_quantification = attempt(lambda: resolve_quantification(deciding.quantification).id)
    variants = {one for one in (by_detection, by_quantification) if isinstance(one, str)}
    refusals = {name: one for name, one in found.items() if isinstance(one, NotEstimable)}
    if len(refusals) == len(found):
        decides = by_detection if isinstance(by_detection, str) else next(iter(variants))
        return Limits(_nothing(decides, refusals[decides]), found)
    # only the limits that decide are judged, so only they need one-sided bounds
    at_bounds = replace(inputs, confidence=one_sided_level(inputs.confidence))
    bounds = {name: limits_by(name, at_bounds) for name in variants}
    unit = study.analyte(cell.analyte).unit

    def declared(name: str, variant: str | NotAssessed, field: str) -> DeclaredLimit | NotAssessed:
        if isinstance(variant, NotAssessed):
            return _undefined(name, field)
        return _declared(name, field, found[variant], bounds[variant], unit)

    record = DetectionRecord(
        critical_level=declared(deciding.detection, by_detection, "critical_level"),
        detection_limit=declared(deciding.detection, by_detection, "detection_limit"),
        quantification_limit=declared(deciding.quantification, by_quantification, "quantification_limit"),
        declared_by=deciding.declared_by,
        variants={name: _variant(result) for name, result in found.items()},
    )
    return Limits(record, found)


def _nothing(deciding: str, refusal: NotEstimable) -> NotAssessed:
    """No limit at all: the reason is that of the variant that would decide."""
    return NotAssessed(
        not_assessed=f"no variant of a limit can be computed; {deciding} would decide: {refusal.reason}",
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
        return Deciding(variant, by_quantification or variant, "study")
    return deciding_by_guidance(study) or _by_rule(inputs)


def deciding_by_guidance(study: Study) -> Deciding | None:
    """The variants that the study's first profile names; None where it names none."""
    for name in study.study.guidance[:1]:
        profile = load_profile(name, search_folders=(study.folder,))
        own = [
            one.variant
            for one in (profile.default_detection_limit, profile.default_quantification_limit)
            if one is not None
        ]
        if own:
            return Deciding(own[0], own[-1], f"guidance: {profile.short_title}")
    return None


def _by_rule(inputs: DetectionInputs) -> Deciding:
    blanks = [
        array.size for array in (inputs.blank_signals, inputs.blank_concentrations) if array is not None
    ]
    if max(blanks, default=0) >= ENOUGH_BLANKS:
        return Deciding("blank_3s", "blank_3s", "rule: ten or more independent blanks")
    return Deciding("residual_3.3", "residual_3.3", "rule: fewer than ten independent blanks")


def limit_inputs(
    study: Study,
    cell: Cell,
    fitted: Fitted | NotAssessed,
    reader: SignalReader,
    precision: Sequence[PrecisionRecord] | NotAssessed,
    recovery: Sequence[RecoveryRecord] | NotAssessed,
    profile: AccuracyProfile | None = None,
) -> DetectionInputs:
    """What the study offers to the limit variants."""
    choices = study.analysis_for(cell.analyte)
    blank_runs = [run for run in kept(runs_of(study.blanks, cell)) if isinstance(run, BlankRun)]
    on_signals = independent_values([run for run in blank_runs if run.axis == "signal"])
    as_results = independent_values([run for run in blank_runs if run.axis == "concentration"])
    line = fitted.record if isinstance(fitted, Fitted) else None
    linear = line.linear_range if line is not None else None
    return DetectionInputs(
        fit=fitted.fit if isinstance(fitted, Fitted) else None,
        blank_signals=_array(on_signals),
        blank_concentrations=_array(as_results),
        blanks_blank_corrected=any(run.blank_correction == "subtracted" for run in blank_runs),
        blanks_censored=sum(len(run.below) for run in blank_runs),
        blank_series=_series(on_signals or as_results, blank_runs),
        blank_replicates_averaged=max((run.replicates_averaged or 1 for run in blank_runs), default=1),
        low_level=_low_level(study, cell, reader),
        precision_levels=_precision_levels(precision),
        variance_function=fitted.variance_function if isinstance(fitted, Fitted) else None,
        recovery_levels=_recovery_levels(recovery),
        recovery_limits_percent=equivalence_bounds(study, cell),
        accuracy_profile=profile,
        linear_range_lower=linear.lower
        if linear is not None and not isinstance(linear, NotAssessed)
        else None,
        noise=_noise(study, cell),
        replicates_for_sample=choices.calibration.replicates_for_sample,
        alpha=choices.alpha,
        beta=choices.beta,
        alpha_declared=choices.declared("alpha"),
        confidence=choices.confidence,
        seed=choices.seed,
        legal_limit=study.analyte(cell.analyte).legal_limit,
    )


def _array(values: Sequence[Value]) -> np.ndarray[tuple[int], np.dtype[np.float64]] | None:
    return np.array([value.value for value in values]) if values else None


def _series(values: Sequence[Value], runs: Sequence[BlankRun]) -> tuple[str, ...] | None:
    censored = [group_label(run) for run in runs for _ in run.below]
    return labels_or_none([*(group_label(value.run) for value in values), *censored])


def _low_level(study: Study, cell: Cell, reader: SignalReader) -> tuple[LowLevelSample, ...]:
    runs = [run for run in kept(runs_of(study.low_level, cell)) if isinstance(run, LowLevelRun)]
    samples = []
    for level in sorted({run.level for run in runs}):
        values = independent_values([run for run in runs if run.level == level])
        try:
            concentrations = reader.concentrations(values)
        except NotEstimable:
            continue
        if concentrations:
            samples.append(
                LowLevelSample(
                    level=level,
                    concentrations=np.array(concentrations),
                    series=labels_or_none([group_label(value.run) for value in values]),
                )
            )
    return tuple(samples)


def _precision_levels(precision: Sequence[PrecisionRecord] | NotAssessed) -> tuple[PrecisionLevel, ...]:
    if isinstance(precision, NotAssessed):
        return ()
    levels = []
    for entry in precision:
        sd = next(
            (
                one
                for one in (entry.intermediate_sd, entry.repeatability_sd)
                if isinstance(one, EstimateRecord) and one.value and one.degrees_of_freedom
            ),
            None,
        )
        if sd is not None and sd.value and sd.degrees_of_freedom and entry.level:
            levels.append(
                PrecisionLevel(level=entry.level, sd=sd.value, degrees_of_freedom=sd.degrees_of_freedom)
            )
    return tuple(levels)


def _recovery_levels(recovery: Sequence[RecoveryRecord] | NotAssessed) -> tuple[RecoveryLevel, ...]:
    if isinstance(recovery, NotAssessed):
        return ()
    return tuple(
        RecoveryLevel(
            level=entry.level,
            mean_percent=entry.mean_recovery.value,
            rsd_percent=None if entry.sd is None else 100 * entry.sd / entry.mean_recovery.value,
            n=entry.n,
        )
        for entry in recovery
        if entry.mean_recovery.value
    )


def _noise(study: Study, cell: Cell) -> tuple[NoiseReading, ...]:
    return tuple(
        NoiseReading(level=run.level, height=run.signal_height, noise=run.noise, kind=run.noise_kind)
        for run in kept(runs_of(study.noise, cell))
        if isinstance(run, NoiseRun)
    )


def _undefined(variant: str, field: str) -> NotAssessed:
    name = field.replace("_", " ")
    return NotAssessed(
        not_assessed=f"the deciding variant {variant} defines no {name}",
        needs=f"a variant that defines a {name}",
    )


def _declared(
    declared: str,
    field: str,
    result: LimitResult | NotEstimable,
    bound: LimitResult | NotEstimable,
    unit: str,
) -> DeclaredLimit | NotAssessed:
    if isinstance(result, NotEstimable):
        return not_assessed(result)
    estimate: Estimate | None = getattr(result, field)
    if estimate is None:
        return _undefined(declared, field)
    one_sided: Estimate | None = getattr(bound, field, None)
    return DeclaredLimit(
        variant=declared,
        value=estimate.value,
        ci=interval_record(estimate.interval),
        one_sided=None if one_sided is None else interval_record(one_sided.interval),
        unit=unit,
    )


def _variant(result: LimitResult | NotEstimable) -> LimitVariant | NotAssessed:
    if isinstance(result, NotEstimable):
        return not_assessed(result)
    return LimitVariant(
        detection_limit=_limit(result.detection_limit),
        quantification_limit=_limit(result.quantification_limit),
        critical_level=_limit(result.critical_level),
        sigma=finite(result.sigma),
        sigma_unit=result.sigma_unit,
        sigma_concentration=finite(result.sigma_concentration),
        sigma_source=result.sigma_source,
        degrees_of_freedom=finite(result.degrees_of_freedom),
        k=finite(result.k),
        quantification_k=finite(result.quantification_k),
        inputs={name: float(value) for name, value in result.inputs.items() if np.isfinite(value)},
        source=result.source,
        note=result.note,
        cautions=result.cautions,
    )


def _limit(estimate: Estimate | None) -> LimitValue | None:
    if estimate is None:
        return None
    return LimitValue(value=estimate.value, ci=interval_record(estimate.interval))
