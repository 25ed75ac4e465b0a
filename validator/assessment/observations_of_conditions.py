"""Figures of matrix, conditions, time, devices, another method, uncertainty and accuracy profile."""

from __future__ import annotations

from typing import TYPE_CHECKING

from msgspec.structs import replace

from validator.assessment.observation import Observation, Reader, Sought, Units, figure, refused
from validator.evaluation.results import BudgetRecord, EstimateRecord, NotAssessed

if TYPE_CHECKING:
    from collections.abc import Iterator

    from validator.evaluation.results import (
        ConfigurationRecord,
        DeviceToDeviceRecord,
        FactorEffectRecord,
        FormulaRecord,
        SimulatedLevel,
    )


def _matrix_effect(record: ConfigurationRecord, _units: Units) -> Iterator[Observation]:
    if isinstance(record.matrix_effect, NotAssessed):
        yield refused(record.matrix_effect)
        return
    for entry in record.matrix_effect:
        yield figure(entry.effect_percent, what=entry.matrix, n=entry.n)


def _effects(record: ConfigurationRecord, _units: Units) -> Iterator[Observation]:
    """Every effect in percent of the mean result, with its sign."""
    if isinstance(record.robustness, NotAssessed):
        yield refused(record.robustness)
        return
    for effect in record.robustness.effects:
        yield figure(effect.effect_percent, what=factor_name(effect), n=record.robustness.results)


def _effects_p(record: ConfigurationRecord, _units: Units) -> Iterator[Observation]:
    if isinstance(record.robustness, NotAssessed):
        yield refused(record.robustness)
        return
    for effect in record.robustness.effects:
        p = effect.p if effect.p_adjusted is None else effect.p_adjusted
        yield Observation(
            estimate=EstimateRecord(value=p, reason=record.robustness.reason),
            kind="probability",
            sought=_effect_of(effect),
            what=factor_name(effect),
            n=record.robustness.results,
        )


def _effect_of(effect: FactorEffectRecord) -> tuple[Sought, ...]:
    found = effect.effect_percent
    return () if isinstance(found, NotAssessed) else (Sought("the effect", None, found, "effect"),)


def factor_name(effect: FactorEffectRecord) -> str:
    """The factor, with the way it was changed in a one-at-a-time design."""
    return effect.factor if effect.setting is None else f"{effect.factor}, {effect.setting}"


def _remaining(record: ConfigurationRecord, _units: Units) -> Iterator[Observation]:
    if isinstance(record.stability, NotAssessed):
        yield refused(record.stability)
        return
    for entry in record.stability:
        worst = entry.batches.worst if entry.batches else None
        what = entry.condition if worst is None else f"{entry.condition}, batch {worst}"
        yield figure(entry.remaining_percent, level=entry.level, what=what, n=entry.n)


def _device_rsd(record: ConfigurationRecord, _units: Units) -> Iterator[Observation]:
    if isinstance(record.device_to_device, NotAssessed):
        yield refused(record.device_to_device)
        return
    for entry in record.device_to_device:
        yield figure(entry.device_rsd, kind="deviation", level=entry.level, n=entry.devices)


def _device_sd(record: ConfigurationRecord, units: Units) -> Iterator[Observation]:
    if isinstance(record.device_to_device, NotAssessed):
        yield refused(record.device_to_device)
        return
    for entry in record.device_to_device:
        yield figure(
            entry.device_sd,
            unit=_unit(entry, units),
            kind="deviation",
            level=entry.level,
            n=entry.devices,
        )


def _unit(entry: DeviceToDeviceRecord, units: Units) -> str:
    return units.level if entry.axis == "concentration" else units.signal


def _use_rsd(record: ConfigurationRecord, _units: Units) -> Iterator[Observation]:
    entry = record.repeated_use
    if isinstance(entry, NotAssessed):
        yield refused(entry)
        return
    yield figure(entry.rsd, kind="deviation", n=entry.n)


def _use_remaining(record: ConfigurationRecord, _units: Units) -> Iterator[Observation]:
    entry = record.repeated_use
    if isinstance(entry, NotAssessed):
        yield refused(entry)
    elif isinstance(entry.decline, NotAssessed):
        yield refused(entry.decline)
    else:
        yield figure(entry.decline.remaining_percent, what=f"use no. {entry.last_use}", n=entry.devices)


def _difference(record: ConfigurationRecord, _units: Units) -> Iterator[Observation]:
    """Mean difference in percent of the mean of both methods, with its sign."""
    entry = record.comparison
    if isinstance(entry, NotAssessed):
        yield refused(entry)
    elif isinstance(entry.paired, NotAssessed):
        yield refused(entry.paired)
    else:
        yield figure(entry.paired.mean_difference_percent, n=entry.n)


def _difference_p(record: ConfigurationRecord, _units: Units) -> Iterator[Observation]:
    entry = record.comparison
    if isinstance(entry, NotAssessed):
        yield refused(entry)
    elif isinstance(entry.paired, NotAssessed):
        yield refused(entry.paired)
    else:
        difference = entry.paired.mean_difference_percent
        yield Observation(
            estimate=EstimateRecord(value=entry.paired.test.p),
            kind="probability",
            n=entry.n,
            sought=()
            if isinstance(difference, NotAssessed)
            else (Sought("the mean difference", None, difference, "difference"),),
        )


