"""Caveats on robustness, stability, repeated use and carry-over."""

from __future__ import annotations

from typing import TYPE_CHECKING

from validator.assessment.caveats.raising import Raised, Subject, Trigger, counted
from validator.assessment.observations_of_conditions import factor_name
from validator.dossier import numbers
from validator.evaluation.results import (
    DeclineRecord,
    NotAssessed,
    RepeatedUseRecord,
    RobustnessRecord,
    StabilityTrendRecord,
)
from validator.guidance import Characteristic

if TYPE_CHECKING:
    from validator.evaluation.results import StabilityRecord

FEW_FACTORS = 3
"""Factors below which robustness was hardly tried (customary)."""
FEW_TIMES = 3
"""Points in time below which nothing is seen of a course (customary)."""


def robustness_missing_or_narrow(subject: Subject) -> Trigger:
    """Asked for and not tried, tried with few factors, or a factor that changes the result."""
    found = subject.record.robustness
    if isinstance(found, NotAssessed):
        if subject.is_asked(Characteristic.ROBUSTNESS) and not subject.runs("robustness"):
            yield Raised(id="robustness_missing_or_narrow", case="missing", whole_study=True)
        return
    factors = {effect.factor for effect in found.effects}
    if len(factors) < FEW_FACTORS:
        yield Raised(
            id="robustness_missing_or_narrow",
            case="few_factors",
            values={"factors": counted(len(factors), "factor was", "factors were")},
        )
    yield from _largest_effect(subject, found)


def _largest_effect(subject: Subject, found: RobustnessRecord) -> Trigger:
    """The largest significant effect, unless it is allowed or disappears in the scatter of results."""
    seen = subject.scatter_percent or 0.0
    real = [
        (abs(value), value, effect)
        for effect in found.effects
        if effect.significant
        and (value := effect.effect_percent.value) is not None
        and (abs(value) > seen if effect.beyond_allowed is None else effect.beyond_allowed)
    ]
    if real:
        _, value, effect = max(real, key=lambda one: one[0])
        yield Raised(
            id="robustness_missing_or_narrow",
            case="effect_found",
            values={
                "factor": factor_name(effect),
                "effect": numbers.significant(value, 2),
                "low": effect.low,
                "high": numbers.quantity(effect.high, effect.unit or ""),
            },
        )


def stability_claim_beyond_test(subject: Subject) -> Trigger:
    """Few points in time; or the confidence bound of the trend reaches the limit before the last of them."""
    found = subject.record.stability
    if isinstance(found, NotAssessed):
        return
    few = [record for record in found if record.n > 0 and record.times < FEW_TIMES]
    if few:
        record = min(few, key=lambda one: one.times)
        yield Raised(
            id="stability_claim_beyond_test",
            case="few_points",
            values={
                "points": counted(record.times, "point in time", "points in time"),
                "condition": record.condition,
            },
        )
    crossed = [
        (trend.shown / record.last_time, trend.shown, record)
        for record in found
        if (trend := _trend(record)) is not None and trend.shown < record.last_time
    ]
    if crossed:
        _, shown, record = min(crossed, key=lambda one: one[0])
        yield Raised(
            id="stability_claim_beyond_test",
            case="bound_crossed",
            values={
                "condition": record.condition,
                "allowed": numbers.as_given(record.allowed_percent),
                "supported": numbers.significant(shown, 2),
                "tested": numbers.as_given(record.last_time),
                "time_unit": record.time_unit,
            },
        )


def _trend(record: StabilityRecord) -> StabilityTrendRecord | None:
    return record.trend if isinstance(record.trend, StabilityTrendRecord) else None


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


def carry_over_present_or_untested(subject: Subject) -> Trigger:
    """A blank after a high sample shows more than is allowed; or carry-over was asked for and not tried."""
    found = subject.record.carry_over
    if isinstance(found, NotAssessed):
        if subject.is_asked(Characteristic.CARRY_OVER) and not subject.runs("carry_over"):
            yield Raised(id="carry_over_present_or_untested", case="untested")
        return
    present = [
        (largest, record)
        for record in found
        if (largest := record.largest_percent_of_limit) is not None and largest > record.allowed_percent
    ]
    if present and subject.limits_are_claimed:
        largest, record = max(present, key=lambda one: one[0])
        level = record.highest_level
        yield Raised(
            id="carry_over_present_or_untested",
            case="present",
            values={
                "highest": "a high sample" if level is None else subject.level(level),
                "percent": numbers.significant(largest, 2, apart_from=(record.allowed_percent,)),
                "allowed": numbers.as_given(record.allowed_percent),
            },
        )


TRIGGERS = (
    robustness_missing_or_narrow,
    stability_claim_beyond_test,
    uses_beyond_test,
    carry_over_present_or_untested,
)
