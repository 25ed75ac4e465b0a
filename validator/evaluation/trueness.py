"""Recovery by level, kind and matrix."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

from validator.errors import NotEstimable
from validator.evaluation.convert import attempt, estimate_record, one_sided_level
from validator.evaluation.results import (
    Equivalence,
    EstimateRecord,
    ExcludedPoint,
    NotAssessed,
    RecoveryRecord,
)
from validator.evaluation.rows import (
    Cell,
    excluded,
    group_label,
    independent_values,
    kept,
    labels_or_none,
    runs_of,
)
from validator.statistics.trueness import (
    Recovery,
    known_level_recovery,
    reference_recovery,
    spike_recovery,
)
from validator.study.models.trueness import RecoveryRun

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from validator.statistics.trueness import Kind
    from validator.study import Study

KINDS: Mapping[str, Kind] = {
    "spike": "spike",
    "reference_material": "reference",
    "known_solution": "level",
}
"""The forms of a recovery run, by the name of what its results are compared with."""


@dataclass(frozen=True, slots=True)
class _Group:
    """Recovery runs that make one figure: same kind, level and matrix."""

    kind: str
    level: float
    matrix: str | None
    runs: tuple[RecoveryRun, ...]


def recovery(study: Study, cell: Cell) -> tuple[RecoveryRecord, ...] | NotAssessed:
    """Recovery of *cell*: one record for each level, kind and matrix."""
    runs = [run for run in runs_of(study.recovery, cell) if isinstance(run, RecoveryRun)]
    if not runs:
        return NotAssessed(
            not_assessed="the study holds no recovery runs",
            needs="spiked samples, a certified reference material or independently known solutions",
        )
    confidence = study.analysis_for(cell.analyte).confidence
    bounds = equivalence_bounds(study, cell)
    return tuple(_record(group, bounds, confidence) for group in recovery_groups(runs))


def recovery_groups(runs: Sequence[RecoveryRun]) -> list[_Group]:
    """The runs by kind, level and matrix, in order of level."""
    groups: dict[tuple[str, float, str | None], list[RecoveryRun]] = {}
    for run in runs:
        groups.setdefault((run.kind, run.expected, run.matrix), []).append(run)
    ordered = sorted(groups.items(), key=lambda item: (item[0][0], item[0][1], item[0][2] or ""))
    return [_Group(*key, tuple(members)) for key, members in ordered]


def equivalence_bounds(study: Study, cell: Cell) -> tuple[float, float] | None:
    """The study's own two-sided recovery limits, if it states any: bounds of the equivalence test."""
    for criterion in study.criteria:
        applies = criterion.analyte in (None, cell.analyte) and criterion.configuration in (
            None,
            cell.configuration,
        )
        if applies and criterion.characteristic == "recovery" and None not in (criterion.min, criterion.max):
            assert criterion.min is not None
            assert criterion.max is not None
            return criterion.min, criterion.max
    return None


def _record(group: _Group, bounds: tuple[float, float] | None, confidence: float) -> RecoveryRecord:
    try:
        record = _figures(group, bounds, confidence)
    except NotEstimable as refusal:
        # a level without a figure stays in sight: it was planned, and its criteria are open
        record = RecoveryRecord(
            level=group.level,
            kind=KINDS[group.kind],
            matrix=group.matrix,
            n=0,
            mean_recovery=EstimateRecord(value=None, reason=refusal.reason),
        )
    left_out = excluded(group.runs)
    if not left_out:
        return record
    with_all = attempt(lambda: _computed(group.runs, None, confidence))
    return replace(
        record,
        excluded=tuple(
            ExcludedPoint(level=group.level, value=value, place=run.place, cause=run.excluded or "")
            for run in left_out
            for value in run.values
        ),
        with_excluded=None if isinstance(with_all, NotAssessed) else estimate_record(with_all.mean_recovery),
    )


def _figures(group: _Group, bounds: tuple[float, float] | None, confidence: float) -> RecoveryRecord:
    result = _computed(kept(group.runs), bounds, confidence)
    bound = _computed(kept(group.runs), None, one_sided_level(confidence))
    return RecoveryRecord(
        level=result.level,
        kind=result.kind,
        matrix=group.matrix,
        n=result.n,
        series=result.series,
        mean_recovery=estimate_record(
            result.mean_recovery, one_sided=bound.mean_recovery, reason=result.reason
        ),
        sd=result.sd,
        t=result.t,
        p_bias=result.p_bias,
        equivalence=_equivalence(result, bounds),
        reference_uncertainty_used=result.reference_uncertainty_used,
        method=result.method,
        values=result.values,
    )


def _equivalence(result: Recovery, bounds: tuple[float, float] | None) -> Equivalence | None:
    if result.equivalence is None or bounds is None:
        return None
    return Equivalence(lower=bounds[0], upper=bounds[1], passes=result.equivalence.passes)


def _computed(runs: Sequence[RecoveryRun], bounds: tuple[float, float] | None, confidence: float) -> Recovery:
    values = independent_values(runs)
    if not values:
        raise NotEstimable("every recovery at this level is excluded", "results that count")
    found = [value.value for value in values]
    origins = [value.run for value in values if isinstance(value.run, RecoveryRun)]
    series = labels_or_none([group_label(run) for run in origins])
    first = origins[0]
    match first.kind:
        case "spike":
            sds = [run.native_sd for run in origins if run.native_sd is not None]
            return spike_recovery(
                found,
                [run.native or 0.0 for run in origins],
                [run.expected for run in origins],
                native_sd=max(sds) if sds else None,
                series=series,
                equivalence_bounds=bounds,
                confidence=confidence,
            )
        case "reference_material":
            known = [run.reference_uncertainty for run in origins if run.reference_uncertainty is not None]
            return reference_recovery(
                found,
                first.expected,
                reference_uncertainty=max(known, default=None),
                series=series,
                equivalence_bounds=bounds,
                confidence=confidence,
            )
        case "known_solution":
            return known_level_recovery(
                found,
                [run.expected for run in origins],
                series=series,
                equivalence_bounds=bounds,
                confidence=confidence,
            )
