"""Precision at each level, grouped by what the study records of the conditions."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

from validator.errors import NotEstimable
from validator.evaluation.convert import (
    estimate_record,
    figure_record,
    not_assessed,
    one_sided_level,
)
from validator.evaluation.interlaboratory import interlaboratory
from validator.evaluation.outliers import outlier_records
from validator.evaluation.predicted_precision import with_prediction
from validator.evaluation.results import (
    EstimateRecord,
    ExcludedPoint,
    NotAssessed,
    PrecisionRecord,
)
from validator.evaluation.rows import Cell, Value, excluded, group_label, independent_values, kept, runs_of
from validator.statistics.precision import PrecisionResult, one_way, single_series
from validator.study.models.precision import PrecisionRun

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from validator.evaluation.concentrations import SignalReader
    from validator.study import Study
    from validator.study.models.analysis import AnalysisChoices
    from validator.study.models.method import Analyte

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
    at = _At(reader, study.analysis_for(cell.analyte), study.analyte(cell.analyte))
    return tuple(_at_level(level, runs, at) for level in sorted({run.level for run in runs}))


@dataclass(frozen=True, slots=True)
class _At:
    """What every level is evaluated with."""

    reader: SignalReader
    choices: AnalysisChoices
    analyte: Analyte


def _at_level(level: float, runs: Sequence[PrecisionRun], at: _At) -> PrecisionRecord:
    here = [run for run in runs if run.level == level]
    record = _record(level, kept(here), at)
    left_out = excluded(here)
    if not left_out:
        return record
    return replace(
        record,
        excluded=tuple(
            ExcludedPoint(level=level, value=value, place=run.place, cause=run.excluded or "")
            for run in left_out
            for value in run.values
        ),
        with_excluded=_record(level, here, at),
    )


def grouped(values: Sequence[Value]) -> tuple[str | None, dict[str, list[Value]]]:
    """The grouping factor and the values by group; one group under '' where nothing is recorded."""
    runs = [value.run for value in values]
    if not runs:
        return None, {}
    if _all_named(runs, "laboratory") and len({getattr(run, "laboratory", None) for run in runs}) > 1:
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


def _record(level: float, runs: Sequence[PrecisionRun], at: _At) -> PrecisionRecord:
    values = independent_values(runs)
    try:
        return _figures(level, values, at)
    except NotEstimable as refusal:
        return _refused(level, values, refusal)


def _figures(level: float, values: Sequence[Value], at: _At) -> PrecisionRecord:
    if not values:
        raise NotEstimable("no reading is left at this level", "replicates of the same material")
    factor, groups = grouped(values)
    readings = {label: at.reader.concentrations(members) for label, members in groups.items()}
    if factor == "laboratory":
        record = interlaboratory(level, readings, at.choices.confidence)
    else:
        record = _within_laboratory(level, factor, readings, at)
    return with_prediction(record, at.analyte)


def _refused(level: float, values: Sequence[Value], refusal: NotEstimable) -> PrecisionRecord:
    """A level without a figure stays in sight: it was planned, and its criteria are open."""
    why = not_assessed(refusal)
    between = bool(values) and grouped(values)[0] == "laboratory"
    return PrecisionRecord(
        level=level,
        n=len(values),
        groups=min(len(values), 1),
        mean=EstimateRecord(value=None, reason=refusal.reason),
        repeatability_sd=why,
        repeatability_rsd=why,
        between_sd=why,
        intermediate_sd=None if between else why,
        intermediate_rsd=None if between else why,
        reproducibility_sd=why if between else None,
        reproducibility_rsd=why if between else None,
        method="not assessed",
    )


def _within_laboratory(
    level: float, factor: str | None, groups: Mapping[str, Sequence[float]], at: _At
) -> PrecisionRecord:
    readings = list(groups.values())

    def computed(confidence: float) -> PrecisionResult:
        if len(readings) == 1:
            return single_series(readings[0], level=confidence)
        return one_way(readings, level=confidence)

    confidence = at.choices.confidence
    result, bound = computed(confidence), computed(one_sided_level(confidence))
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
        outlier_tests=outlier_records(groups, alpha=at.choices.alpha),
        method=result.method,
    )
