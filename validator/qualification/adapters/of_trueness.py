"""Published recoveries, comparisons of methods and designs."""

from __future__ import annotations

import math
from itertools import combinations
from typing import TYPE_CHECKING

import numpy as np

from validator.statistics import (
    comparison,
    equivalence,
    errors_in_variables,
    found_on_added,
    passing_bablok,
    robustness,
)
from validator.statistics.interval import Estimate

if TYPE_CHECKING:
    from validator.qualification.adapters.kinds import Figures, Inputs


def recovery_test(inputs: Inputs) -> Figures:
    """Whether a mean recovery differs from 100 %."""
    n = inputs["n"]
    mean = Estimate(
        value=inputs["mean"], standard_error=inputs["sd"] / math.sqrt(n), degrees_of_freedom=n - 1
    )
    advice = found_on_added.correction_advised(mean)
    return {"standard uncertainty (%)": mean.standard_error or math.nan, "t": advice.t}


def paired(inputs: Inputs) -> Figures:
    """Paired differences of two methods."""
    result = comparison.paired_difference(inputs["first"], inputs["second"])
    return {
        "mean difference": result.mean_difference.value,
        "standard deviation": result.sd,
        "t": result.test.statistic,
    }


def welch(inputs: Inputs) -> Figures:
    """Two means with unequal variances."""
    result = equivalence.welch_difference(inputs["first"], inputs["second"])
    return {
        "difference": result.value,
        "t": result.t,
        "degrees of freedom": result.degrees_of_freedom,
    }


def agreement(inputs: Inputs) -> Figures:
    """Bias and scatter of the differences of two methods."""
    result = comparison.bland_altman(inputs["first"], inputs["second"])
    interval = result.bias.interval
    return {
        "mean difference": result.bias.value,
        "standard deviation": result.sd,
        "lower end of its interval": interval.lower if interval else math.nan,
        "upper end of its interval": interval.upper if interval else math.nan,
    }


def deming(inputs: Inputs) -> Figures:
    """The line with equal errors in both variables."""
    result = errors_in_variables.deming(inputs["y"], inputs["x"])
    return {"slope": result.slope.value, "intercept": result.intercept.value}


def rank_line(inputs: Inputs) -> Figures:
    """The line of Passing and Bablok."""
    result = passing_bablok.passing_bablok(inputs["y"], inputs["x"])
    interval = result.slope.interval
    return {
        "slope": result.slope.value,
        "lower end of its interval": interval.lower if interval else math.nan,
        "upper end of its interval": interval.upper if interval else math.nan,
        "intercept": result.intercept.value,
    }


def screening(inputs: Inputs) -> Figures:
    """Effects of factors at two settings, written as a row of signs for each run."""
    signs = np.array([[1 if sign == "+" else -1 for sign in row] for row in inputs["settings"]])
    names = [str(k + 1) for k in range(signs.shape[1])]
    result = robustness.factor_effects(signs, np.array(inputs["response"], dtype=float), names)
    return {f"effect {one.name}": one.effect.value for one in result.effects}


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
    result = robustness.factor_effects(
        np.column_stack(list(columns.values())), np.array(inputs["response"], dtype=float), list(columns)
    )
    figures = {f"effect {one.name}": one.effect.value for one in result.effects}
    if result.margin is not None:
        figures["margin of error"] = result.margin
    return figures
