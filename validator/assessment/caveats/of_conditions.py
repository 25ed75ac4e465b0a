"""Caveats on robustness and repeated use, and on what was not studied."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from validator import numbers
from validator.assessment.asked import not_measured
from validator.assessment.caveats.raising import Raised, Subject, Trigger, listed
from validator.assessment.observations import factor_name
from validator.evaluation.results import (
    DeclineRecord,
    NotAssessed,
    RepeatedUseRecord,
    RobustnessRecord,
)

if TYPE_CHECKING:
    from validator.evaluation.results import FactorEffectRecord

FEW_FACTORS = 3
"""Factors below which robustness was hardly tried (customary)."""


def few_robustness_factors(subject: Subject) -> Trigger:
    """Robustness was tried with few factors."""
    found = subject.record.robustness
    factors = set() if isinstance(found, NotAssessed) else {effect.factor for effect in found.effects}
    if 0 < len(factors) < FEW_FACTORS:
        yield Raised(
            id="few_robustness_factors",
            case="few_factors",
            values={"factors": numbers.counted(len(factors), "factor was", "factors were")},
        )


def conditions_to_hold(subject: Subject) -> Trigger:
    """The significant effects, unless allowed or lost in the scatter of results: settings to be held."""
    found = subject.record.robustness
    if isinstance(found, NotAssessed):
        return
    allowed = subject.scatter_percent or 0.0 if found.allowed_percent is None else found.allowed_percent
    real = {
        effect.factor: (abs(value), value, effect)
        for effect in sorted(found.effects, key=lambda one: abs(one.effect_percent.value or 0.0))
        if effect.significant
        and (value := effect.effect_percent.value) is not None
        and (abs(value) > allowed if effect.beyond_allowed is None else effect.beyond_allowed)
    }
    if not real:
        return
    ordered = sorted(real.values(), key=lambda one: -one[0])
    yield Raised(
        id="conditions_to_hold",
        case="effect_found",
        values={
            "effects": "; ".join(_told(value, effect, allowed) for _, value, effect in ordered),
            "allowance": _allowance(found, allowed),
        },
        effect=ordered[0][0] / allowed if allowed else None,
    )


def _allowance(found: RobustnessRecord, allowed: float) -> str:
    """What the effects are held against, in words."""
    if found.allowed_percent is not None:
        return f"{numbers.as_given(allowed)} %, as declared"
    if not allowed:
        return "none, since no precision data were provided"
    return f"{numbers.significant(allowed, 2)} %, the relative standard deviation of results"


def _told(value: float, effect: FactorEffectRecord, allowed: float) -> str:
    """One effect, and the settings between which it would be as large as allowed."""
    size = numbers.significant(value, 2)
    high = numbers.quantity(effect.high, effect.unit or "")
    text = f"{size} % when {factor_name(effect)} changes from {effect.low} to {high}"
    try:
        low_end, high_end = float(effect.low), float(effect.high)
    except ValueError:
        return text
    reach = abs(high_end - low_end) / 2 * allowed / abs(value)
    if not reach:
        return text
    step = 10.0 ** (math.floor(math.log10(reach)) - 1)
    narrowed = numbers.significant(math.floor(reach / step) * step, 2)  # inward, never beyond the allowance
    return f"{text} (within the allowance at ±{numbers.quantity(narrowed, effect.unit or '')})"


def uses_beyond_test(subject: Subject) -> Trigger:
    """The number of uses that a device stands is read beyond the last use tested."""
    found = subject.record.repeated_use
    if not isinstance(found, RepeatedUseRecord) or not isinstance(found.decline, DeclineRecord):
        return
    decline = found.decline
    if decline.extrapolated and decline.uses_until_loss is not None:
        yield Raised(
            id="stability_claim_beyond_test",
            case="uses_extrapolated",
            values={
                "loss": numbers.as_given(decline.loss_percent),
                "uses": numbers.significant(decline.uses_until_loss.value, 2),
                "tested": numbers.count(found.last_use),
            },
            characteristic="repeated_use",
        )


def not_studied(subject: Subject) -> Trigger:
    """What the chosen guidance recommends for a method of this kind, and nobody studied."""
    scope = subject.study.study.scope
    documents: dict[str, list[str]] = {}
    for profile in subject.profiles:
        for one in not_measured(subject.study, subject.results, profile):
            if one.analyte != subject.cell.analyte or subject.is_limited(one.characteristic):
                continue
            if scope and one.characteristic not in scope:
                continue
            # spikes in the matrix say something of it; how little, a caveat of its own says
            if one.characteristic != "matrix_effect" or not _has_spikes(subject):
                documents.setdefault(profile.name, []).append(one.characteristic.replace("_", " "))
    for document, names in documents.items():
        yield Raised(
            id="recommended_not_studied",
            case="missing",
            values={"characteristics": listed(names), "document": document},
            characteristic=names[0].replace(" ", "_"),
        )


def _has_spikes(subject: Subject) -> bool:
    return any(record.kind == "spike" and record.n > 0 for record in subject.recovery)


TRIGGERS = (
    few_robustness_factors,
    conditions_to_hold,
    uses_beyond_test,
    not_studied,
)
