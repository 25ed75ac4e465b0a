"""Measurement uncertainty: what the study shows and states, at each level, and by its formula."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

from validator.errors import NotEstimable
from validator.evaluation.budgets import budget_record, check_record, simulation_record
from validator.evaluation.conformity import conformity
from validator.evaluation.convert import attempt, finite
from validator.evaluation.measurement_formula import FormulaResult, formula_result
from validator.evaluation.results import (
    LevelUncertaintyRecord,
    NotAssessed,
    SimulatedLevel,
    UncertaintyFunction,
    UncertaintyRecord,
)
from validator.evaluation.top_down import Basis, Part, bias, same_level, within_laboratory
from validator.statistics.calibration_uncertainty import calibration_contribution
from validator.statistics.level_dependent_uncertainty import fit_level_dependence
from validator.statistics.monte_carlo_validation import simulate_budget
from validator.statistics.uncertainty_budget import (
    BudgetRow,
    Component,
    UncertaintyBudget,
    combine,
    component_rows,
)

if TYPE_CHECKING:
    from collections.abc import Sequence

    from validator.evaluation.calibration import Fitted
    from validator.evaluation.conformity import Doubt
    from validator.evaluation.results import ConformityRecord, PrecisionRecord, RecoveryRecord
    from validator.evaluation.rows import Cell
    from validator.statistics.calibration_uncertainty import CalibrationContribution
    from validator.study import Study
    from validator.study.models.analysis import AnalysisChoices
    from validator.study.models.method import Analyte
    from validator.study.models.uncertainty import Component as StatedComponent
    from validator.study.models.uncertainty import UncertaintyBlock

At = Literal["precision", "legal limit", "lower specification", "upper specification", "target"]

DIGITS = 1
"""Significant digits of u that the comparison with a simulation is about, where the study says nothing."""

BIAS_IS_OUT = "bias is not in it: {reason}"
SCATTER_IS_OUT = "scatter between series is not in it: {reason}"


@dataclass(frozen=True, slots=True)
class _Known:
    """All that a budget of one analyte and configuration is made of."""

    analyte: Analyte
    choices: AnalysisChoices
    block: UncertaintyBlock | None
    within: Part | NotAssessed
    bias: Part | NotAssessed
    components: tuple[StatedComponent, ...]
    fitted: Fitted | NotAssessed

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


def uncertainty(
    study: Study,
    cell: Cell,
    fitted: Fitted | NotAssessed,
    precision: Sequence[PrecisionRecord] | NotAssessed,
    recovery: Sequence[RecoveryRecord] | NotAssessed,
) -> UncertaintyRecord | NotAssessed:
    """Uncertainty of *cell*: top-down with what is stated beside, and by the formula of the study."""
    block = study.uncertainty
    validated = cell.configuration == study.validated_configuration
    choices, analyte = study.analysis_for(cell.analyte), study.analyte(cell.analyte)
    declared_within = None if block is None else block.within_laboratory
    known = _Known(
        analyte=analyte,
        choices=choices,
        block=block,
        within=attempt(lambda: within_laboratory(study, cell, precision, declared_within)),
        bias=attempt(lambda: bias(study, cell, recovery, None if block is None else block.bias)),
        components=() if block is None else _components_of(block, cell),
        fitted=fitted,
    )
    formula = _formula(block, study, cell, fitted, choices) if validated else None
    levels = _levels(known, validated)
    if isinstance(levels, NotAssessed) and formula is None:
        return levels
    found = () if isinstance(levels, NotAssessed) else levels
    return UncertaintyRecord(
        within_laboratory=known.within if isinstance(known.within, NotAssessed) else known.within.record,
        bias=known.bias if isinstance(known.bias, NotAssessed) else known.bias.record,
        levels=found,
        function=_function(known, found),
        simulated=_simulated(known, found),
        formula=None if formula is None else formula.record,
        conformity=_conformity(known, found, formula),
        notes=_notes(known) if found else (),
    )


def _components_of(block: UncertaintyBlock, cell: Cell) -> tuple[StatedComponent, ...]:
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


def _formula(
    block: UncertaintyBlock | None,
    study: Study,
    cell: Cell,
    fitted: Fitted | NotAssessed,
    choices: AnalysisChoices,
) -> FormulaResult | None:
    if block is None or block.model is None or (block.analyte or study.analyte_ids[0]) != cell.analyte:
        return None
    unit = block.result_unit or study.analyte(cell.analyte).unit
    return formula_result(block, block.model, unit, choices, fitted)


def _levels(known: _Known, validated: bool) -> tuple[LevelUncertaintyRecord, ...] | NotAssessed:
    """Budgets at the levels of precision runs and at limits; one for all levels where none is known."""
    if isinstance(known.within, NotAssessed) and not (known.components and validated):
        return known.within
    places = _places(known)
    if not places:
        return attempt(lambda: (_at_any_level(known),))
    found = [_attempted(known, level, tuple(at)) for level, at in places.items()]
    kept = tuple(one for one in found if isinstance(one, LevelUncertaintyRecord))
    refusals = [one for one in found if isinstance(one, NotAssessed)]
    return kept if kept else refusals[0]


def _attempted(known: _Known, level: float, at: tuple[At, ...]) -> LevelUncertaintyRecord | NotAssessed:
    return attempt(lambda: _at_level(known, level, at))


def _places(known: _Known) -> dict[float, list[At]]:
    """Levels of interest by rising level, and what each is."""
    measured = known.within.levels if isinstance(known.within, Part) else ()
    named: list[tuple[float | None, At]] = [(level, "precision") for level in measured]
    named.append((known.analyte.legal_limit, "legal limit"))
    specification = known.analyte.specification
    if specification is not None:
        named += [(specification.lower, "lower specification"), (specification.upper, "upper specification")]
    if not measured:
        named += [(level, "target") for level in known.analyte.target_levels]
    places: dict[float, list[At]] = {}
    for level, at in named:
        if level is not None and level > 0:
            same = next((one for one in places if same_level(one, level)), level)
            places.setdefault(same, []).append(at)
    return dict(sorted(places.items()))


def _at_level(known: _Known, level: float, at: tuple[At, ...]) -> LevelUncertaintyRecord:
    basis: Basis = known.within.basis(level) if isinstance(known.within, Part) else "stated"
    contribution = attempt(lambda: known.calibration(level))
    return LevelUncertaintyRecord(
        level=level,
        at=at,
        basis=basis,
        budget=budget_record(known.budget(level)),
        calibration=None
        if isinstance(contribution, NotAssessed)
        else contribution.quantity.standard_uncertainty,
    )


def _at_any_level(known: _Known) -> LevelUncertaintyRecord:
    """A budget that names no level: in percent where all of it is, else in the unit of the analyte."""
    return LevelUncertaintyRecord(level=None, at=(), basis="stated", budget=budget_record(_general(known)))


def _general(known: _Known, *, at_confidence: bool = False) -> UncertaintyBudget:
    if any(one.origin is not None for one in known.components):
        raise NotEstimable(
            "the contribution of the calibration depends on the level, and no level is named",
            "target_levels of the analyte, a legal limit, or precision runs",
        )
    parts = [part for part in (known.within, known.bias) if isinstance(part, Part)]
    forms = {part.record.relative for part in parts} | {one.relative for one in known.components}
    if len(forms) > 1:
        raise NotEstimable(
            "some contributions are relative and some absolute, and no level is named",
            "target_levels of the analyte, a legal limit, or precision runs",
        )
    relative = forms.pop()
    # at level 100 a row in percent stands as it is
    rows = [row for part in parts for row in part.rows(100.0)]
    rows += component_rows([_component(one) for one in known.components], relative=relative)
    factor = None if at_confidence or known.block is None else known.block.coverage_factor
    return combine(
        rows,
        level=known.choices.confidence,
        coverage_factor=factor,
        relative=relative,
        method=known.method,
    )


def _function(
    known: _Known, levels: Sequence[LevelUncertaintyRecord]
) -> UncertaintyFunction | NotAssessed | None:
    """Dependence of the combined uncertainty on the level, from the levels where precision was measured."""
    measured = [
        (
            one.level,
            one.budget.standard_uncertainty,
            one.budget.degrees_of_freedom,
            one.budget.coverage_factor,
        )
        for one in levels
        if one.basis == "measured" and one.level is not None
    ]
    if len(measured) < 2:
        return None
    target = None if known.block is None else known.block.target_percent

    def compute() -> UncertaintyFunction:
        found = fit_level_dependence(
            [level for level, *_ in measured],
            [u for _, u, *_ in measured],
            degrees_of_freedom=[nu or math.inf for *_, nu, _ in measured],
        ).function
        k = max(one[3] for one in measured)
        return UncertaintyFunction(
            s0=found.s0,
            s1_percent=100 * found.s1,
            lowest=found.lowest,
            highest=found.highest,
            crossover=finite(found.crossover),
            target_percent=target,
            lowest_for_target=None
            if target is None
            else attempt(lambda: found.level_of_relative_uncertainty(target / k)),
        )

    return attempt(compute)


def _simulated(known: _Known, levels: Sequence[LevelUncertaintyRecord]) -> SimulatedLevel | None:
    """The budget of the level that matters most, simulated and held against the simulation.

    Without stated components every row is normal, and a simulation would say nothing new.
    """
    block = known.block
    if not levels or block is None or not (known.components or "simulation" in block.model_fields_set):
        return None
    level, asked = _deciding(levels).level, block.simulation
    budget = attempt(
        lambda: (
            _general(known, at_confidence=True) if level is None else known.budget(level, at_confidence=True)
        )
    )
    if isinstance(budget, NotAssessed):
        return SimulatedLevel(level=level, simulation=budget, check=budget)
    simulation = attempt(
        lambda: simulate_budget(
            budget,
            seed=known.choices.seed if asked.seed is None else asked.seed,
            draws=asked.draws,
            level=known.choices.confidence,
            significant_digits=asked.digits or DIGITS,
        )
    )
    return SimulatedLevel(
        level=level,
        simulation=simulation if isinstance(simulation, NotAssessed) else simulation_record(simulation),
        check=check_record(budget, simulation),
    )


def _deciding(levels: Sequence[LevelUncertaintyRecord]) -> LevelUncertaintyRecord:
    """The level at a limit, the legal one before a specification; else the middle one."""
    for at in ("legal limit", "upper specification", "lower specification"):
        for one in levels:
            if at in one.at:
                return one
    return levels[len(levels) // 2]


def _conformity(
    known: _Known, levels: Sequence[LevelUncertaintyRecord], formula: FormulaResult | None
) -> tuple[ConformityRecord, ...]:
    def doubt_at(limit: float) -> Doubt | None:
        for one in levels:
            if one.level is not None and same_level(one.level, limit):
                return one.budget.standard_uncertainty, one.budget.degrees_of_freedom or math.inf
        return None

    result = None
    if formula is not None and formula.record.unit == known.analyte.unit:
        result = None if isinstance(formula.budget, NotAssessed) else formula.budget
    declared = None if known.block is None else known.block.conformity
    if declared is not None and declared.analyte not in (None, known.analyte.id):
        declared = None
    return conformity(
        known.analyte,
        doubt_at,
        result,
        declared=declared,
        confidence=known.choices.confidence,
        rule=known.choices.decision_rule,
    )


def _notes(known: _Known) -> tuple[str, ...]:
    """What is not in the budget, and why."""
    return tuple(
        sentence.format(reason=part.not_assessed)
        for sentence, part in ((SCATTER_IS_OUT, known.within), (BIAS_IS_OUT, known.bias))
        if isinstance(part, NotAssessed)
    )
