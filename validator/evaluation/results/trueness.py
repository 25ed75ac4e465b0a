"""Records of recovery."""

from __future__ import annotations

from typing import Literal

from validator.evaluation.results.base import EstimateRecord, ExcludedPoint, Record


class Equivalence(Record):
    """Two one-sided tests against stated bounds, in percent."""

    lower: float
    upper: float
    passes: bool


class RecoveryRecord(Record):
    """Recovery at one level, in percent."""

    level: float
    kind: Literal["spike", "reference", "level"]
    matrix: str | None = None
    n: int
    series: int | None = None
    mean_recovery: EstimateRecord
    sd: float | None = None
    t: float | None = None
    p_bias: float | None = None
    equivalence: Equivalence | None = None
    reference_uncertainty_used: float | None = None
    method: str = ""
    values: tuple[float, ...] = ()
    excluded: tuple[ExcludedPoint, ...] = ()
    with_excluded: EstimateRecord | None = None
