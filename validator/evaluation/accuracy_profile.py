"""The accuracy profile: results of known levels in series, against the error that the use allows for."""

from __future__ import annotations

from typing import TYPE_CHECKING, Literal

from msgspec import Struct

from validator.errors import NotEstimable
from validator.evaluation.convert import not_assessed
from validator.evaluation.factors import series_labels
from validator.evaluation.precision import grouped
from validator.evaluation.results import (
    AccuracyLevelRecord,
    AccuracyProfileRecord,
    NotAssessed,
    RefusedLevel,
)
from validator.evaluation.rows import independent_values, kept, runs_of
from validator.records import finite
from validator.statistics.accuracy_profile import AccuracyProfile, ProfileLevel
from validator.statistics.accuracy_profile import accuracy_profile as over_levels
from validator.statistics.interval import Estimate
from validator.study.models.precision import PrecisionRun
from validator.study.models.trueness import RecoveryRun

if TYPE_CHECKING:
    from validator.evaluation.concentrations import SignalReader
    from validator.evaluation.rows import Cell, Value
    from validator.study import Study
    from validator.study.models.analysis import AccuracyProfileChoices

Source = Literal["precision", "recovery"]
Series = dict[float, list[list[float]]]
"""Results by level and series."""

NOT_DECLARED = NotAssessed(
    not_assessed="no acceptance limit for the total error is declared",
    needs="an acceptance limit for the total error, and results at known levels in series",
)


class Profile(Struct, frozen=True):
    """The record, and the profile behind it for the limit that rests on it."""

    record: AccuracyProfileRecord | NotAssessed
    found: AccuracyProfile | None = None


def accuracy_profile(study: Study, cell: Cell, reader: SignalReader) -> Profile:
    """Accuracy of future results of *cell* by level."""
    choices = study.analysis_for(cell.analyte).accuracy_profile
    if choices is None:
        return Profile(NOT_DECLARED)
    try:
        source, results = _results(study, cell, reader, choices.data)
        found = over_levels(
            list(results),
            list(results.values()),
            acceptance_percent=choices.acceptance_percent,
            beta=choices.beta,
            gamma=choices.gamma,
            decided_by=choices.decided_by,
        )
    except NotEstimable as refusal:
        return Profile(not_assessed(refusal))
    return Profile(_record(found, source, choices), found)


def _results(
    study: Study, cell: Cell, reader: SignalReader, declared: Source | None
) -> tuple[Source, Series]:
    """Results of the declared block; else of precision where they are in series, else of recovery."""
    by_precision = _of_precision(study, cell, reader) if declared != "recovery" else {}
    if declared == "precision" or any(len(series) > 1 for series in by_precision.values()):
        return "precision", _some(by_precision, "precision")
    by_recovery = _of_recovery(study, cell)
    if declared == "recovery" or by_recovery:
        return "recovery", _some(by_recovery, "recovery")
    return "precision", _some(by_precision, "precision or recovery")


def _some(results: Series, block: str) -> Series:
    if not results:
        raise NotEstimable(
            f"no {block} results above level 0 were provided",
            "results at known levels in at least 2 series and at least 3 levels",
        )
    return results


def _of_precision(study: Study, cell: Cell, reader: SignalReader) -> Series:
    runs = [run for run in kept(runs_of(study.precision, cell)) if isinstance(run, PrecisionRun)]
    found: Series = {}
    for level in sorted({run.level for run in runs if run.level > 0}):
        values = independent_values([run for run in runs if run.level == level])
        _, groups = grouped(values)
        found[level] = [reader.concentrations(members) for members in groups.values()]
    return found


def _of_recovery(study: Study, cell: Cell) -> Series:
    runs = [run for run in kept(runs_of(study.recovery, cell)) if isinstance(run, RecoveryRun)]
    found: dict[float, dict[str, list[float]]] = {}
    values = independent_values(runs)
    for value, label in zip(values, series_labels([value.run for value in values]), strict=True):
        run = value.run
        if isinstance(run, RecoveryRun):
            found.setdefault(run.expected, {}).setdefault(label or "", []).append(_net(value, run))
    return {level: list(series.values()) for level, series in sorted(found.items())}


def _net(value: Value, run: RecoveryRun) -> float:
    """What was found of the known amount: without the native content of a spiked sample."""
    return value.value - (run.native or 0.0)


def _record(found: AccuracyProfile, source: Source, choices: AccuracyProfileChoices) -> AccuracyProfileRecord:
    return AccuracyProfileRecord(
        data=source,
        acceptance_percent=choices.acceptance_percent,
        beta=found.beta,
        gamma=found.gamma,
        decided_by=found.decided_by,
        levels=tuple(_level(one) for one in found.levels),
        refused=tuple(
            RefusedLevel(level=level, reason=not_assessed(reason)) for level, reason in found.not_estimable
        ),
        ranges=found.ranges,
        valid_range=found.valid_range,
        quantification_limit=found.quantification_limit,
        interrupted=found.interrupted,
    )


def _level(one: ProfileLevel) -> AccuracyLevelRecord:
    return AccuracyLevelRecord(
        level=one.level,
        n=one.n,
        series=one.series,
        mean=one.mean,
        relative_bias_percent=one.relative_bias_percent,
        repeatability_sd=one.repeatability_sd.value if isinstance(one.repeatability_sd, Estimate) else None,
        intermediate_sd=one.intermediate_sd.value if isinstance(one.intermediate_sd, Estimate) else None,
        degrees_of_freedom=finite(one.degrees_of_freedom),
        expectation=(one.expectation.lower, one.expectation.upper),
        content=(one.content.lower, one.content.upper),
        acceptance_percent=one.acceptance_percent,
        risk_outside=one.risk_outside,
        inside=one.inside,
        method=one.method,
    )
