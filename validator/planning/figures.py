"""The figures of a study whose intervals a plan foretells."""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple

from validator.evaluation.results import DeclaredLimit, EstimateRecord, Interval, NotAssessed

if TYPE_CHECKING:
    from collections.abc import Iterator

    from validator.evaluation.results import (
        CalibrationRecord,
        ConfigurationRecord,
        DetectionRecord,
        PrecisionRecord,
    )


class FigureKey(NamedTuple):
    """Which figure: its name, the level it belongs to, and of what it is."""

    figure: str
    level: float | None = None
    what: str = ""


class Figure(NamedTuple):
    """A value with the ends of its interval; None where a side is open."""

    value: float
    lower: float | None
    upper: float | None

    @property
    def half_width(self) -> float | None:
        """Half of the distance between the ends; None where a side is open."""
        return None if self.lower is None or self.upper is None else (self.upper - self.lower) / 2


def figures(record: ConfigurationRecord) -> dict[FigureKey, Figure]:
    """Every figure of *record* that has a value and an interval."""
    return {
        key: Figure(value, *interval)
        for key, value, interval in _all(record)
        if value is not None and interval is not None
    }


Found = tuple[FigureKey, float | None, Interval | None]


def _all(record: ConfigurationRecord) -> Iterator[Found]:
    if not isinstance(record.calibration, NotAssessed):
        yield from _of_calibration(record.calibration)
    if not isinstance(record.detection, NotAssessed):
        yield from _of_limits(record.detection)
    if not isinstance(record.precision, NotAssessed):
        for entry in record.precision:
            yield from _of_precision(entry)
    if not isinstance(record.recovery, NotAssessed):
        for one in record.recovery:
            key = FigureKey("recovery", one.level, one.matrix or one.kind)
            yield key, one.mean_recovery.value, one.mean_recovery.ci


def _of_calibration(record: CalibrationRecord) -> Iterator[Found]:
    yield FigureKey("slope"), record.slope.value, record.slope.ci
    yield FigureKey("intercept"), record.intercept.value, record.intercept.ci


def _of_limits(record: DetectionRecord) -> Iterator[Found]:
    limits = {"detection_limit": record.detection_limit, "quantification_limit": record.quantification_limit}
    for name, limit in limits.items():
        if isinstance(limit, DeclaredLimit):
            yield FigureKey(name, what=limit.variant), limit.value, limit.ci


def _of_precision(record: PrecisionRecord) -> Iterator[Found]:
    estimates = {
        "repeatability_rsd": record.repeatability_rsd,
        "intermediate_rsd": record.intermediate_rsd,
    }
    for name, found in estimates.items():
        if isinstance(found, EstimateRecord):
            yield FigureKey(name, record.level), found.value, found.ci
