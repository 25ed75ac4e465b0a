"""Precision at each level, grouped by what the study records of the conditions."""

from __future__ import annotations

from typing import TYPE_CHECKING

from msgspec import Struct
from msgspec.structs import replace

from validator.errors import NotEstimable
from validator.evaluation.convert import not_assessed
from validator.evaluation.factors import Grouping, grouping, laboratories, within_laboratories
from validator.evaluation.interlaboratory import interlaboratory
from validator.evaluation.outliers import outlier_records, removal
from validator.evaluation.precision_components import split_within, within_laboratory
from validator.evaluation.predicted_precision import share_of, with_prediction
from validator.evaluation.results import EstimateRecord, ExcludedPoint, NotAssessed, PrecisionRecord
from validator.evaluation.rows import Cell, Value, excluded, independent_values, kept, runs_of
from validator.study.models.precision import PrecisionRun

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from validator.evaluation.concentrations import SignalReader
    from validator.evaluation.factors import Factor
    from validator.evaluation.results import RemovalRecord
    from validator.study import Study
    from validator.study.models.analysis import AnalysisChoices
    from validator.study.models.method import Analyte


def precision(study: Study, cell: Cell, reader: SignalReader) -> tuple[PrecisionRecord, ...] | NotAssessed:
    """Precision of *cell* by level, excluded readings left out and their effect shown."""
    runs = [run for run in runs_of(study.precision, cell) if isinstance(run, PrecisionRun)]
    if not runs:
        return NotAssessed(
            not_assessed="no precision data were provided",
            needs="replicates of the same material (for intermediate precision, on several days)",
        )
    at = _At(reader, study.analysis_for(cell.analyte), study.analyte(cell.analyte), share_of(study))
    by_level: dict[float, list[PrecisionRun]] = {}
    for run in runs:
        by_level.setdefault(run.level, []).append(run)
    return tuple(_at_level(level, here, at) for level, here in sorted(by_level.items()))


_SCATTER = (
    *("repeatability_sd", "repeatability_rsd", "between_sd", "intermediate_sd", "intermediate_rsd"),
    *("reproducibility_sd", "reproducibility_rsd"),
)


def without_scatter(
    records: tuple[PrecisionRecord, ...] | NotAssessed, below: Mapping[float, int]
) -> tuple[PrecisionRecord, ...] | NotAssessed:
    """The *records* without standard deviations at levels with results *below* a limit."""
    if isinstance(records, NotAssessed):
        return records

    def refused(record: PrecisionRecord, n: int) -> PrecisionRecord:
        told = "1 result is" if n == 1 else f"{n} results are"
        refusal = NotAssessed(
            not_assessed=f"{told} reported as less than a limit; a standard deviation is not assessed",
            needs="measured values",
        )
        return replace(record, **{one: refusal for one in _SCATTER if getattr(record, one) is not None})

    return tuple(
        refused(one, below[one.level]) if one.level is not None and one.level in below else one
        for one in records
    )


class _At(Struct, frozen=True):
    """What every level is evaluated with."""

    reader: SignalReader
    choices: AnalysisChoices
    analyte: Analyte
    horrat_share: float


def _at_level(level: float, here: Sequence[PrecisionRun], at: _At) -> PrecisionRecord:
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
    """The grouping factors in words and the values by their finest group, '' where nothing is recorded."""
    laboratory = laboratories(values)
    found = grouping(values) if laboratory is None else Grouping(laboratory.name, laboratory.labels)
    return found.name, found.groups(values)


def _record(level: float, runs: Sequence[PrecisionRun], at: _At) -> PrecisionRecord:
    values = independent_values(runs)
    try:
        return _figures(level, values, at)
    except NotEstimable as refusal:
        return _refused(level, values, refusal)


def _figures(level: float, values: Sequence[Value], at: _At) -> PrecisionRecord:
    if not values:
        raise NotEstimable("all readings at this level are excluded", "replicates of the same material")
    laboratory = laboratories(values)
    if laboratory is None:
        record = _of_one_laboratory(level, at.reader.concentrations(values), grouping(values), at.choices)
    else:
        record = _over_laboratories(level, values, laboratory, at)
    return with_prediction(record, at.analyte, at.horrat_share)


def _of_one_laboratory(
    level: float, results: Sequence[float], groups: Grouping, choices: AnalysisChoices
) -> PrecisionRecord:
    def without(suspects: frozenset[int]) -> RemovalRecord:
        places = [place for place in range(len(results)) if place not in suspects]
        left = [results[place] for place in places]
        figures = within_laboratory(level, left, groups.kept(places), choices.confidence)
        return removal(figures, [results[place] for place in sorted(suspects)])

    return replace(
        within_laboratory(level, results, groups, choices.confidence),
        outlier_tests=outlier_records(results, groups.labels, alpha=choices.alpha, without=without),
    )


def _over_laboratories(level: float, values: Sequence[Value], laboratory: Factor, at: _At) -> PrecisionRecord:
    by_laboratory = Grouping(laboratory.name, laboratory.labels).groups(values)
    readings = {label: at.reader.concentrations(members) for label, members in by_laboratory.items()}
    record = interlaboratory(level, readings, at.choices.confidence)
    within = within_laboratories(laboratory, values)
    if within is None:
        return record
    try:
        return split_within(record, at.reader.concentrations(values), within, at.choices.confidence)
    except NotEstimable:
        # too little data to split: what the laboratories report is taken as one condition each
        return record


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