READERS_OF_CONDITIONS: dict[tuple[str, str], Reader] = {
    ("matrix_effect", "min"): _matrix_effect,
    ("matrix_effect", "max"): _matrix_effect,
    ("robustness", "min"): _effects,
    ("robustness", "max"): _effects,
    ("robustness", "p_min"): _effects_p,
    ("stability", "min"): _remaining,
    ("stability", "max"): _remaining,
    ("device_to_device", "rsd_max"): _device_rsd,
    ("device_to_device", "max"): _device_sd,
    ("repeated_use", "rsd_max"): _use_rsd,
    ("repeated_use", "min"): _use_remaining,
    ("repeated_use", "max"): _use_remaining,
    ("method_comparison", "min"): _difference,
    ("method_comparison", "max"): _difference,
    ("method_comparison", "p_min"): _difference_p,
}


NOT_RELATIVE = NotAssessed(
    not_assessed="the uncertainty is stated as an absolute value only, without a level",
    needs="precision data, target levels or a legal limit",
)
NOT_ABSOLUTE = NotAssessed(
    not_assessed="the uncertainty is stated in percent only, without a level",
    needs="precision data, target levels or a legal limit",
)
OUTSIDE = "the tolerance interval exceeds the acceptance limits at every level"


def _expanded_percent(record: ConfigurationRecord, _units: Units) -> Iterator[Observation]:
    """Expanded uncertainty in percent of the level; its own doubt is in the coverage factor."""
    for level, what, budget in _budgets(record):
        if isinstance(budget, NotAssessed):
            yield refused(budget, level=level, what=what)
        elif budget.expanded_percent is None:
            yield refused(NOT_RELATIVE, level=level, what=what)
        else:
            yield _bound(budget.expanded_percent, "%", level, what)


def _expanded(record: ConfigurationRecord, units: Units) -> Iterator[Observation]:
    """Expanded uncertainty in the unit of the level; that of a formula in another unit is none."""
    for level, what, budget in _budgets(record):
        if isinstance(budget, NotAssessed):
            yield refused(budget, level=level, what=what)
        elif budget.relative:
            yield refused(NOT_ABSOLUTE, level=level, what=what)
        else:
            unit = _formula_unit(record) if what else units.level
            yield _bound(budget.expanded_uncertainty, unit, level, what)


def _formula_unit(record: ConfigurationRecord) -> str:
    found = record.uncertainty
    return "" if isinstance(found, NotAssessed) or found.formula is None else found.formula.unit


def _bound(value: float, unit: str, level: float | None, what: str) -> Observation:
    return Observation(estimate=EstimateRecord(value=value), unit=unit, kind="bound", level=level, what=what)


def _budgets(
    record: ConfigurationRecord,
) -> Iterator[tuple[float | None, str, BudgetRecord | NotAssessed]]:
    """Level, what it is by, and budget: those of the levels, and that of the formula where there is one."""
    found = record.uncertainty
    if isinstance(found, NotAssessed):
        yield None, "", found
        return
    simulated = found.simulated
    for one in found.levels:
        refuted = simulated is not None and simulated.level == one.level
        budget = one.budget
        yield one.level, "", _by_simulation(budget, simulated, one.level) if refuted else budget
    if found.formula is not None:
        result = found.formula.budget
        if isinstance(result, BudgetRecord):
            result = _by_simulation(result, found.formula, result.value)
        yield None, "from the measurement model", result


def _by_simulation(
    budget: BudgetRecord, beside: SimulatedLevel | FormulaRecord | None, centre: float | None
) -> BudgetRecord:
    """The budget with the expanded uncertainty of the simulation, where that refutes it: its longer side."""
    if beside is None or isinstance(beside.check, NotAssessed) or not beside.check.refutes:
        return budget
    if isinstance(beside.simulation, NotAssessed) or centre is None:
        return budget
    lower, upper = beside.simulation.symmetric
    if lower is None or upper is None:
        return budget
    expanded = max(centre - lower, upper - centre)
    percent = None if not centre or budget.expanded_percent is None else 100 * expanded / abs(centre)
    return replace(budget, expanded_uncertainty=expanded, expanded_percent=percent)


def two_standard_uncertainties(record: ConfigurationRecord) -> tuple[Observation, ...]:
    """Expanded uncertainty with k = 2 in percent, as legislation states it."""
    return tuple(
        refused(budget if isinstance(budget, NotAssessed) else NOT_RELATIVE, level=level, what=what)
        if isinstance(budget, NotAssessed) or budget.relative_percent is None
        else _bound(2 * budget.relative_percent, "%", level, what)
        for level, what, budget in _budgets(record)
    )


def _range_end(end: int) -> Reader:
    def read(record: ConfigurationRecord, units: Units) -> Iterator[Observation]:
        found = record.accuracy_profile
        if isinstance(found, NotAssessed):
            yield refused(found)
        elif found.valid_range is None:
            yield Observation(estimate=None, unit=units.level, kind="bound", failed=OUTSIDE)
        else:
            yield Observation(
                estimate=EstimateRecord(value=found.valid_range[end]),
                unit=units.level,
                kind="bound",
                n=sum(level.n for level in found.levels),
            )

    return read


def tolerance_bounds(record: ConfigurationRecord) -> tuple[Observation, ...]:
    """Larger absolute bound of the β-expectation interval of the relative error at each level, percent."""
    found = record.accuracy_profile
    if isinstance(found, NotAssessed):
        return (refused(found),)
    return tuple(
        Observation(
            estimate=EstimateRecord(value=max(abs(end) for end in level.expectation if end is not None)),
            unit="%",
            kind="bound",
            level=level.level,
            n=level.n,
        )
        for level in found.levels
    )


READERS_OF_UNCERTAINTY: dict[tuple[str, str], Reader] = {
    ("uncertainty", "rsd_max"): _expanded_percent,
    ("uncertainty", "max"): _expanded,
    ("accuracy_profile", "min"): _range_end(0),
    ("accuracy_profile", "max"): _range_end(1),
}
