"""Precision at each level, grouped by what the study records of the conditions."""

from __future__ import annotations

from collections.abc import Sequence

from validator.errors import NotEstimable
from validator.evaluation.concentrations import SignalReader
from validator.evaluation.convert import attempt, estimate_record, figure_record, one_sided_level
from validator.evaluation.results import ExcludedPoint, NotAssessed, OutlierRecord, PrecisionRecord
from validator.evaluation.rows import Cell, Value, excluded, group_label, independent_values, kept, runs_of
from validator.statistics.precision import PrecisionResult, one_way, single_series
from validator.study import Study
from validator.study.models.precision import PrecisionRun

CONDITIONS = ("operator", "instrument")
"""Conditions that join the day in naming a group, where they change within it."""

LONE_FACTORS = ("operator", "instrument", "device")
"""What groups the readings where neither series, day nor date is recorded, in this order."""


def precision(study: Study, cell: Cell, reader: SignalReader) -> tuple[PrecisionRecord, ...] | NotAssessed:
    """Precision of *cell* by level, excluded readings left out and their effect shown."""
    runs = [run for run in runs_of(study.precision, cell) if isinstance(run, PrecisionRun)]
    if not runs:
        return NotAssessed(
            not_assessed="the study holds no precision runs",
            needs="replicates of the same material, on several days for intermediate precision",
        )
    confidence = study.analysis_for(cell.analyte).confidence
    levels = sorted({run.level for run in runs})
    records: list[PrecisionRecord] = []
    refusals: list[NotAssessed] = []
    for level in levels:
        record = attempt(lambda level=level: _at_level(level, runs, reader, confidence))  # type: ignore[misc]
        (refusals if isinstance(record, NotAssessed) else records).append(record)  # type: ignore[arg-type]
    if not records:
        return refusals[0]
    return tuple(records)


def _at_level(
    level: float, runs: Sequence[PrecisionRun], reader: SignalReader, confidence: float
) -> PrecisionRecord:
    here = [run for run in runs if run.level == level]
    record = _record(level, kept(here), reader, confidence)
    left_out = excluded(here)
    if not left_out:
        return record
    return record.model_copy(
        update={
            "excluded": tuple(
                ExcludedPoint(level=level, value=value, place=run.place, cause=run.excluded or "")
                for run in left_out
                for value in run.values
            ),
            "with_excluded": _record(level, here, reader, confidence),
        }
    )


def grouped(values: Sequence[Value]) -> tuple[str | None, dict[str, list[Value]]]:
    """The grouping factor and the values by group; one group under '' where nothing is recorded."""
    runs = [value.run for value in values]
    if _all_named(runs, "laboratory"):
        return "laboratory", _by(values, lambda value: str(getattr(value.run, "laboratory", "")))
    if all(group_label(run) is not None for run in runs):
        extra = [name for name in CONDITIONS if _varies_within_day(values, name)]
        name = " and ".join([_day_word(runs), *extra])
        return name, _by(
            values,
            lambda value: " / ".join(
                [group_label(value.run) or "", *(str(getattr(value.run, factor)) for factor in extra)]
            ),
        )
    for factor in LONE_FACTORS:
        if _all_named(runs, factor) and len({getattr(run, factor) for run in runs}) > 1:
            return factor, _by(values, lambda value, factor=factor: str(getattr(value.run, factor)))
    return None, {"": list(values)}


def _day_word(runs: Sequence[object]) -> str:
    first = runs[0]
    if getattr(first, "series", None) is not None:
        return "series"
    return "day"


def _all_named(runs: Sequence[object], factor: str) -> bool:
    return bool(runs) and all(getattr(run, factor, None) is not None for run in runs)


def _varies_within_day(values: Sequence[Value], factor: str) -> bool:
    seen: dict[str | None, set[str | None]] = {}
    for value in values:
        seen.setdefault(group_label(value.run), set()).add(getattr(value.run, factor))
    named = all(label is not None for labels in seen.values() for label in labels)
    return named and any(len(labels) > 1 for labels in seen.values())


def _by(values: Sequence[Value], label: object) -> dict[str, list[Value]]:
    groups: dict[str, list[Value]] = {}
    for value in values:
        groups.setdefault(label(value), []).append(value)  # type: ignore[operator]
    return groups


def _record(
    level: float, runs: Sequence[PrecisionRun], reader: SignalReader, confidence: float
) -> PrecisionRecord:
    values = independent_values(runs)
    if not values:
        raise NotEstimable(f"no reading is left at level {level:g}", "replicates of the same material")
    factor, groups = grouped(values)
    readings = [reader.concentrations(members) for members in groups.values()]
    result, bound = _computed(readings, confidence), _computed(readings, one_sided_level(confidence))
    return _as_record(level, factor, result, bound)


def _computed(readings: Sequence[Sequence[float]], confidence: float) -> PrecisionResult:
    if len(readings) == 1:
        return single_series(readings[0], level=confidence)
    return one_way(readings, level=confidence)


def _as_record(
    level: float, factor: str | None, result: PrecisionResult, bound: PrecisionResult
) -> PrecisionRecord:
    return PrecisionRecord(
        level=level,
        n=result.n,
        groups=result.groups,
        factor=factor,
        mean=estimate_record(result.mean, one_sided=bound.mean),
        repeatability_sd=figure_record(result.repeatability_sd, bound.repeatability_sd),
        repeatability_rsd=figure_record(result.repeatability_rsd, bound.repeatability_rsd),
        between_sd=figure_record(result.between_sd, bound.between_sd),
        intermediate_sd=figure_record(result.intermediate_sd, bound.intermediate_sd),
        intermediate_rsd=figure_record(result.intermediate_rsd, bound.intermediate_rsd),
        repeatability_limit=result.repeatability_limit,
        outlier_tests=_outliers(),
        method=result.method,
    )


def _outliers() -> tuple[OutlierRecord, ...]:
    return ()
