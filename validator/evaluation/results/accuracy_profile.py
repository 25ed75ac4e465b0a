"""Records of the accuracy profile."""

from __future__ import annotations

from typing import Literal

from validator.records import Interval, NotAssessed, Record


class AccuracyLevelRecord(Record, frozen=True, kw_only=True):
    """One level; percent is of the level.

    Attributes:
        level: taken as true.
        n, series: results and the series they were found in.
        mean: of the series means, in the unit of the analyte.
        relative_bias_percent: of that mean.
        repeatability_sd, intermediate_sd: in the unit of the analyte; absent where they cannot be told apart.
        degrees_of_freedom: of the prediction.
        expectation: holds the share β of future results on average.
        content: holds at least the share β of future results with confidence γ.
        acceptance_percent: largest error allowed.
        risk_outside: probability that a future result errs by more.
        inside: the deciding interval keeps the acceptance limits.
        method: how the intervals were found.
    """

    level: float
    n: int
    series: int
    mean: float
    relative_bias_percent: float
    repeatability_sd: float | None = None
    intermediate_sd: float | None = None
    degrees_of_freedom: float | None = None
    expectation: Interval
    content: Interval
    acceptance_percent: float
    risk_outside: float
    inside: bool
    method: str


class RefusedLevel(Record, frozen=True, kw_only=True):
    """A level without an interval, and why."""

    level: float
    reason: NotAssessed


class AccuracyProfileRecord(Record, frozen=True, kw_only=True):
    """Accuracy of future results over the levels.

    Attributes:
        data: the results it rests on: "precision", whose levels count as true, or "recovery".
        acceptance_percent: largest error of a future result that the use allows for.
        beta, gamma: share of future results, and confidence of the content interval.
        decided_by: which interval decides.
        levels: by rising level; ``refused`` those without an interval.
        ranges: where the deciding interval keeps the acceptance limits.
        valid_range: the range that holds the highest level inside; absent where no level is inside.
        quantification_limit: its lower end.
        interrupted: there is more than one range, or a level above the valid range.
    """

    data: Literal["precision", "recovery"]
    acceptance_percent: float
    beta: float
    gamma: float
    decided_by: Literal["expectation", "content"]
    levels: tuple[AccuracyLevelRecord, ...]
    refused: tuple[RefusedLevel, ...] = ()
    ranges: tuple[tuple[float, float], ...] = ()
    valid_range: tuple[float, float] | None = None
    quantification_limit: float | None = None
    interrupted: bool = False
