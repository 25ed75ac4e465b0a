"""Published calibrations."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np

from validator.qualification.adapters.kinds import known
from validator.statistics import (
    distributions,
    errors_in_variables,
    inverse_prediction,
    linearity,
    regression,
)
from validator.statistics import standard_addition as additions

if TYPE_CHECKING:
    from validator.qualification.adapters.kinds import Figures, Inputs


def line(inputs: Inputs) -> Figures:
    """A calibration function through x and y: ``model``, with coefficients, standard errors, scatter."""
    found = regression.fit(inputs["x"], inputs["y"], model=inputs.get("model", "linear"))
    figures = {
        "slope": found.slope.value,
        "standard error of slope": found.slope.standard_error,
        "intercept": found.intercept.value,
        "standard error of intercept": found.intercept.standard_error,
        "residual standard deviation": found.residual_standard_deviation,
        "R squared": found.r_squared,
        "sum of squares of x": found.s_xx,
    }
    if found.correlation is not None:
        figures["correlation"] = found.correlation
    if found.quadratic is not None:
        figures["quadratic"] = found.quadratic.value
        figures["standard error of quadratic"] = found.quadratic.standard_error
    else:
        scatter = linearity.method_standard_deviation(found)
        figures["method standard deviation"] = scatter.value
        figures["method coefficient of variation (%)"] = scatter.relative_percent
    if found.slope.interval is not None and found.intercept.interval is not None:
        figures["half-width of slope"] = (found.slope.interval.upper - found.slope.interval.lower) / 2
        figures["half-width of intercept"] = (
            found.intercept.interval.upper - found.intercept.interval.lower
        ) / 2
    return {name: value for name, value in figures.items() if value is not None}


def reading(inputs: Inputs) -> Figures:
    """Levels read from a line: for each of ``signals``, or at the level ``at``, from m readings."""
    found = regression.fit(inputs["x"], inputs["y"])
    m = inputs.get("m", 1)
    if "at" in inputs:
        sample = inverse_prediction.inverse_prediction(found, float(found.predict(inputs["at"])), m=m)
        return {"level": sample.value, "standard error": known(sample.standard_error)}
    t = distributions.t_two_sided(0.95, found.degrees_of_freedom)
    figures: Figures = {}
    for signal in inputs["signals"]:
        mean = float(np.mean(signal))
        sample = inverse_prediction.inverse_prediction(found, mean, m=np.size(signal))
        name = inputs.get("name", f"y = {signal}")
        error = known(sample.standard_error)
        figures |= {name: sample.value, f"{name}, standard error": error, f"{name}, half-width": t * error}
    return figures


def lack_of_fit(inputs: Inputs) -> Figures:
    """F of lack of fit of the line and of the parabola."""
    straight = regression.fit(inputs["x"], inputs["y"])
    curved = regression.fit(inputs["x"], inputs["y"], model="quadratic")
    of_line, of_parabola = linearity.lack_of_fit(straight), linearity.lack_of_fit(curved)
    return {
        "F of the line": of_line.statistic,
        "F of the parabola": of_parabola.statistic,
        "5 % point for the line": distributions.f_quantile(0.95, *of_line.df),
    }


def standard_addition(inputs: Inputs) -> Figures:
    """Content of a sample by standard addition at constant volume."""
    per_ml = inputs["standard_ppm"] / inputs["total_ml"]
    found = additions.standard_addition(
        np.array(inputs["added_ml"]) * per_ml,
        inputs["absorbance"],
        dilution_factor=inputs["total_ml"] / inputs["sample_ml"],
    )
    return {
        "slope per mL": found.fit.slope.value * per_ml,
        "intercept": found.fit.intercept.value,
        "content": found.concentration.value,
        "standard error of content": known(found.concentration.standard_error),
    }


def york(inputs: Inputs) -> Figures:
    """A line with uncertainties in both variables, given as weights."""
    found = errors_in_variables.york(
        inputs["x"],
        inputs["y"],
        u_x=np.array(inputs["weight_x"]) ** -0.5,
        u_y=np.array(inputs["weight_y"]) ** -0.5,
    )
    return {
        "intercept": found.intercept.value,
        "slope": found.slope.value,
        "scaled standard error of intercept": known(found.intercept.standard_error),
        "scaled standard error of slope": known(found.slope.standard_error),
        "root of reduced chi squared": math.sqrt(found.reduced_chi_squared),
        "standard uncertainty of intercept": found.intercept_standard_uncertainty,
        "standard uncertainty of slope": found.slope_standard_uncertainty,
    }
