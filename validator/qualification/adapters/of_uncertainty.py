"""Cases of uncertainty, and of whole studies."""

from __future__ import annotations

import json
import math
import tempfile
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
import yaml

from validator import evaluation, study
from validator.evaluation import serialise
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

_HEAD = {
    "format": "validation-study/1",
    "study": {"title": "A published case"},
    "method": {
        "analytes": [{"id": "x", "name": "analyte", "unit": "mg/L", "signal": "signal", "signal_unit": "1"}]
    },
}


def whole_study(inputs: Inputs) -> Figures:
    """Figures by their paths in the results file, such as ``calibration.slope.value``."""
    with tempfile.TemporaryDirectory() as folder:
        file = Path(folder) / "study.yaml"
        file.write_text(yaml.safe_dump(_HEAD | inputs["blocks"], sort_keys=False), encoding="utf-8")
        results = evaluation.evaluate(study.read_study(file))
    whole = json.loads(serialise.to_json(results))
    record = whole["analytes"]["x"]["configurations"]["default"]
    return {name: _at(record, path) for name, path in inputs["figures"].items()}


def line(inputs: Inputs) -> Figures:
    """As ``whole_study``: a calibration through x and y, of the ``model`` named or straight."""
    runs = [{"level": x, "signal": y} for x, y in zip(inputs["x"], inputs["y"], strict=True)]
    choices = {"calibration": {"model": inputs.get("model", "linear"), "weighting": "none"}}
    figures = {
        "residual standard deviation": "calibration.residual_standard_deviation",
        "R squared": "calibration.r_squared",
        "correlation": "calibration.correlation",
        "method standard deviation": "calibration.method_standard_deviation",
        "method coefficient of variation (%)": "calibration.method_standard_deviation_percent",
    }
    coefficients = ("slope", "intercept", "quadratic")
    for name in coefficients:
        figures |= {
            name: f"calibration.{name}.value",
            f"standard error of {name}": f"calibration.{name}.standard_error",
            f"lower end of {name}": f"calibration.{name}.ci.0",
            f"upper end of {name}": f"calibration.{name}.ci.1",
        }
    found = whole_study({"blocks": {"calibration": {"runs": runs}, "analysis": choices}, "figures": figures})
    return found | {
        f"half-width of {name}": (found[f"upper end of {name}"] - found[f"lower end of {name}"]) / 2
        for name in coefficients
    }


def one_way(inputs: Inputs) -> Figures:
    """One-way analysis of variance: as ``whole_study``, of a precision experiment in series."""
    level = float(np.median(np.concatenate(inputs["groups"])))
    runs = [
        {"series": f"S{i}", "level": level, "concentrations": group}
        for i, group in enumerate(inputs["groups"])
    ]
    paths = {
        "mean": "mean.value",
        "degrees of freedom between": "analysis_of_variance.df_between",
        "degrees of freedom within": "analysis_of_variance.df_within",
        "mean square between": "analysis_of_variance.ms_between",
        "mean square within": "analysis_of_variance.ms_within",
        "F": "analysis_of_variance.f",
        "residual standard deviation": "repeatability_sd.value",
        "standard deviation between": "between_sd.value",
    }
    figures = {name: f"precision.0.{path}" for name, path in paths.items()}
    found = whole_study({"blocks": {"precision": {"runs": runs}}, "figures": figures})
    return found | {"variance between": found["standard deviation between"] ** 2}


def interlaboratory(inputs: Inputs) -> Figures:
    """As ``whole_study``: every level of a precision experiment of several laboratories."""
    laboratories = inputs["laboratories"]
    runs: list[dict[str, object]] = []
    figures: dict[str, str] = {}
    for at in range(len(laboratories[0])):
        cells = [levels[at] for levels in laboratories]
        level = float(np.median(np.concatenate(cells)))
        runs += [
            {"laboratory": f"L{i}", "level": level, "concentrations": cell} for i, cell in enumerate(cells)
        ]
        figures |= {
            f"mean, level {at + 1}": f"precision.{at}.mean.value",
            f"repeatability, level {at + 1}": f"precision.{at}.repeatability_sd.value",
            f"reproducibility, level {at + 1}": f"precision.{at}.reproducibility_sd.value",
        }
    return whole_study({"blocks": {"precision": {"runs": runs}}, "figures": figures})


def two_methods(inputs: Inputs) -> Figures:
    """As ``whole_study``, of a comparison: what this method and the other found in the same samples."""
    pairs = zip(inputs["this_method"], inputs["reference_method"], strict=True)
    runs = [
        {"sample": f"S{i}", "this_method": this, "reference_method": other}
        for i, (this, other) in enumerate(pairs)
    ]
    return whole_study({"blocks": {"comparison": {"runs": runs}}, "figures": inputs["figures"]})


def _at(record: dict[str, Any], path: str) -> float:
    found: Any = record
    for key in path.split("."):
        found = found[int(key)] if isinstance(found, list) else found.get(key)
        if found is None:
            return math.nan
    return float(found)


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
