"""Cases of uncertainty."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np

from validator.qualification.adapters.kinds import known, spread
from validator.statistics import (
    accuracy_profile,
    conformity,
    measurement_model,
    monte_carlo,
    top_down,
    uncertainty_budget,
)
from validator.statistics import input_quantity as quantities

if TYPE_CHECKING:
    from validator.qualification.adapters.kinds import Figures, Inputs


def budget(inputs: Inputs) -> Figures:
    """First-order propagation through a formula; quantities as [value, standard uncertainty]."""
    found = uncertainty_budget.propagate(
        measurement_model.measurement_model(inputs["formula"]), _stated(inputs["quantities"])
    )
    return {
        "value": known(found.value),
        "standard uncertainty": found.standard_uncertainty,
        "relative standard uncertainty": found.standard_uncertainty / abs(known(found.value)),
        "twice the standard uncertainty": 2 * found.standard_uncertainty,
    }


def correlated(inputs: Inputs) -> Figures:
    """Several results from simultaneous readings, each propagated with their correlations."""
    readings, formulas = inputs["readings"], inputs["formulas"]
    given = [quantities.from_readings(name, values) for name, values in readings.items()]
    r = quantities.correlation_of_readings(np.array(list(readings.values())).T)
    models = {name: measurement_model.measurement_model(text) for name, text in formulas.items()}
    figures: Figures = {}
    for name, model in models.items():
        used = [i for i, quantity in enumerate(given) if quantity.name in model.names]
        found = uncertainty_budget.propagate(
            model, [given[i] for i in used], correlation=r[np.ix_(used, used)]
        )
        figures |= {name: known(found.value), f"u({name})": found.standard_uncertainty}
    return figures


def effective_freedom(inputs: Inputs) -> Figures:
    """Combined uncertainty and effective degrees of freedom of independent components."""
    rows = [
        uncertainty_budget.BudgetRow(name=name, standard_uncertainty=u, degrees_of_freedom=nu)
        for name, (u, nu) in inputs["components"].items()
    ]
    found = uncertainty_budget.combine(rows, relative=inputs["relative"], level=inputs["level"])
    return {
        "standard uncertainty": found.standard_uncertainty,
        "degrees of freedom": known(found.degrees_of_freedom),
        "expanded uncertainty": found.expanded_uncertainty,
    }


def type_b(inputs: Inputs) -> Figures:
    """Standard uncertainties from statements of several kinds."""
    return {
        name: quantities.to_standard_uncertainty(
            given["stated"], given["kind"], **given.get("choices", {})
        ).standard_uncertainty
        for name, given in inputs["statements"].items()
    }


def additive(inputs: Inputs) -> Figures:
    """The sum of rectangular quantities of these standard deviations, by simulation and to first order."""
    us = inputs["standard_deviations"]
    names = [f"X{i + 1}" for i in range(len(us))]
    given = [
        quantities.from_statement(name, 0.0, u * math.sqrt(3), "tolerance")
        for name, u in zip(names, us, strict=True)
    ]
    return _both(measurement_model.measurement_model(" + ".join(names)), given, seed=101)


def first_order_and_simulation(inputs: Inputs) -> Figures:
    """A formula with normal and rectangular quantities, by simulation and to first order."""
    given = _stated(inputs["normal"])
    given += [
        quantities.from_statement(name, (low + high) / 2, (high - low) / 2, "tolerance")
        for name, (low, high) in inputs.get("rectangular", {}).items()
    ]
    return _both(measurement_model.measurement_model(inputs["formula"]), given, seed=93)


def control_and_rounds(inputs: Inputs) -> Figures:
    """Top-down uncertainty from control limits and the biases of several rounds."""
    biases = np.array(inputs["biases_percent"])
    rw = top_down.from_control_limits(inputs["control_limits_percent"], relative=True)
    rounds = top_down.from_reference_materials(
        100 + biases, np.full(biases.size, 100.0), inputs["u_cref_percent"], relative=True
    )
    found = uncertainty_budget.combine((*rw.rows, *rounds.rows), coverage_factor=2.0, relative=True)
    return {
        "u(Rw)": rw.standard_uncertainty,
        "RMS of bias": rounds.rows[0].standard_uncertainty,
        "u(bias)": rounds.standard_uncertainty,
        "u(c)": found.standard_uncertainty,
        "U": found.expanded_uncertainty,
    }


def conformance(inputs: Inputs) -> Figures:
    """Probability that a measured quantity lies within its limits."""
    return {
        name: conformity.conformance_probability(
            given["value"], given["u"], **{end: given[end] for end in ("lower", "upper") if end in given}
        )
        for name, given in inputs["quantities"].items()
    }


def guard_factors(inputs: Inputs) -> Figures:
    """Guard band in units of u for each conformance probability at one limit."""
    return {f"p = {p}": conformity.guard_band(1.0, max_risk=1 - p) for p in inputs["probabilities"]}


def tolerance_factor(inputs: Inputs) -> Figures:
    """Two-sided tolerance interval of single results with this mean and standard deviation."""
    results = spread(inputs["n"], sd=inputs["sd"], mean=inputs["mean"])
    found = accuracy_profile.tolerance_intervals(
        [[float(y)] for y in results], beta=inputs["content"], gamma=inputs["confidence"]
    )
    return {
        "factor": (found.content.upper - found.centre) / inputs["sd"],
        "lower end": found.content.lower,
        "upper end": found.content.upper,
    }


def _stated(given: Inputs) -> list[quantities.InputQuantity]:
    return [quantities.from_statement(name, value, u) for name, (value, u) in given.items()]


def _both(
    model: measurement_model.MeasurementModel, given: list[quantities.InputQuantity], *, seed: int
) -> Figures:
    first = uncertainty_budget.propagate(model, given)
    simulated = monte_carlo.monte_carlo(model, given, seed=seed)
    symmetric = simulated.symmetric
    figures: Figures = {
        "value, first order": known(first.value),
        "standard uncertainty, first order": first.standard_uncertainty,
        "half-width, first order": first.expanded_uncertainty,
        "value, simulated": known(simulated.value),
        "standard uncertainty, simulated": known(simulated.standard_uncertainty),
        "lower end, simulated": symmetric.lower,
        "upper end, simulated": symmetric.upper,
        "half-width, simulated": (symmetric.upper - symmetric.lower) / 2,
        "upper end of the shortest interval": simulated.shortest.upper,
    }
    if first.interval is not None:
        figures |= {
            "lower end, first order": first.interval.lower,
            "upper end, first order": first.interval.upper,
        }
    return figures
