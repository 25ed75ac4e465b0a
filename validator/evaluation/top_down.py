"""The parts of a top-down uncertainty from the study's data: reproducibility and bias."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Literal

import numpy as np
from msgspec import Struct, structs

from validator.errors import NotEstimable
from validator.evaluation.factors import series_labels
from validator.evaluation.named_levels import place_of_level
from validator.evaluation.results import EstimateRecord, NotAssessed, PartRecord
from validator.evaluation.rows import independent_values, kept, labels_or_none, runs_of
from validator.evaluation.trueness import recovery_groups
from validator.statistics import top_down
from validator.statistics.level_dependence import LevelDependentUncertainty, fit_level_dependence
from validator.statistics.sample import mean_of_series
from validator.statistics.top_down import UncertaintyPart
from validator.statistics.uncertainty_budget import BudgetRow
from validator.study.models.precision import PrecisionRun
from validator.study.models.trueness import ComparisonRun, RecoveryRun

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from validator.evaluation.results import PrecisionRecord, RecoveryRecord
    from validator.evaluation.rows import Cell
    from validator.study import Study
    from validator.study.models.uncertainty import Bias, WithinLaboratory


Basis = Literal["measured", "interpolated", "extrapolated", "stated"]


class Part(Struct, frozen=True):
    """A part of an uncertainty, ready for a budget at any level.

    Attributes:
        record: how it was found; its figure is absent where it depends on the level.
        rows: its rows for a result at a level, in the unit of the level.
        basis: how the rows at a level were found.
        levels: levels at which it was measured.
    """

    record: PartRecord
    rows: Callable[[float], tuple[BudgetRow, ...]]
    basis: Callable[[float], Basis]
    levels: tuple[float, ...] = ()


def within_laboratory(
    study: Study,
    cell: Cell,
    precision: Sequence[PrecisionRecord] | NotAssessed,
    declared: WithinLaboratory | None,
) -> Part:
    """Within-laboratory reproducibility, from intermediate precision unless the study names another source.

    Raises:
        NotEstimable: the source holds nothing, or the study leaves this part out.
    """
    origin = declared.origin if declared is not None else "precision"
    match origin:
        case "none":
            raise NotEstimable(
                "the study excludes within-laboratory reproducibility from the uncertainty",
                "key within_laboratory: from precision",
            )
        case "control limits":
            assert declared is not None
            assert declared.limits is not None
            part = top_down.from_control_limits(
                declared.limits,
                factor=declared.factor,
                relative=declared.relative,
                degrees_of_freedom=declared.degrees_of_freedom or math.inf,
            )
            return stated_part(part, declared.source or "control chart")
        case "duplicates":
            return stated_part(
                _duplicates(study, cell, precision), "duplicates of samples and precision runs"
            )
        case "precision":
            return _of_precision(precision)


def _of_precision(precision: Sequence[PrecisionRecord] | NotAssessed) -> Part:
    if isinstance(precision, NotAssessed):
        raise NotEstimable(precision.not_assessed, precision.needs)
    known = [
        (record, wide)
        for record in precision
        if (wide := _wide(record)) is not None and record.level and record.level > 0
    ]
    if not known:
        raise NotEstimable(
            "only repeatability is available, which does not include the between-series variation",
            "precision data in several series (days, operators)",
        )
    known.sort(key=lambda one: one[0].level or 0.0)
    levels = [record.level or 0.0 for record, _ in known]
    sds = [wide.value or 0.0 for _, wide in known]
    nus = [wide.degrees_of_freedom or math.inf for _, wide in known]
    function = _function(levels, sds, nus)
    between = known[0][0].factor == "laboratory"
    name = "reproducibility between laboratories" if between else "intermediate precision"

    def rows(level: float) -> tuple[BudgetRow, ...]:
        here = place_of_level(levels, level)
        u = float(function.at(level)) if here is None else sds[here]
        nu = min(nus) if here is None else nus[here]
        source = "precision runs" + (", by the dependence on the level" if here is None else "")
        return (
            BudgetRow(
                name=name,
                value=u,
                standard_uncertainty=u,
                evaluation="A",
                degrees_of_freedom=nu,
                source=source,
            ),
        )

    def basis(level: float) -> Basis:
        if place_of_level(levels, level) is not None:
            return "measured"
        return "interpolated" if levels[0] < level < levels[-1] else "extrapolated"

    return Part(
        record=PartRecord(
            method=f"{name}, {', '.join(_plural(record.groups, record.factor) for record, _ in known[:1])}",
            n=sum(record.n for record, _ in known),
            lowest=levels[0],
            highest=levels[-1],
            note=""
            if len(levels) > 1
            else "estimated at one level; assumed proportional to the level elsewhere",
        ),
        rows=rows,
        basis=basis,
        levels=tuple(levels),
    )


def _plural(groups: int, factor: str | None) -> str:
    name = factor or "series"
    if groups == 1 or name.endswith("s"):
        return f"{groups} {name}"
    return f"{groups} {'laboratories' if name == 'laboratory' else f'{name}s'}"


def _wide(record: PrecisionRecord) -> EstimateRecord | None:
    """Intermediate precision, or reproducibility where the groups are laboratories."""
    figure = record.intermediate_sd if record.reproducibility_sd is None else record.reproducibility_sd
    return figure if isinstance(figure, EstimateRecord) and figure.value else None


def _function(
    levels: Sequence[float], sds: Sequence[float], nus: Sequence[float]
) -> LevelDependentUncertainty:
    if len(levels) == 1:
        return LevelDependentUncertainty(s0=0.0, s1=sds[0] / levels[0])
    return fit_level_dependence(levels, sds, degrees_of_freedom=nus).function


def _duplicates(
    study: Study, cell: Cell, precision: Sequence[PrecisionRecord] | NotAssessed
) -> UncertaintyPart:
    pairs = duplicate_results(study, cell)
    if not pairs:
        raise NotEstimable(
            "no sample was measured in duplicate by this method",
            (
                "duplicates of routine samples: comparison data with two results of this method per "
                "sample, or precision data with two concentrations each"
            ),
        )
    return top_down.from_duplicates(
        np.array(pairs), relative=True, between_batches=_between_batches(precision)
    )


def duplicate_results(study: Study, cell: Cell) -> list[tuple[float, float]]:
    """Pairs of results of one sample each: of this method in comparisons, else of precision runs."""
    compared = [
        (run.this_values[0], run.this_values[1])
        for run in kept(runs_of(study.comparison, cell))
        if isinstance(run, ComparisonRun) and len(run.this_values) == len(run.this_method) == 2
    ]
    return compared or [
        (run.values[0], run.values[1])
        for run in kept(runs_of(study.precision, cell))
        if isinstance(run, PrecisionRun)
        and (run.axis, run.preparation) == ("concentration", "independent")
        and len(run.values) == 2
    ]


def _between_batches(precision: Sequence[PrecisionRecord] | NotAssessed) -> UncertaintyPart | None:
    """Relative scatter between series of the precision runs, root mean square over the levels."""
    if isinstance(precision, NotAssessed):
        return None
    known = [
        (100 * record.between_sd.value / record.mean.value, record)
        for record in precision
        if isinstance(record.between_sd, EstimateRecord)
        and record.between_sd.value is not None
        and record.mean.value
        and record.mean.value > 0
        and record.groups > 1
    ]
    if not known:
        return None
    u = math.sqrt(sum(percent**2 for percent, _ in known) / len(known))
    levels = [record.mean.value or 0.0 for _, record in known]
    return UncertaintyPart(
        rows=(
            BudgetRow(
                name="between batches",
                value=u,
                standard_uncertainty=u,
                evaluation="A",
                degrees_of_freedom=float(sum(record.groups - 1 for _, record in known)),
            ),
        ),
        relative=True,
        n=sum(record.groups for _, record in known),
        lowest=min(levels),
        highest=max(levels),
        method="scatter between series of the precision runs",
    )


def stated_part(part: UncertaintyPart, source: str, *, note: str = "") -> Part:
    """A part that is one figure, absolute or in percent, for all levels."""
    rows = tuple(
        structs.replace(row, source=row.source or source) for row in part.rows if row.standard_uncertainty > 0
    )

    def at(level: float) -> tuple[BudgetRow, ...]:
        if not part.relative:
            return rows
        return tuple(structs.replace(row, sensitivity=row.sensitivity * abs(level) / 100) for row in rows)

    return Part(
        record=PartRecord(
            method=part.method,
            n=part.n,
            lowest=part.lowest,
            highest=part.highest,
            standard_uncertainty=part.standard_uncertainty,
            relative=part.relative,
            note="; ".join(text for text in (part.note, note) if text),
        ),
        rows=at,
        basis=lambda _level: "stated",
    )


NO_ADDITION = "the uncertainty of the added amounts is not included"
NO_REFERENCE = "no uncertainty is stated for a reference value, so none is included"


def bias(
    study: Study,
    cell: Cell,
    recovery: Sequence[RecoveryRecord] | NotAssessed,
    declared: Bias | None,
) -> Part:
    """Bias, from reference materials where there are any, else from recovery, unless the study says where.

    Raises:
        NotEstimable: the source holds nothing, or the study leaves this part out.
    """
    records = () if isinstance(recovery, NotAssessed) else recovery
    origin = declared.origin if declared is not None else None
    if origin is None:
        has_reference = any(one.kind == "reference" and one.n for one in records)
        origin = "reference materials" if has_reference else "recovery"
    match origin:
        case "none":
            raise NotEstimable(
                "the study excludes bias from the uncertainty",
                "key bias: from recovery or from reference materials",
            )
        case "stated" if declared is not None and declared.rounds:
            return _of_rounds(declared)
        case "stated":
            assert declared is not None
            assert declared.value is not None
            assert declared.standard_uncertainty is not None
            part = top_down.from_stated_bias(
                declared.value, declared.standard_uncertainty, relative=declared.relative
            )
            return stated_part(part, declared.source or "stated in the study")
        case "reference materials":
            return _of_references(study, cell)
        case "recovery":
            addition = declared.addition_uncertainty_percent if declared is not None else None
            return _of_recoveries(records, addition)


def _of_references(study: Study, cell: Cell) -> Part:
    groups = [
        (group, independent_values(kept(group.runs)))
        for group in recovery_groups(
            [run for run in runs_of(study.recovery, cell) if isinstance(run, RecoveryRun)]
        )
        if group.kind == "reference_material"
    ]
    groups = [(group, values) for group, values in groups if values]
    if not groups:
        raise NotEstimable(
            "no results of reference materials were provided", "recovery data with a reference value"
        )
    references = [group.level for group, _ in groups]
    stated = [
        [run.reference_uncertainty for run in kept(group.runs) if run.reference_uncertainty is not None]
        for group, _ in groups
    ]
    us = [max(some, default=0.0) for some in stated]
    found = [np.array([value.value for value in values]) for _, values in groups]
    series = [labels_or_none(series_labels([value.run for value in values])) for _, values in groups]
    if len(groups) == 1:
        part = top_down.from_reference_material(
            found[0], references[0], us[0], series=series[0], relative=True
        )
    else:
        means = [mean_of_series(some, labels)[0] for some, labels in zip(found, series, strict=True)]
        part = top_down.from_reference_materials(means, references, us, relative=True)
    return stated_part(part, "recovery data with a reference value", note="" if all(stated) else NO_REFERENCE)


def _of_rounds(declared: Bias) -> Part:
    """Results of the laboratory in interlaboratory comparisons, in percent of the assigned values."""
    rounds = declared.rounds
    part = top_down.from_interlaboratory_rounds(
        [one.result for one in rounds],
        [one.assigned for one in rounds],
        [one.reproducibility_sd for one in rounds],
        [one.laboratories for one in rounds],
        robust=[one.robust for one in rounds],
        relative=True,
    )
    return stated_part(part, declared.source or "interlaboratory comparisons")


def _of_recoveries(records: Sequence[RecoveryRecord], addition: float | None) -> Part:
    known = [
        (one, one.mean_recovery.value)
        for one in records
        if one.kind != "reference" and one.mean_recovery.value is not None
    ]
    if not known:
        raise NotEstimable(
            "no recovery data from which bias could be estimated were provided",
            "spiked samples, a certified reference material, or solutions of independently known content",
        )
    source = "recovery runs"
    if len(known) == 1:
        only, mean = known[0]
        part = top_down.from_stated_bias(
            mean - 100,
            math.hypot(only.mean_recovery.standard_error or 0.0, addition or 0.0),
            relative=True,
            level=only.level,
        )
        part = structs.replace(part, method="one recovery", n=only.n)
    else:
        part = top_down.from_recoveries(
            [mean for _, mean in known], addition or 0.0, levels=[one.level for one, _ in known]
        )
    return stated_part(part, source, note="" if addition is not None else NO_ADDITION)
