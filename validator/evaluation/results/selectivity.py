"""Records of interference."""

from __future__ import annotations

from typing import ClassVar, Literal

from validator.records import (
    EstimateRecord,
    ExcludedPoint,
    Interval,
    NotAssessed,
    Record,
)


class InterferenceRecord(Record, frozen=True, kw_only=True):
    """Effect of one interferent at one ratio; ``with_excluded`` is it with what the study excludes."""

    always: ClassVar[tuple[str, ...]] = (
        "ratio",
        "relative_change_percent",
        "ci",
        "interferes",
        "tolerance_ratio",
    )
    interferent: str
    ratio: float | None = None
    ratio_kind: str | None = None
    interferent_level: float | None = None
    interferent_unit: str | None = None
    analyte_level: float | None = None
    n: int
    n_reference: int
    relative_change_percent: float | None
    ci: Interval | None = None
    interferes: bool | None = None
    interferes_guarded: Literal["yes", "no", "undecided"] | None = None
    tolerance_ratio: float | None
    tolerance_ratio_guarded: float | None = None
    reason: str | None = None
    excluded: tuple[ExcludedPoint, ...] = ()
    with_excluded: EstimateRecord | NotAssessed | None = None
