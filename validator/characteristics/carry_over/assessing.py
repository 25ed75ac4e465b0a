"""Carry-over: blanks directly after high samples, beside the signal at the quantification limit."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
from msgspec.structs import replace

from validator import numbers
from validator.assessment.caveats.raising import Raised, Subject, Trigger
from validator.assessment.observation import Observation, Units, figure, refused
from validator.characteristics.carry_over.results import CarryOverRecord
from validator.characteristics.carry_over.runs import CarryOverRun
from validator.characteristics.carry_over.statistic import carry_over as after_high
from validator.evaluation.chosen_guidance import BY_STUDY, own_criterion
from validator.evaluation.convert import attempt
from validator.evaluation.results import DetectionRecord, NotAssessed
from validator.evaluation.rows import kept
from validator.records import EstimateRecord

if TYPE_CHECKING:
    from collections.abc import Iterator

    from validator.evaluation.calibration import Fitted
    from validator.evaluation.given import Given

Found = tuple[CarryOverRecord, ...]


def evaluate(given: Given) -> Found | NotAssessed:
    """One record for each sequence of the cell."""
    runs = given.runs("carry_over", CarryOverRun)
    if not runs:
        return NotAssessed(
            not_assessed="no carry-over data were provided",
            needs="at least three blanks before, and three directly after, a sample at the highest level",
        )
    counted = kept(runs)
    if not counted:
        return NotAssessed(
            not_assessed="all carry-over sequences are excluded",
            needs="a carry-over sequence that is not excluded",
        )
    criterion = own_criterion(given.study, given.cell, "carry_over", "max")
    allowed = criterion.max if criterion is not None and criterion.max is not None else None
    confidence = given.study.analysis_for(given.cell.analyte).confidence
    limit, response = _low_limit(given.fitted, given.detection)
    records: list[CarryOverRecord] = []
    refusals: list[NotAssessed] = []
    for run in counted:
        record = attempt(lambda run=run: _record(run, limit, response, allowed, confidence))  # type: ignore[misc]
        (refusals if isinstance(record, NotAssessed) else records).append(record)  # type: ignore[arg-type]
    return tuple(records) if records else refusals[0]


def _low_limit(
    fitted: Fitted | NotAssessed, detection: DetectionRecord | NotAssessed
) -> tuple[float | None, float | None]:
    """The declared quantification limit and its signal above that of level 0."""
    if isinstance(detection, NotAssessed) or isinstance(detection.quantification_limit, NotAssessed):
        return None, None
    if isinstance(fitted, NotAssessed):
        return None, None
    limit = detection.quantification_limit.value
    at_zero, at_limit = fitted.fit.predict(np.array([0.0, limit]))
    response = float(at_limit - at_zero)
    return (limit, response) if response > 0 else (None, None)


def _record(
    run: CarryOverRun, limit: float | None, response: float | None, allowed: float | None, confidence: float
) -> CarryOverRecord:
    kinds = [injection.kind for injection in run.sequence]
    signals = [injection.signal for injection in run.sequence]
    levels = [one.level for one in run.sequence if one.kind == "high" and one.level is not None]
    found = after_high(kinds, signals, response_at_low_limit=response, confidence=confidence)
    found = replace(found, place=run.place, highest_level=max(levels, default=None), limit=limit)
    return found if allowed is None else replace(found, allowed_percent=allowed, allowed_by=BY_STUDY)


def _observations(found: Found, _units: Units) -> Iterator[Observation]:
    """The largest single blank, and the mean where it has an interval: both have to keep the limit."""
    for entry in found:
        yield from _after_high(entry)


def _after_high(entry: CarryOverRecord) -> Iterator[Observation]:
    if entry.largest_percent_of_limit is None or entry.percent_of_limit is None:
        refusal = NotAssessed(
            not_assessed="no quantification limit is available for comparison with the carry-over",
            needs="a calibration and a quantification limit",
        )
        yield refused(refusal, level=entry.highest_level)
        return
    yield Observation(
        estimate=EstimateRecord(value=entry.largest_percent_of_limit),
        unit="%",
        kind="bound",
        level=entry.highest_level,
        what="largest single blank",
        n=entry.n,
    )
    if entry.percent_of_limit.ci is not None:
        yield figure(entry.percent_of_limit, level=entry.highest_level, what="mean of the blanks", n=entry.n)


def carry_over_present(subject: Subject) -> Trigger:
    """A blank after a high sample shows more than is allowed."""
    found = subject.record.of("carry_over")
    if isinstance(found, NotAssessed):
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
            id="carry_over_present",
            case="present",
            values={
                "highest": "a high sample" if level is None else subject.level(level),
                "percent": numbers.significant(largest, 2, apart_from=(record.allowed_percent,)),
                "allowed": numbers.as_given(record.allowed_percent),
            },
            effect=largest / record.allowed_percent if record.allowed_percent else None,
        )


READERS = {"max": _observations}
TRIGGERS = (carry_over_present,)
