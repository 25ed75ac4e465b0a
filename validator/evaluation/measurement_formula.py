"""Uncertainty by the formula of the study: propagated in first order and simulated beside."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np
from msgspec import Struct, structs

from validator.errors import NotEstimable
from validator.evaluation.budgets import (
    budget_record,
    check_record,
    enough_draws,
    refuting,
    simulation_record,
)
from validator.evaluation.convert import attempt
from validator.evaluation.results import FormulaRecord, NotAssessed
from validator.statistics.input_quantity import (
    InputQuantity,
    checked_correlation,
    correlation_of_readings,
    from_readings,
    from_statement,
)
from validator.statistics.inverse_prediction import calibration_contribution
from validator.statistics.measurement_model import measurement_model
from validator.statistics.monte_carlo import monte_carlo
from validator.statistics.uncertainty_budget import propagate

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from validator.evaluation.calibration import Fitted
    from validator.statistics.monte_carlo import MonteCarlo
    from validator.statistics.uncertainty_budget import UncertaintyBudget
    from validator.study.models.analysis import AnalysisChoices
    from validator.study.models.uncertainty import ModelQuantity, UncertaintyBlock

DIGITS = 2
"""Significant digits of u(y) that the comparison is about, where the study says nothing."""


class FormulaResult(Struct, frozen=True):
    """The record, the first-order budget behind it for conformity, and the simulation that refutes it."""

    record: FormulaRecord
    budget: UncertaintyBudget | NotAssessed
    refuted_by: MonteCarlo | None = None


def formula_result(
    block: UncertaintyBlock, formula: str, unit: str, choices: AnalysisChoices, fitted: Fitted | NotAssessed
) -> FormulaResult:
    """Result, budget, simulation and their comparison, as far as each can be had."""
    model = measurement_model(formula)
    replicates = choices.calibration.replicates_for_sample
    inputs = attempt(lambda: tuple(_input(one, fitted, replicates) for one in block.quantities))
    if isinstance(inputs, NotAssessed):
        refused = FormulaRecord(
            formula=model.formula, unit=unit, budget=inputs, simulation=inputs, check=inputs
        )
        return FormulaResult(refused, inputs)
    r = correlations(block)
    confidence, asked = choices.confidence, block.simulation
    at_confidence = attempt(lambda: propagate(model, inputs, correlation=r, level=confidence))
    budget = attempt(
        lambda: propagate(
            model, inputs, correlation=r, level=confidence, coverage_factor=block.coverage_factor
        )
    )
    simulation = attempt(
        lambda: monte_carlo(
            model,
            inputs,
            seed=choices.seed if asked.seed is None else asked.seed,
            draws=enough_draws(asked.draws, confidence),
            correlation=r,
            level=confidence,
            significant_digits=asked.digits or DIGITS,
        )
    )
    if not isinstance(budget, NotAssessed):
        budget = _with_sources(budget, block)
    record = FormulaRecord(
        formula=model.formula,
        unit=unit,
        budget=budget if isinstance(budget, NotAssessed) else budget_record(budget),
        simulation=simulation if isinstance(simulation, NotAssessed) else simulation_record(simulation),
        check=check_record(at_confidence, simulation),
    )
    return FormulaResult(record, budget, refuting(record.check, simulation))


def _input(quantity: ModelQuantity, fitted: Fitted | NotAssessed, replicates: int) -> InputQuantity:
    if quantity.readings is not None:
        return from_readings(quantity.name, quantity.readings)
    assert quantity.value is not None
    if quantity.origin == "calibration":
        return _from_calibration(quantity, quantity.value, fitted, replicates)
    return from_statement(
        quantity.name,
        quantity.value,
        quantity.uncertainty or 0.0,
        quantity.kind,
        k=quantity.k,
        distribution=quantity.distribution,
        relative=quantity.relative,
        degrees_of_freedom=quantity.degrees_of_freedom or math.inf,
    )


def _from_calibration(
    quantity: ModelQuantity, level: float, fitted: Fitted | NotAssessed, replicates: int
) -> InputQuantity:
    if isinstance(fitted, NotAssessed):
        raise NotEstimable(f"{quantity.name} is read from a calibration: {fitted.not_assessed}", fitted.needs)
    found = calibration_contribution(
        fitted.fit,
        float(fitted.fit.predict(level)),
        m=quantity.replicates or replicates,
        name=quantity.name,
        relative_variance=None if fitted.variance_function is None else fitted.weighting.relative_variance,
    )
    # reading back what was predicted moves the last bits only
    return structs.replace(found.quantity, value=level)


def correlations(block: UncertaintyBlock) -> NDArray[np.float64]:
    """The correlations of the quantities in their order, those written taking precedence.

    Raises:
        ValueError: no quantities could be correlated like that, or readings that were not taken together.
    """
    names = [quantity.name for quantity in block.quantities]
    r = np.eye(len(names))
    if block.read_together:
        together = [i for i, one in enumerate(block.quantities) if one.readings is not None]
        tables = [block.quantities[i].readings or () for i in together]
        if len(together) < 2 or len({len(one) for one in tables}) > 1:
            message = "readings taken together are as many for each of two or more quantities"
            raise ValueError(message)
        try:
            r[np.ix_(together, together)] = correlation_of_readings(np.array(tables).T)
        except NotEstimable as refusal:
            message = f"{refusal.reason}; write {refusal.needs}"
            raise ValueError(message) from refusal
    for correlation in block.correlations:
        i, j = (names.index(name) for name in correlation.between)
        r[i, j] = r[j, i] = correlation.coefficient
    return checked_correlation(r, len(names))


def _with_sources(budget: UncertaintyBudget, block: UncertaintyBlock) -> UncertaintyBudget:
    """The rows with what the study says of where their figures come from."""
    said = {one.name: one.source or _source_of(one) for one in block.quantities}
    rows = tuple(structs.replace(row, source=said.get(row.name, "")) for row in budget.rows)
    return structs.replace(budget, rows=rows)


def _source_of(quantity: ModelQuantity) -> str:
    if quantity.readings is not None:
        return f"{len(quantity.readings)} readings"
    return "calibration" if quantity.origin == "calibration" else ""
