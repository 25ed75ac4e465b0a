"""Budgets: the contributions a study states or shows, combined, simulated, as records."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from msgspec import Struct

from validator.errors import NotEstimable
from validator.evaluation.convert import attempt
from validator.evaluation.results import (
    BudgetRecord,
    ContributionRecord,
    NotAssessed,
    SimulationCheck,
    SimulationRecord,
)
from validator.evaluation.top_down import Part
from validator.records import finite
from validator.statistics.interval import interval_record
from validator.statistics.inverse_prediction import calibration_contribution
from validator.statistics.monte_carlo import validate
from validator.statistics.uncertainty_budget import (
    BudgetRow,
    Component,
    UncertaintyBudget,
    combine,
    component_rows,
)

if TYPE_CHECKING:
    from validator.evaluation.calibration import Fitted
    from validator.evaluation.rows import Cell
    from validator.statistics.inverse_prediction import CalibrationContribution
    from validator.statistics.monte_carlo import MonteCarlo
    from validator.study.models.analysis import AnalysisChoices
    from validator.study.models.method import Analyte
    from validator.study.models.uncertainty import Component as StatedComponent
    from validator.study.models.uncertainty import UncertaintyBlock


def budget_record(budget: UncertaintyBudget) -> BudgetRecord:
    """A budget with its rows."""
    value, expanded = budget.value, budget.expanded_uncertainty
    if budget.relative:
        expanded_percent: float | None = expanded
    else:
        expanded_percent = 100 * expanded / abs(value) if value else None
    return BudgetRecord(
        value=value,
        standard_uncertainty=budget.standard_uncertainty,
        degrees_of_freedom=finite(budget.degrees_of_freedom),
        coverage_factor=budget.coverage_factor,
        expanded_uncertainty=expanded,
        confidence=budget.level,
        interval=interval_record(budget.interval),
        relative_percent=budget.relative_standard_uncertainty_percent,
        expanded_percent=expanded_percent,
        relative=budget.relative,
        method=budget.method,
        contributions=tuple(_contribution(row) for row in budget.rows),
    )


def _contribution(row: BudgetRow) -> ContributionRecord:
    return ContributionRecord(
        name=row.name,
        value=row.value,
        evaluation=row.evaluation,
        distribution=row.distribution,
        divisor=row.divisor,
        standard_uncertainty=row.standard_uncertainty,
        sensitivity=row.sensitivity,
        contribution=row.contribution,
        degrees_of_freedom=finite(row.degrees_of_freedom),
        share_percent=row.share_percent,
        source=row.source,
    )


def simulation_record(simulation: MonteCarlo) -> SimulationRecord:
    """A simulation with its seed."""
    return SimulationRecord(
        value=simulation.value,
        standard_uncertainty=simulation.standard_uncertainty,
        symmetric=(simulation.symmetric.lower, simulation.symmetric.upper),
        shortest=(simulation.shortest.lower, simulation.shortest.upper),
        confidence=simulation.symmetric.level,
        draws=simulation.draws,
        seed=simulation.seed,
        tolerance=simulation.tolerance,
        digits=simulation.significant_digits,
        doubt=None if simulation.doubt is None else simulation.doubt.largest,
        stable=simulation.stable,
        taken_as_normal=simulation.taken_as_normal or None,
    )


def enough_draws(draws: int, confidence: float) -> int:
    """The *draws*, where they can show an interval at that confidence.

    Raises:
        NotEstimable: fewer than a hundred of them would lie outside.
    """
    least = math.ceil(round(100 / (1 - confidence), 6))
    if draws < least:
        raise NotEstimable(
            f"{draws} trials are too few for a coverage interval with probability {confidence:g}",
            f"key simulation: draws: at least {least}",
        )
    return draws


def check_record(
    budget: UncertaintyBudget | NotAssessed, simulation: MonteCarlo | NotAssessed
) -> SimulationCheck | NotAssessed:
    """The comparison of both; a refusal of either is the refusal of the comparison."""
    if isinstance(budget, NotAssessed):
        return budget
    if isinstance(simulation, NotAssessed):
        return simulation
    return attempt(lambda: validate(budget, simulation))


def refuting(check: SimulationCheck | NotAssessed, simulation: MonteCarlo | NotAssessed) -> MonteCarlo | None:
    """The simulation, where it refutes the budget."""
    if isinstance(check, NotAssessed) or isinstance(simulation, NotAssessed) or not check.refutes:
        return None
    return simulation


class Contributions(Struct, frozen=True):
    """All that a budget of one analyte and configuration is made of."""

    analyte: Analyte
    choices: AnalysisChoices
    block: UncertaintyBlock | None
    within: Part | NotAssessed
    bias: Part | NotAssessed
    components: tuple[StatedComponent, ...]
    fitted: Fitted | NotAssessed
    guidance_levels: tuple[float, ...] = ()

    def rows(self, level: float) -> tuple[BudgetRow, ...]:
        """Every contribution to a result at *level*, in its unit."""
        parts = [part.rows(level) for part in (self.within, self.bias) if isinstance(part, Part)]
        own = tuple(row for one in self.components for row in self._stated(one, level))
        return (*(row for rows in parts for row in rows), *own)

    def _stated(self, one: StatedComponent, level: float) -> tuple[BudgetRow, ...]:
        if one.origin == "calibration":
            return (self._of_calibration(one, level),)
        return component_rows((_component(one),), at=level)

    def _of_calibration(self, one: StatedComponent, level: float) -> BudgetRow:
        found = self.calibration(level, one.replicates)
        u = found.quantity.standard_uncertainty
        if isinstance(self.within, Part):
            # the scatter of the sample's own signals is part of the precision already
            u = math.hypot(*(term.contribution for term in found.terms[1:]))
        return BudgetRow(
            name=one.name,
            value=u,
            standard_uncertainty=u,
            evaluation="A",
            sensitivity=one.sensitivity,
            degrees_of_freedom=found.quantity.degrees_of_freedom,
            source=one.source or "calibration of the study",
        )

    def calibration(self, level: float, replicates: int | None = None) -> CalibrationContribution:
        """What reading *level* from the calibration contributes."""
        if isinstance(self.fitted, NotAssessed):
            raise NotEstimable(self.fitted.not_assessed, self.fitted.needs)
        line, weighting = self.fitted.fit, self.fitted.weighting
        return calibration_contribution(
            line,
            float(line.predict(level)),
            m=replicates or self.choices.calibration.replicates_for_sample,
            relative_variance=None if self.fitted.variance_function is None else weighting.relative_variance,
        )

    def budget(self, level: float, *, at_confidence: bool = False) -> UncertaintyBudget:
        """The budget of a result at *level*; *at_confidence* leaves a declared coverage factor out."""
        factor = None if at_confidence or self.block is None else self.block.coverage_factor
        return combine(
            self.rows(level),
            value=level,
            level=self.choices.confidence,
            coverage_factor=factor,
            method=self.method,
        )

    def budget_at_any_level(self, *, at_confidence: bool = False) -> UncertaintyBudget:
        """A budget that names no level: in percent where all of it is, else in the unit of the analyte."""
        if any(one.origin is not None for one in self.components):
            raise NotEstimable(
                "the contribution of the calibration depends on the level, and no level is specified",
                "target levels of the analyte, a legal limit, or precision data",
            )
        parts = [part for part in (self.within, self.bias) if isinstance(part, Part)]
        forms = {part.record.relative for part in parts} | {one.relative for one in self.components}
        if len(forms) > 1:
            raise NotEstimable(
                "relative and absolute contributions cannot be combined because no level is specified",
                "target levels of the analyte, a legal limit, or precision data",
            )
        relative = forms.pop()
        # at level 100 a row in percent stands as it is
        rows = [row for part in parts for row in part.rows(100.0)]
        rows += component_rows([_component(one) for one in self.components], relative=relative)
        factor = None if at_confidence or self.block is None else self.block.coverage_factor
        return combine(
            rows,
            level=self.choices.confidence,
            coverage_factor=factor,
            relative=relative,
            method=self.method,
        )

    @property
    def method(self) -> str:
        """What is combined, in words."""
        parts = [
            name
            for name, part in (
                ("within-laboratory reproducibility", self.within),
                ("bias", self.bias),
            )
            if isinstance(part, Part)
        ]
        if self.components:
            parts.append("stated components")
        return "root sum of squares of " + " and ".join(parts)


def components_of(block: UncertaintyBlock, cell: Cell) -> tuple[StatedComponent, ...]:
    """What *block* states for the analyte of *cell*."""
    return tuple(one for one in block.components if one.analyte in (None, cell.analyte))


def _component(one: StatedComponent) -> Component:
    assert one.value is not None
    assert one.kind is not None
    return Component(
        name=one.name,
        stated=one.value,
        kind=one.kind,
        k=one.k,
        distribution=one.distribution,
        relative=one.relative,
        sensitivity=one.sensitivity,
        degrees_of_freedom=one.degrees_of_freedom or math.inf,
        source=one.source or "",
    )
