"""Cases of precision and of trueness."""

from __future__ import annotations

import math
from itertools import combinations
from typing import TYPE_CHECKING

import numpy as np

from validator.characteristics.robustness import statistic
from validator.qualification.adapters.kinds import value_of
from validator.statistics import (
    equivalence,
    found_on_added,
    nested,
    residuals,
)
from validator.statistics import horwitz as horwitz_module
from validator.statistics import interlaboratory as interlaboratory_module
from validator.statistics import outliers as outlier_module
from validator.statistics.interval import Estimate

if TYPE_CHECKING:
    from validator.qualification.adapters.kinds import Figures, Inputs


def crossed(inputs: Inputs) -> Figures:
    """Two crossed factors: for each part the readings of each operator."""
    readings = np.array(inputs["parts"], dtype=float)
    part, operator, _ = np.indices(readings.shape)
    labels = {"parts": part.ravel().tolist(), "operators": operator.ravel().tolist()}
    result = nested.crossed(readings.ravel(), labels)
    names = ("parts", "operators", "parts by operators", "repetition")
    figures = {
        f"variance of {name}": one.variance for name, one in zip(names, result.components, strict=True)
    }
    of_parts = result.components[0].sd
    interval = of_parts.interval if isinstance(of_parts, Estimate) else None
    return figures | {
        "mean": result.mean.value,
        "lower end of its interval": interval.lower**2 if interval else math.nan,
        "upper end of its interval": interval.upper**2 if interval else math.nan,
    }


def robust(inputs: Inputs) -> Figures:
    """Mean and standard deviation by algorithm A."""
    result = interlaboratory_module.algorithm_a(inputs["values"])
    return {"mean": result.mean, "standard deviation": result.sd}


def horwitz(inputs: Inputs) -> Figures:
    """Predicted reproducibility for each mass fraction."""
    return {f"C = {text}": horwitz_module.horwitz_rsd(float(text)) for text in inputs["mass_fractions"]}


def thompson(inputs: Inputs) -> Figures:
    """Predicted reproducibility with the changed ends of the curve."""
    return {f"C = {text}": horwitz_module.thompson_rsd(float(text)) for text in inputs["mass_fractions"]}


def outliers(inputs: Inputs) -> Figures:
    """Statistics of the tests of Dixon and Grubbs for two sets of values."""
    figures: Figures = {}
    for name, values in inputs["sets"].items():
        figures[f"Q, {name}"] = outlier_module.dixon(values).statistic
        figures[f"G, {name}"] = outlier_module.grubbs(values).statistic
    return figures


def grubbs_table(inputs: Inputs) -> Figures:
    """Critical values of the test of Grubbs."""
    return {f"n = {n}": outlier_module.grubbs_critical(n, inputs["alpha"]) for n in inputs["n"]}


def cochran_table(inputs: Inputs) -> Figures:
    """Critical values of the test of Cochran."""
    return {
        f"k = {k}, nu = {nu}": outlier_module.cochran_critical(k, nu, inputs["alpha"])
        for k in inputs["k"]
        for nu in inputs["nu"]
    }


def mandel_table(inputs: Inputs) -> Figures:
    """Critical values of Mandel's h, and of k for two results a cell."""
    alpha = inputs["alpha"]
    return {f"h, p = {p}": interlaboratory_module.mandel_h_critical(p, alpha) for p in inputs["p"]} | {
        f"k, p = {p}": interlaboratory_module.mandel_k_critical(p, 2, alpha) for p in inputs["p"]
    }


def brown_forsythe(inputs: Inputs) -> Figures:
    """Test for equal variances about the medians."""
    batches = np.array(inputs["batches"])
    groups = np.repeat(np.arange(len(batches)), batches.shape[1])
    return {"W": residuals.brown_forsythe(groups, batches.ravel()).statistic}


def recovery_test(inputs: Inputs) -> Figures:
    """Whether a mean recovery differs from 100 %."""
    n = inputs["n"]
    mean = Estimate(
        value=inputs["mean"], standard_error=inputs["sd"] / math.sqrt(n), degrees_of_freedom=n - 1
    )
    advice = found_on_added.correction_advised(mean)
    return {"standard uncertainty (%)": mean.standard_error or math.nan, "t": advice.t}


def welch(inputs: Inputs) -> Figures:
    """Two means with unequal variances."""
    result = equivalence.welch_difference(inputs["first"], inputs["second"])
    return {
        "difference": result.value,
        "t": result.t,
        "degrees of freedom": result.degrees_of_freedom,
    }


def screening(inputs: Inputs) -> Figures:
    """Effects of factors at two settings, written as a row of signs for each run."""
    signs = np.array([[1 if sign == "+" else -1 for sign in row] for row in inputs["settings"]])
    names = [str(k + 1) for k in range(signs.shape[1])]
    result = statistic.factor_effects(signs, np.array(inputs["response"], dtype=float), names)
    return {f"effect {one.factor}": value_of(one.effect) for one in result.effects}


def factorial(inputs: Inputs) -> Figures:
    """Effects of a two-level factorial in standard order, all interactions, and the margin of their error."""
    names = inputs["factors"]
    runs = np.arange(2 ** len(names))
    main = {name: np.where(runs >> k & 1, 1, -1) for k, name in enumerate(names)}
    columns = {
        "".join(some): np.prod([main[name] for name in some], axis=0)
        for size in range(1, len(names) + 1)
        for some in combinations(names, size)
    }
    result = statistic.factor_effects(
        np.column_stack(list(columns.values())), np.array(inputs["response"], dtype=float), list(columns)
    )
    figures = {f"effect {one.factor}": value_of(one.effect) for one in result.effects}
    if result.margin is not None:
        figures["margin of error"] = result.margin
    return figures
