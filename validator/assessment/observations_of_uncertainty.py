"""Figures of uncertainty and of the accuracy profile that a criterion may speak of."""

from __future__ import annotations

from typing import TYPE_CHECKING

from validator.assessment.observation import Observation, Reader, Units, refused
from validator.evaluation.results import EstimateRecord, NotAssessed

if TYPE_CHECKING:
    from collections.abc import Iterator

    from validator.evaluation.results import BudgetRecord, ConfigurationRecord

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
    for one in found.levels:
        yield one.level, "", one.budget
    if found.formula is not None:
        yield None, "from the measurement model", found.formula.budget


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
