"""Measurement uncertainty: what the study shows and states, at each level, and by its formula."""

from __future__ import annotations

import math
from operator import itemgetter
from typing import TYPE_CHECKING

from validator.evaluation.bias import bias
from validator.evaluation.budgets import budget_record, check_record, enough_draws, simulation_record
from validator.evaluation.conformity import conformity
from validator.evaluation.contributions import Contributions, components_of
from validator.evaluation.convert import attempt, finite
from validator.evaluation.measurement_formula import FormulaResult, formula_result
from validator.evaluation.named_levels import levels_of_guidance
from validator.evaluation.results import (
    LevelUncertaintyRecord,
    NotAssessed,
    SimulatedLevel,
    UncertaintyFunction,
    UncertaintyRecord,
)
from validator.evaluation.top_down import Basis, Part, same_level, within_laboratory
from validator.statistics.level_dependent_uncertainty import fit_level_dependence
from validator.statistics.monte_carlo_validation import simulate_budget

if TYPE_CHECKING:
    from collections.abc import Sequence

    from validator.evaluation.calibration import Fitted
    from validator.evaluation.conformity import Doubt
    from validator.evaluation.results import ConformityRecord, PrecisionRecord, RecoveryRecord
    from validator.evaluation.results.uncertainty import At
    from validator.evaluation.rows import Cell
    from validator.study import Study
    from validator.study.models.analysis import AnalysisChoices
    from validator.study.models.uncertainty import UncertaintyBlock

DIGITS = 1
"""Significant digits of u that the comparison with a simulation is about, where the study says nothing."""

BIAS_IS_OUT = "bias is not included: {reason}"
SCATTER_IS_OUT = "between-series variation is not included: {reason}"


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
    known = Contributions(
        analyte=analyte,
        choices=choices,
        block=block,
        within=attempt(lambda: within_laboratory(study, cell, precision, declared_within)),
        bias=attempt(lambda: bias(study, cell, recovery, None if block is None else block.bias)),
        components=() if block is None else components_of(block, cell),
        fitted=fitted,
        guidance_levels=levels_of_guidance(study, study.analyte(cell.analyte)),
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


def _levels(known: Contributions, validated: bool) -> tuple[LevelUncertaintyRecord, ...] | NotAssessed:
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


def _attempted(
    known: Contributions, level: float, at: tuple[At, ...]
) -> LevelUncertaintyRecord | NotAssessed:
    return attempt(lambda: _at_level(known, level, at))


def _places(known: Contributions) -> dict[float, list[At]]:
    """Levels of interest by rising level, and what each is."""
    measured = known.within.levels if isinstance(known.within, Part) else ()
    named: list[tuple[float | None, At]] = [(level, "precision") for level in measured]
    named.append((known.analyte.legal_limit, "legal limit"))
    named += [(level, "level of the guidance") for level in known.guidance_levels]
    specification = known.analyte.specification
    if specification is not None:
        named += [(specification.lower, "lower specification"), (specification.upper, "upper specification")]
    if not measured:
        named += [(level, "target") for level in known.analyte.target_levels]
    levels: list[float] = []
    places: list[list[At]] = []
    for level, at in sorted(
        ((one, at) for one, at in named if one is not None and one > 0), key=itemgetter(0)
    ):
        if not levels or not same_level(levels[-1], level):
            levels.append(level)
            places.append([])
        elif at == "precision":
            levels[-1] = level  # as it was measured, not as the limit was written
        places[-1].append(at)
    return dict(zip(levels, places, strict=True))


def _at_level(known: Contributions, level: float, at: tuple[At, ...]) -> LevelUncertaintyRecord:
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


def _at_any_level(known: Contributions) -> LevelUncertaintyRecord:
    """A budget that names no level: in percent where all of it is, else in the unit of the analyte."""
    return LevelUncertaintyRecord(
        level=None, at=(), basis="stated", budget=budget_record(known.budget_at_any_level())
    )


def _function(
    known: Contributions, levels: Sequence[LevelUncertaintyRecord]
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


def _simulated(known: Contributions, levels: Sequence[LevelUncertaintyRecord]) -> SimulatedLevel | None:
    """The budget of the level that matters most, simulated and held against the simulation.

    Without stated components every row is normal, and a simulation would say nothing new.
    """
    block = known.block
    if not levels or block is None or not (known.components or "simulation" in block.model_fields_set):
        return None
    level, asked = _deciding(levels).level, block.simulation
    budget = attempt(
        lambda: (
            known.budget_at_any_level(at_confidence=True)
            if level is None
            else known.budget(level, at_confidence=True)
        )
    )
    if isinstance(budget, NotAssessed):
        return SimulatedLevel(level=level, simulation=budget, check=budget)
    simulation = attempt(
        lambda: simulate_budget(
            budget,
            seed=known.choices.seed if asked.seed is None else asked.seed,
            draws=enough_draws(asked.draws, known.choices.confidence),
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
    known: Contributions, levels: Sequence[LevelUncertaintyRecord], formula: FormulaResult | None
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


def _notes(known: Contributions) -> tuple[str, ...]:
    """What is not in the budget, and why."""
    return tuple(
        sentence.format(reason=part.not_assessed)
        for sentence, part in ((SCATTER_IS_OUT, known.within), (BIAS_IS_OUT, known.bias))
        if isinstance(part, NotAssessed)
    )
