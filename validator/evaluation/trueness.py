"""Recovery by level, kind and matrix."""

from __future__ import annotations

from functools import partial
from typing import TYPE_CHECKING

from msgspec import Struct
from msgspec.structs import replace

from validator.errors import NotEstimable
from validator.evaluation.convert import attempt, equivalence_record
from validator.evaluation.factors import series_labels
from validator.evaluation.named_levels import same_level
from validator.evaluation.results import (
    CorrectionAdvice,
    EstimateRecord,
    ExcludedPoint,
    FoundOnAddedRecord,
    NotAssessed,
    RecoveryRecord,
)
from validator.evaluation.rows import (
    Cell,
    excluded,
    independent_values,
    kept,
    labels_or_none,
    runs_of,
)
from validator.statistics.found_on_added import correction_advised
from validator.statistics.found_on_added import found_on_added as regressed
from validator.statistics.interval import estimate_record, significance, two_sided_record
from validator.statistics.trueness import (
    Recovery,
    found_rsd_percent,
    known_level_recovery,
    reference_recovery,
    spike_recovery,
)
from validator.study.models.trueness import RecoveryRun

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from validator.statistics.interval import Estimate
    from validator.statistics.trueness import Kind
    from validator.study import Study

KINDS: Mapping[str, Kind] = {
    "spike": "spike",
    "reference_material": "reference",
    "known_solution": "level",
}
"""The forms of a recovery run, by the name of what its results are compared with."""


class _Group(Struct, frozen=True):
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
            not_assessed="no recovery data were provided",
            needs=(
                "spiked samples, a certified reference material, or solutions of independently known content"
            ),
        )
    confidence = study.analysis_for(cell.analyte).confidence
    return tuple(
        _record(group, equivalence_bounds(study, cell, group.level), confidence)
        for group in recovery_groups(runs)
    )


def recovery_groups(runs: Sequence[RecoveryRun]) -> list[_Group]:
    """The runs by kind, level and matrix, in order of level."""
    groups: dict[tuple[str, float, str | None], list[RecoveryRun]] = {}
    for run in runs:
        groups.setdefault((run.kind, run.expected, run.matrix), []).append(run)
    ordered = sorted(groups.items(), key=lambda item: (item[0][0], item[0][1], item[0][2] or ""))
    return [_Group(*key, tuple(members)) for key, members in ordered]


def equivalence_bounds(study: Study, cell: Cell, level: float | None = None) -> tuple[float, float] | None:
    """The study's own two-sided limits of the mean recovery, percent: bounds of the equivalence test.

    A criterion that names the *level* comes before one that names none; one on trueness, the relative bias,
    serves where there is none on recovery. Without *level* only criteria for all levels count.
    """
    for characteristic, offset in (("recovery", 0.0), ("trueness", 100.0)):
        found = [
            (criterion.at is None, criterion.min + offset, criterion.max + offset)
            for criterion in study.criteria
            if criterion.characteristic == characteristic
            and criterion.analyte in (None, cell.analyte)
            and criterion.configuration in (None, cell.configuration)
            and (criterion.at is None or (level is not None and same_level(criterion.at, level)))
            and criterion.min is not None
            and criterion.max is not None
        ]
        for _, lower, upper in sorted(found, key=lambda one: one[0]):
            if lower < upper:
                return lower, upper
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
            total_content=_total(group.runs),
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
        with_excluded=None if isinstance(with_all, NotAssessed) else two_sided_record(with_all.mean_recovery),
    )


def _figures(group: _Group, bounds: tuple[float, float] | None, confidence: float) -> RecoveryRecord:
    runs = kept(group.runs)
    result = _computed(runs, bounds, confidence)
    values = [one for one in independent_values(runs) if isinstance(one.run, RecoveryRun)]
    return RecoveryRecord(
        level=result.level,
        kind=result.kind,
        matrix=group.matrix,
        total_content=_total(runs),
        n=result.n,
        series=result.series,
        mean_recovery=estimate_record(result.mean_recovery, result.reason),
        sd=result.sd,
        found_rsd_percent=found_rsd_percent(
            [one.value for one in values],
            [one.run.content for one in values if isinstance(one.run, RecoveryRun)],
        ),
        t=result.t,
        p_bias=result.p_bias,
        equivalence=equivalence_record(result.equivalence),
        reference_uncertainty_used=result.reference_uncertainty_used,
        native_uncertainty_used=result.native_uncertainty_used,
        scores=result.scores,
        correction=_correction(result.mean_recovery, confidence),
        method=result.method,
        values=result.values,
    )


def _total(runs: Sequence[RecoveryRun]) -> float:
    contents = [run.content for run in runs]
    first = contents[0]
    return first + sum(one - first for one in contents) / len(contents)


def _correction(mean_recovery: Estimate, confidence: float) -> CorrectionAdvice | None:
    try:
        return correction_advised(mean_recovery, confidence=confidence)
    except NotEstimable:
        # without a standard error nothing can be said of it, which the recovery itself tells
        return None


def found_on_added(study: Study, cell: Cell) -> tuple[FoundOnAddedRecord, ...]:
    """The line of what was found on what was added or known; one for each matrix with two levels or more."""
    runs = [
        run
        for run in kept(runs_of(study.recovery, cell))
        if isinstance(run, RecoveryRun) and run.kind != "reference_material"
    ]
    by_matrix: dict[str | None, list[RecoveryRun]] = {}
    for run in runs:
        by_matrix.setdefault(run.matrix, []).append(run)
    confidence = study.analysis_for(cell.analyte).confidence
    records = [attempt(partial(_line, matrix, some, confidence)) for matrix, some in by_matrix.items()]
    return tuple(one for one in records if isinstance(one, FoundOnAddedRecord))


def _line(matrix: str | None, runs: Sequence[RecoveryRun], confidence: float) -> FoundOnAddedRecord:
    added: list[float] = []
    found: list[float] = []
    for value in independent_values(runs):
        run = value.run
        if isinstance(run, RecoveryRun):
            added.append(run.expected)
            found.append(value.value - (run.native or 0.0))
    line = regressed(added, found, confidence=confidence)
    return FoundOnAddedRecord(
        matrix=matrix,
        n=line.n,
        levels=len(set(added)),
        slope=two_sided_record(line.slope),
        intercept=two_sided_record(line.intercept),
        residual_standard_deviation=line.residual_standard_deviation,
        joint_test=significance(line.joint_test),
    )


def _computed(runs: Sequence[RecoveryRun], bounds: tuple[float, float] | None, confidence: float) -> Recovery:
    values = independent_values(runs)
    if not values:
        raise NotEstimable("all recoveries at this level are excluded", "results that are not excluded")
    found = [value.value for value in values]
    origins = [value.run for value in values if isinstance(value.run, RecoveryRun)]
    series = labels_or_none(series_labels(origins))
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
