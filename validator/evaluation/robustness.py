"""Robustness: effects of settings changed on purpose."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
from msgspec import Struct
from msgspec.structs import replace

from validator.errors import NotEstimable
from validator.evaluation.chosen_guidance import own_criterion
from validator.evaluation.convert import attempt
from validator.evaluation.results import FactorEffectRecord, NotAssessed, RobustnessRecord
from validator.evaluation.rows import Cell, excluded, excluded_points, independent_values, kept, runs_of
from validator.statistics.robustness import factor_effects, one_at_a_time
from validator.study.models.robustness import RobustnessBlock, RobustnessRun

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from validator.study import Study
    from validator.study.models.robustness import Factor

DUMMY = "dummy"
"""A factor whose name begins so is a column without a factor: its effect is error."""


class _Experiments(Struct, frozen=True):
    """Runs of one design as arrays: settings of every result, and the results."""

    block: RobustnessBlock
    settings: NDArray[np.int64]
    results: NDArray[np.float64]
    allowed_percent: float | None
    confidence: float

    @property
    def names(self) -> list[str]:
        """Names of the factors."""
        return [factor.name for factor in self.block.factors]

    def allowed(self, mean: float) -> float | None:
        """Largest effect allowed, in the unit of the results."""
        return None if self.allowed_percent is None else self.allowed_percent / 100 * abs(mean)


def robustness(study: Study, cell: Cell) -> RobustnessRecord | NotAssessed:
    """Effects of the factors that were varied for *cell*."""
    block = study.robustness
    runs = [run for run in runs_of(block, cell) if isinstance(run, RobustnessRun)]
    if block is None or not runs:
        return NotAssessed(
            not_assessed="no robustness data were provided",
            needs="results with deliberately changed settings, for example seven factors in eight runs",
        )
    confidence = study.analysis_for(cell.analyte).confidence
    allowed = _allowed_percent(study, cell)
    record = attempt(lambda: _record(_experiments(block, kept(runs), allowed, confidence)))
    if isinstance(record, NotAssessed) or not excluded(runs):
        return record
    beside = attempt(lambda: _record(_experiments(block, runs, allowed, confidence)))
    return replace(
        record,
        excluded=excluded_points(runs),
        with_excluded=None if isinstance(beside, NotAssessed) else beside,
    )


def _allowed_percent(study: Study, cell: Cell) -> float | None:
    criterion = own_criterion(study, cell, "robustness", "min", "max")
    if criterion is None:
        return None
    return min(abs(end) for end in (criterion.min, criterion.max) if end is not None)


def _experiments(
    block: RobustnessBlock, runs: Sequence[RobustnessRun], allowed: float | None, confidence: float
) -> _Experiments:
    by_settings: dict[tuple[int, ...], list[RobustnessRun]] = {}
    for run in runs:
        by_settings.setdefault(run.settings, []).append(run)
    # repeated readings are averaged within one setting only
    values = [
        (settings, value.value)
        for settings, members in by_settings.items()
        for value in independent_values(members)
    ]
    if not values:
        raise NotEstimable("all robustness data are excluded", "data that are not excluded")
    return _Experiments(
        block,
        np.array([settings for settings, _ in values]),
        np.array([result for _, result in values]),
        allowed,
        confidence,
    )


def _record(experiments: _Experiments) -> RobustnessRecord:
    design = experiments.block.design
    found = _one_at_a_time(experiments) if design == "one_at_a_time" else _two_level(experiments)
    written = {factor.name: factor for factor in experiments.block.factors}
    return replace(
        found,
        design=design,
        effects=tuple(_as_written(one, written[one.factor]) for one in found.effects),
        allowed_percent=experiments.allowed_percent,
    )


def _two_level(experiments: _Experiments) -> RobustnessRecord:
    names = experiments.names
    return factor_effects(
        experiments.settings,
        experiments.results,
        names,
        dummies=[name for name in names if name.casefold().startswith(DUMMY)],
        levels=[_quantities(factor) for factor in experiments.block.factors],
        allowed_effect=experiments.allowed(float(experiments.results.mean())),
        confidence=experiments.confidence,
    )


def _one_at_a_time(experiments: _Experiments) -> RobustnessRecord:
    nominal = experiments.results[(experiments.settings == 0).all(axis=1)]
    return one_at_a_time(
        experiments.settings,
        experiments.results,
        experiments.names,
        allowed_effect=experiments.allowed(float(nominal.mean())) if nominal.size else None,
        confidence=experiments.confidence,
    )


def _as_written(effect: FactorEffectRecord, factor: Factor) -> FactorEffectRecord:
    return replace(effect, low=factor.low, high=factor.high, nominal=factor.nominal, unit=factor.unit)


def _quantities(factor: Factor) -> tuple[float, float] | None:
    """Low and high setting as numbers, where they are quantities."""
    try:
        return float(factor.low), float(factor.high)
    except ValueError:
        return None
