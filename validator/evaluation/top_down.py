"""Within-laboratory reproducibility as a part of a top-down uncertainty, from the study's data."""

from __future__ import annotations

import math
from bisect import bisect_left
from typing import TYPE_CHECKING, Literal

import numpy as np
from msgspec import Struct, structs

from validator.errors import NotEstimable
from validator.evaluation.results import EstimateRecord, NotAssessed, PartRecord
from validator.evaluation.rows import kept, runs_of
from validator.statistics import within_laboratory_uncertainty
from validator.statistics.level_dependent_uncertainty import LevelDependentUncertainty, fit_level_dependence
from validator.statistics.uncertainty_budget import BudgetRow
from validator.statistics.uncertainty_part import UncertaintyPart
from validator.study.models.precision import PrecisionRun
from validator.study.models.trueness import ComparisonRun

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from validator.evaluation.results import PrecisionRecord
    from validator.evaluation.rows import Cell
    from validator.study import Study
    from validator.study.models.uncertainty import WithinLaboratory

Basis = Literal["measured", "interpolated", "extrapolated", "stated"]

SAME_LEVEL = 1e-6
"""Levels within this relative difference are one: they come from one number written twice."""


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


def same_level(one: float, other: float) -> bool:
    """True for one level written twice."""
    return math.isclose(one, other, rel_tol=SAME_LEVEL)


def place_of_level(levels: Sequence[float], level: float) -> int | None:
    """The place of *level* among rising *levels*; None where it is not one of them."""
    at = bisect_left(levels, level - SAME_LEVEL * abs(level))
    return at if at < len(levels) and same_level(levels[at], level) else None


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
            part = within_laboratory_uncertainty.from_control_limits(
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
    return within_laboratory_uncertainty.from_duplicates(
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
