"""Carry-over: blanks directly after high samples, beside the signal at the quantification limit."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from validator.evaluation.chosen_guidance import BY_STUDY, CUSTOMARY, own_criterion
from validator.evaluation.convert import attempt, estimate_record, significance
from validator.evaluation.results import CarryOverRecord, DetectionRecord, NotAssessed
from validator.evaluation.rows import Cell, kept, runs_of
from validator.statistics.carry_over import carry_over as after_high
from validator.study.models.stability import CarryOverRun

if TYPE_CHECKING:
    from validator.evaluation.calibration import Fitted
    from validator.study import Study

ALLOWED_PERCENT = 20.0
"""Share of the signal at the quantification limit (ICH M10:2022, 3.2.6; from memory)."""


def carry_over(
    study: Study, cell: Cell, fitted: Fitted | NotAssessed, detection: DetectionRecord | NotAssessed
) -> tuple[CarryOverRecord, ...] | NotAssessed:
    """One record for each sequence of *cell*."""
    runs = [run for run in runs_of(study.carry_over, cell) if isinstance(run, CarryOverRun)]
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
    criterion = own_criterion(study, cell, "carry_over", "max")
    allowed = criterion.max if criterion is not None and criterion.max is not None else None
    confidence = study.analysis_for(cell.analyte).confidence
    limit, response = _low_limit(fitted, detection)
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
    percent = found.percent_of_low_limit
    return CarryOverRecord(
        place=run.place,
        highest_level=max(levels, default=None),
        n=found.n,
        highs=kinds.count("high"),
        baseline=found.baseline,
        baseline_n=found.baseline_n,
        baseline_mean=found.baseline_mean,
        carry_over=estimate_record(found.carry_over, found.reason),
        test=None if found.test is None else significance(found.test),
        percent_of_high=estimate_record(found.percent_of_high),
        percent_of_limit=None if percent is None else estimate_record(percent, found.reason),
        largest_percent_of_limit=found.largest_percent_of_low_limit,
        limit=limit,
        allowed_percent=ALLOWED_PERCENT if allowed is None else allowed,
        allowed_by=CUSTOMARY if allowed is None else BY_STUDY,
        values=found.values,
        reason=found.reason or (None if limit else "no quantification limit is available for comparison"),
    )
