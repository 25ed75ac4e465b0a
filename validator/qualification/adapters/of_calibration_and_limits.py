"""Cases of calibration and of detection limits."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np

from validator.qualification.adapters.kinds import known, spread, value_of
from validator.statistics import (
    detection,
    distributions,
    errors_in_variables,
    inverse_prediction,
    linearity,
    regression,
)
from validator.statistics import standard_addition as additions

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from validator.qualification.adapters.kinds import Figures, Inputs


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


MANY = 100_000
"""So many blanks that their scatter is known."""


def mdl_factors(inputs: Inputs) -> Figures:
    """Factor of the method detection limit for each number of portions."""
    return {f"n = {n}": _mdl(10 + spread(n), 10.0).k or math.nan for n in inputs["n"]}


def mdl(inputs: Inputs) -> Figures:
    """The method detection limit of portions at one level; clean blanks."""
    result = _mdl(np.array(inputs["portions"]), inputs["level"])
    return {
        "standard deviation": known(result.sigma),
        "factor": known(result.k),
        "limit": value_of(result.detection_limit),
    }


def blank_percentile(inputs: Inputs) -> Figures:
    """The limit from the blanks where many were measured and few gave a number."""
    result = _mdl(
        10 + spread(7, sd=0.1),
        1.0,
        blanks=inputs["numerical"],
        censored=inputs["n"] - len(inputs["numerical"]),
    )
    return {"limit from blanks": result.inputs["mdl_blanks"]}


def noncentrality(inputs: Inputs) -> Figures:
    """The parameter of the noncentral t distribution behind a limit with both errors at 5 %."""
    figures: Figures = {}
    for nu in inputs["degrees_of_freedom"]:
        result = _limits("currie", blank_concentrations=spread(nu + 1))
        figures[f"nu = {nu}"] = value_of(result.detection_limit) / math.sqrt(1 + 1 / (nu + 1))
    return figures


def known_scatter(inputs: Inputs) -> Figures:
    """Critical level and detection limit in units of a known standard deviation of the blank."""
    figures: Figures = {}
    paired = _limits("currie", blank_concentrations=spread(MANY), blanks_per_correction=inputs["paired"])
    single = _limits("currie", blank_concentrations=spread(MANY))
    for name, result in (("paired", paired), ("well known", single)):
        figures[f"critical level, {name}"] = value_of(result.critical_level)
        figures[f"detection limit, {name}"] = value_of(result.detection_limit)
        figures[f"quantification limit, {name}"] = value_of(result.quantification_limit)
    return figures


def rapid_factors(inputs: Inputs) -> Figures:
    """Factor of the rapid estimate of the decision limit for each number of blanks."""
    x = np.repeat([0.0, 1.0, 2.0, 3.0], 2)
    line = regression.fit(x, x + 0.01 * np.tile([1.0, -1.0], 4))
    figures: Figures = {}
    for n in inputs["n"]:
        result = _limits("din_32645_blank", fit=line, blank_signals=spread(n, sd=0.01))
        figures[f"n = {n}"] = value_of(result.critical_level) / known(result.sigma_concentration)
    return figures


def residual_limit(inputs: Inputs) -> Figures:
    """Three standard deviations of the residuals over the slope."""
    result = _limits("residual_3.3", fit=regression.fit(inputs["x"], inputs["y"]))
    return {"three sigma over slope": 3 * known(result.sigma_concentration)}


def _limits(variant: str, **inputs: object) -> detection.LimitResult:
    return detection.VARIANTS[variant].limits(detection.DetectionInputs(**inputs))  # type: ignore[arg-type]


def _mdl(
    portions: NDArray[np.float64], level: float, blanks: Sequence[float] = (0.0,) * 7, censored: int = 0
) -> detection.LimitResult:
    sample = detection.LowLevelSample(
        level=level, concentrations=portions, series=tuple(i % 3 for i in range(portions.size))
    )
    return _limits(
        "epa_mdl",
        low_level=(sample,),
        blank_concentrations=np.array(blanks, dtype=float),
        blanks_censored=censored,
        blank_series=tuple(i % 3 for i in range(len(blanks) + censored)),
    )
