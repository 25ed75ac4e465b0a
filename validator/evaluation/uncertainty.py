"""Measurement uncertainty at each level and by its formula, and the decision on conformity."""

from __future__ import annotations

import math
from operator import itemgetter
from typing import TYPE_CHECKING, Literal, NamedTuple

from msgspec import Struct
from msgspec.structs import replace

from validator.evaluation.budgets import (
    Contributions,
    budget_record,
    check_record,
    components_of,
    enough_draws,
    refuting,
    simulation_record,
)
from validator.evaluation.convert import attempt
from validator.evaluation.measurement_formula import FormulaResult, formula_result
from validator.evaluation.named_levels import levels_of_guidance, same_level
from validator.evaluation.results import (
    ConformityRecord,
    GlobalRiskRecord,
    LevelUncertaintyRecord,
    NotAssessed,
    ResultConformity,
    SimulatedLevel,
    UncertaintyFunction,
    UncertaintyRecord,
)
from validator.evaluation.top_down import Basis, Part, bias, within_laboratory
from validator.records import finite
from validator.statistics.conformity import (
    AcceptanceLimits,
    acceptance_limits,
    conformance_probability,
    decide,
    global_risks,
    guard_band,
)
from validator.statistics.level_dependence import fit_level_dependence
from validator.statistics.monte_carlo import simulate_budget

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, Sequence

    from validator.evaluation.calibration import Fitted
    from validator.evaluation.results import PrecisionRecord, RecoveryRecord
    from validator.evaluation.results.uncertainty import At
    from validator.evaluation.rows import Cell
    from validator.statistics.monte_carlo import MonteCarlo
    from validator.statistics.uncertainty_budget import UncertaintyBudget
    from validator.study import Study
    from validator.study.models.analysis import AnalysisChoices
    from validator.study.models.method import Analyte
    from validator.study.models.uncertainty import Conformity, UncertaintyBlock


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
    simulated, refuted_by = _simulated(known, found)
    return UncertaintyRecord(
        within_laboratory=known.within if isinstance(known.within, NotAssessed) else known.within.record,
        bias=known.bias if isinstance(known.bias, NotAssessed) else known.bias.record,
        levels=found,
        function=_function(known, found),
        simulated=simulated,
        formula=None if formula is None else formula.record,
        conformity=_conformity(known, found, formula, refuted_by),
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


def _simulated(
    known: Contributions, levels: Sequence[LevelUncertaintyRecord]
) -> tuple[SimulatedLevel | None, Refuted | None]:
    """The budget of the level that matters most, simulated and held against the simulation.

    Without stated components every row is normal, and a simulation would say nothing new.
    """
    block = known.block
    if not levels or block is None or not (known.components or "simulation" in block.model_fields_set):
        return None, None
    level, asked = _deciding(levels).level, block.simulation
    budget = attempt(
        lambda: (
            known.budget_at_any_level(at_confidence=True)
            if level is None
            else known.budget(level, at_confidence=True)
        )
    )
    if isinstance(budget, NotAssessed):
        return SimulatedLevel(level=level, simulation=budget, check=budget), None
    simulation = attempt(
        lambda: simulate_budget(
            budget,
            seed=known.choices.seed if asked.seed is None else asked.seed,
            draws=enough_draws(asked.draws, known.choices.confidence),
            level=known.choices.confidence,
            significant_digits=asked.digits or DIGITS,
        )
    )
    check = check_record(budget, simulation)
    record = SimulatedLevel(
        level=level,
        simulation=simulation if isinstance(simulation, NotAssessed) else simulation_record(simulation),
        check=check,
    )
    refuted_by = refuting(check, simulation)
    return record, None if refuted_by is None or level is None else Refuted(level, refuted_by)


class Refuted(NamedTuple):
    """A level whose budget the simulation refutes."""

    level: float
    simulation: MonteCarlo


def _deciding(levels: Sequence[LevelUncertaintyRecord]) -> LevelUncertaintyRecord:
    """The level at a limit, the legal one before a specification; else the middle one."""
    for at in ("legal limit", "upper specification", "lower specification"):
        for one in levels:
            if at in one.at:
                return one
    return levels[len(levels) // 2]


def _conformity(
    known: Contributions,
    levels: Sequence[LevelUncertaintyRecord],
    formula: FormulaResult | None,
    refuted: Refuted | None,
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
        refuted=refuted,
        result_refuted_by=None if formula is None else formula.refuted_by,
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


Doubt = tuple[float, float]
"""Standard uncertainty and its degrees of freedom."""


class Tolerance(Struct, frozen=True):
    """Limits that a result must keep; infinite on an open side."""

    name: Literal["legal limit", "specification"]
    lower: float
    upper: float

    @property
    def ends(self) -> tuple[float, ...]:
        """The limits that there are."""
        return tuple(end for end in (self.lower, self.upper) if math.isfinite(end))


def tolerances(analyte: Analyte) -> Iterator[Tolerance]:
    """The limits that results of the analyte are held against."""
    if analyte.legal_limit is not None:
        yield Tolerance("legal limit", -math.inf, analyte.legal_limit)
    specification = analyte.specification
    if specification is not None:
        lower = -math.inf if specification.lower is None else specification.lower
        upper = math.inf if specification.upper is None else specification.upper
        yield Tolerance("specification", lower, upper)


def conformity(
    analyte: Analyte,
    doubt_at: Callable[[float], Doubt | None],
    result: UncertaintyBudget | None,
    *,
    refuted: Refuted | None = None,
    result_refuted_by: MonteCarlo | None = None,
    declared: Conformity | None,
    confidence: float,
    rule: Literal["simple", "guarded"],
) -> tuple[ConformityRecord, ...]:
    """One record for each kind of limit at which an uncertainty is known.

    Args:
        analyte: with its limits.
        doubt_at: standard uncertainty of a result at a level and its ν; None where it is not known.
        result: of the study's formula in the unit of the analyte; its uncertainty stands in where that at
            the limit is not known.
        refuted: level whose budget is refuted by its simulation, which then gives the guard band there.
        result_refuted_by: the simulation that refutes *result*, and then decides.
        declared: what the study says of risks and items.
        confidence: 1 − confidence is the largest risk where none is declared.
        rule: of decision.
    """
    max_risk = min(round(1 - confidence, 12), 0.5)
    if declared is not None and declared.max_risk is not None:
        max_risk = declared.max_risk
    found = []
    for tolerance in tolerances(analyte):
        doubts = [doubt for end in tolerance.ends if (doubt := doubt_at(end)) is not None]
        draws = None
        if refuted is not None and any(same_level(refuted.level, end) for end in tolerance.ends):
            draws = refuted
        if not doubts and result is not None:
            doubts = [(result.standard_uncertainty, result.degrees_of_freedom)]
            if result_refuted_by is not None and result.value is not None:
                draws = Refuted(result.value, result_refuted_by)
        if doubts:
            record = _record(tolerance, max(doubts), max_risk, declared)
            if draws is not None:
                record = _by_draws(record, tolerance, draws, max_risk)
            found.append(
                record
                if result is None or result.value is None
                else replace(record, result=_result(result, tolerance, max_risk, rule, result_refuted_by))
            )
    return tuple(found)


def _by_draws(
    record: ConformityRecord, tolerance: Tolerance, draws: Refuted, max_risk: float
) -> ConformityRecord:
    """The guard band, and what follows from it, from simulated results instead of a refuted budget."""
    band = draws.simulation.margin(draws.level, max_risk, tolerance.lower, tolerance.upper)
    lower, upper = tolerance.lower + band, tolerance.upper - band
    shift = tolerance.ends[-1] - draws.level
    return replace(
        record,
        guard_factor=band / record.standard_uncertainty,
        guard_band=band,
        acceptance=(finite(lower), finite(upper))
        if lower < upper
        else NotAssessed(
            not_assessed="the measurement uncertainty is too large relative to the tolerance",
            needs="a smaller uncertainty, wider limits or a higher accepted risk",
        ),
        rejection_below=finite(tolerance.lower - band),
        rejection_above=finite(tolerance.upper + band),
        probability_at_limit=draws.simulation.share_within(tolerance.lower - shift, tolerance.upper - shift),
        by="simulation",
    )


def _record(
    tolerance: Tolerance, doubt: Doubt, max_risk: float, declared: Conformity | None
) -> ConformityRecord:
    u, nu = doubt
    acceptance = attempt(
        lambda: acceptance_limits(
            u, lower=tolerance.lower, upper=tolerance.upper, max_risk=max_risk, degrees_of_freedom=nu
        )
    )
    one_sided = guard_band(u, max_risk=max_risk, degrees_of_freedom=nu)
    band = acceptance.guard_band if isinstance(acceptance, AcceptanceLimits) else None
    two_sided = len(tolerance.ends) == 2
    return ConformityRecord(
        limit=tolerance.name,
        lower=finite(tolerance.lower),
        upper=finite(tolerance.upper),
        standard_uncertainty=u,
        degrees_of_freedom=finite(nu),
        max_risk=max_risk,
        guard_factor=None if band is None else band / u,
        guard_band=band,
        acceptance=(finite(acceptance.lower), finite(acceptance.upper))
        if isinstance(acceptance, AcceptanceLimits)
        else acceptance,
        rejection_below=finite(tolerance.lower - one_sided),
        rejection_above=finite(tolerance.upper + one_sided),
        probability_at_limit=conformance_probability(
            tolerance.ends[-1], u, lower=tolerance.lower, upper=tolerance.upper, degrees_of_freedom=nu
        ),
        capability=(tolerance.upper - tolerance.lower) / (4 * u) if two_sided else None,
        global_risks=tuple(_global_risks(tolerance, u, band, declared)),
    )


def _global_risks(
    tolerance: Tolerance, u: float, band: float | None, declared: Conformity | None
) -> Iterator[GlobalRiskRecord]:
    if declared is None or declared.item_mean is None or declared.item_sd is None:
        return
    rules: list[tuple[Literal["simple", "guarded"], float | None]] = [("simple", 0.0), ("guarded", band)]
    for rule, width in rules:
        if width is None or not tolerance.lower + width < tolerance.upper - width:
            continue
        found = global_risks(
            mean=declared.item_mean,
            sd=declared.item_sd,
            standard_uncertainty=u,
            lower=tolerance.lower,
            upper=tolerance.upper,
            guard_band=width,
        )
        yield GlobalRiskRecord(
            rule=rule,
            consumers_risk=found.consumers_risk,
            producers_risk=found.producers_risk,
            conforming=found.conforming,
            accepted=found.accepted,
        )


def _result(
    result: UncertaintyBudget,
    tolerance: Tolerance,
    max_risk: float,
    rule: Literal["simple", "guarded"],
    refuted_by: MonteCarlo | None,
) -> ResultConformity:
    assert result.value is not None
    if refuted_by is not None:
        p = refuted_by.share_within(tolerance.lower, tolerance.upper)
        inside = tolerance.lower <= result.value <= tolerance.upper
        outcome: Literal["conforming", "non-conforming", "inconclusive"] = (
            "conforming" if inside else "non-conforming"
        )
        if rule == "guarded":
            outcome = (
                "conforming" if 1 - p <= max_risk else "non-conforming" if p <= max_risk else "inconclusive"
            )
        return ResultConformity(
            value=result.value, outcome=outcome, rule=rule, conformance_probability=p, by="simulation"
        )
    found = decide(
        result.value,
        result.standard_uncertainty,
        lower=tolerance.lower,
        upper=tolerance.upper,
        max_risk=max_risk,
        degrees_of_freedom=result.degrees_of_freedom,
        rule=rule,
    )
    return ResultConformity(
        value=result.value,
        outcome=found.outcome,
        rule=found.rule,
        conformance_probability=found.conformance_probability,
    )
