"""What is found of carry-over."""

from __future__ import annotations

from validator.records import EstimateRecord, Record, SignificanceRecord

ALLOWED_PERCENT = 20.0
"""Share of the signal at the quantification limit (ICH M10:2022, 3.2.6; from memory)."""


class CarryOverRecord(Record, frozen=True, kw_only=True):
    """What blanks show directly after a high sample, in one sequence.

    Attributes:
        highest_level: of the high samples, where recorded.
        n, highs: blanks directly after a high sample, and high samples.
        baseline, baseline_n, baseline_mean: the undisturbed blanks, how many, and what was subtracted.
        carry_over: mean of the blanks after high less the baseline, unit of the signal.
        test: of no carry-over.
        percent_of_high: in percent of the high signal.
        percent_of_limit: in percent of the signal at the quantification limit; ``largest_percent_of_limit``
            that of the largest single blank. Both need a quantification limit and a calibration.
        limit: the quantification limit they refer to.
        allowed_percent: of the signal at that limit; ``allowed_by`` says who states it.
        values: the single blanks less the baseline.
        reason: why a figure has no interval, or why none refers to the limit.
    """

    place: str = ""
    highest_level: float | None = None
    n: int
    highs: int
    baseline: str
    baseline_n: int
    baseline_mean: float
    carry_over: EstimateRecord
    test: SignificanceRecord | None = None
    percent_of_high: EstimateRecord
    percent_of_limit: EstimateRecord | None = None
    largest_percent_of_limit: float | None = None
    limit: float | None = None
    allowed_percent: float = ALLOWED_PERCENT
    allowed_by: str = "customary"
    values: tuple[float, ...] = ()
    reason: str | None = None


RECORD = tuple[CarryOverRecord, ...]
