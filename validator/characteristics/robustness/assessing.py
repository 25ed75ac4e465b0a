"""Robustness: effects of settings changed on purpose."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np
from msgspec import Struct
from msgspec.structs import replace

from validator import numbers
from validator.assessment.caveats.raising import Raised, Subject, Trigger
from validator.assessment.observation import Observation, Sought, Units, figure
from validator.characteristics.robustness.runs import RobustnessBlock, RobustnessRun
from validator.characteristics.robustness.statistic import factor_effects, one_at_a_time
from validator.errors import NotEstimable
from validator.evaluation.chosen_guidance import own_criterion
from validator.evaluation.convert import attempt
from validator.evaluation.rows import Cell, excluded, excluded_points, independent_values, kept
from validator.records import EstimateRecord, NotAssessed

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from numpy.typing import NDArray

    from validator.characteristics.robustness.results import FactorEffectRecord, RobustnessRecord
    from validator.characteristics.robustness.runs import Factor
    from validator.evaluation.given import Given
    from validator.study import Study

FEW_FACTORS = 3
"""Factors below which robustness was hardly tried (customary)."""
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


def evaluate(given: Given) -> RobustnessRecord | NotAssessed:
    """Effects of the factors that were varied."""
    study, cell = given.study, given.cell
    block, runs = given.block("robustness", RobustnessBlock), given.runs("robustness", RobustnessRun)
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


def _effects(found: RobustnessRecord, _units: Units) -> Iterator[Observation]:
    """Every effect in percent of the mean result, with its sign."""
    for effect in found.effects:
        yield figure(effect.effect_percent, what=factor_name(effect), n=found.results)


def _effects_p(found: RobustnessRecord, _units: Units) -> Iterator[Observation]:
    for effect in found.effects:
        p = effect.p if effect.p_adjusted is None else effect.p_adjusted
        yield Observation(
            estimate=EstimateRecord(value=p, reason=found.reason),
            kind="probability",
            sought=_effect_of(effect),
            what=factor_name(effect),
            n=found.results,
        )


def _effect_of(effect: FactorEffectRecord) -> tuple[Sought, ...]:
    found = effect.effect_percent
    return () if isinstance(found, NotAssessed) else (Sought("the effect", None, found, "effect"),)


def factor_name(effect: FactorEffectRecord) -> str:
    """The factor, with the way it was changed in a one-at-a-time design."""
    return effect.factor if effect.setting is None else f"{effect.factor}, {effect.setting}"


def few_robustness_factors(subject: Subject) -> Trigger:
    """Robustness was tried with few factors."""
    found: RobustnessRecord | NotAssessed = subject.record.of("robustness")
    factors = set() if isinstance(found, NotAssessed) else {effect.factor for effect in found.effects}
    if 0 < len(factors) < FEW_FACTORS:
        yield Raised(
            id="few_robustness_factors",
            case="few_factors",
            values={"factors": numbers.counted(len(factors), "factor was", "factors were")},
        )


def conditions_to_hold(subject: Subject) -> Trigger:
    """The significant effects, unless allowed or lost in the scatter of results: settings to be held."""
    found: RobustnessRecord | NotAssessed = subject.record.of("robustness")
    if isinstance(found, NotAssessed):
        return
    allowed = subject.scatter_percent or 0.0 if found.allowed_percent is None else found.allowed_percent
    real = {
        effect.factor: (abs(value), value, effect)
        for effect in sorted(found.effects, key=lambda one: abs(one.effect_percent.value or 0.0))
        if effect.significant
        and (value := effect.effect_percent.value) is not None
        and (abs(value) > allowed if effect.beyond_allowed is None else effect.beyond_allowed)
    }
    if not real:
        return
    ordered = sorted(real.values(), key=lambda one: -one[0])
    yield Raised(
        id="conditions_to_hold",
        case="effect_found",
        values={
            "effects": "; ".join(_told(value, effect, allowed) for _, value, effect in ordered),
            "allowance": _allowance(found, allowed),
        },
        effect=ordered[0][0] / allowed if allowed else None,
    )


def _allowance(found: RobustnessRecord, allowed: float) -> str:
    """What the effects are held against, in words."""
    if found.allowed_percent is not None:
        return f"{numbers.as_given(allowed)} %, as declared"
    if not allowed:
        return "none, since no precision data were provided"
    return f"{numbers.significant(allowed, 2)} %, the relative standard deviation of results"


def _told(value: float, effect: FactorEffectRecord, allowed: float) -> str:
    """One effect, and the settings between which it would be as large as allowed."""
    size = numbers.significant(value, 2)
    high = numbers.quantity(effect.high, effect.unit or "")
    text = f"{size} % when {factor_name(effect)} changes from {effect.low} to {high}"
    try:
        low_end, high_end = float(effect.low), float(effect.high)
    except ValueError:
        return text
    reach = abs(high_end - low_end) / 2 * allowed / abs(value)
    if not reach:
        return text
    step = 10.0 ** (math.floor(math.log10(reach)) - 1)
    narrowed = numbers.significant(math.floor(reach / step) * step, 2)  # inward, never beyond the allowance
    return f"{text} (within the allowance at ±{numbers.quantity(narrowed, effect.unit or '')})"


READERS = {"min": _effects, "max": _effects, "p_min": _effects_p}
TRIGGERS = (few_robustness_factors, conditions_to_hold)
