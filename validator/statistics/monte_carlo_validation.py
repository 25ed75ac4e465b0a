"""A first-order budget and a simulation of the same result, checked against each other."""

from __future__ import annotations

from typing import TYPE_CHECKING

from msgspec import Struct

from validator.errors import NotEstimable
from validator.statistics.input_quantity import InputQuantity
from validator.statistics.monte_carlo import MonteCarlo, monte_carlo, numerical_tolerance

if TYPE_CHECKING:
    from collections.abc import Mapping

    from numpy.typing import ArrayLike

    from validator.statistics.measurement_model import FloatArray
    from validator.statistics.uncertainty_budget import UncertaintyBudget


class MonteCarloValidation(Struct, frozen=True, kw_only=True):
    """A first-order budget against a simulation, in the unit of the result.

    Attributes:
        tolerance: δ, half a unit of the last significant digit of u.
        d_low: |y − U − y_low|.
        d_high: |y + U − y_high|.
        valid: both are within δ.
        resolved: the simulation knows its limits to δ/5, as it should for this decision.
    """

    tolerance: float
    d_low: float
    d_high: float
    valid: bool
    resolved: bool


def validate(
    budget: UncertaintyBudget, simulation: MonteCarlo, *, significant_digits: int | None = None
) -> MonteCarloValidation:
    r"""Do the limits y ± U of a first-order budget agree with those of a simulation?

    .. math:: d_{low} = |y - U - y_{low}|, \quad d_{high} = |y + U - y_{high}|, \quad
        \text{valid: both} \le \delta

    Args:
        budget: with a value and a coverage probability.
        simulation: of the same result at the same level; its symmetric interval is compared.
        significant_digits: of u(y) that count, those of the simulation by default.

    Raises:
        NotEstimable: the budget provides no coverage interval, or another level than the simulation.

    References:
        JCGM 101:2008, 8.1 and 8.2 (from memory).
    """
    if budget.interval is None:
        raise NotEstimable("the budget provides no coverage interval", "a value and a coverage probability")
    if budget.interval.level != simulation.symmetric.level:
        raise NotEstimable(
            "the budget and the simulation have different coverage probabilities",
            "the same coverage probability for both",
        )
    u = budget.standard_uncertainty * _per_unit(budget)
    delta = numerical_tolerance(u, significant_digits or simulation.significant_digits)
    d_low = abs(budget.interval.lower - simulation.symmetric.lower)
    d_high = abs(budget.interval.upper - simulation.symmetric.upper)
    doubt = simulation.doubt
    return MonteCarloValidation(
        tolerance=delta,
        d_low=d_low,
        d_high=d_high,
        valid=d_low <= delta and d_high <= delta,
        resolved=doubt is not None and max(doubt.lower, doubt.upper) <= delta / 5,
    )


def simulate_budget(
    budget: UncertaintyBudget,
    *,
    seed: int,
    draws: int = 1_000_000,
    correlation: ArrayLike | None = None,
    level: float = 0.95,
    significant_digits: int = 2,
) -> MonteCarlo:
    r"""Simulate a budget that has rows but no formula.

    .. math:: y + \sum_i c_i\,e_i

    with the error e_i of each row drawn from its distribution about 0.  The result is linear: what the
    simulation adds to the budget is the shape of the distributions, not the curvature of a model.

    Args:
        budget: its value, or 0 where it has none, is the centre; relative rows are turned into its unit.
        seed: of the random numbers.
        draws: number of simulated results.
        correlation: (rows, rows) correlations of the inputs.
        level: coverage probability.
        significant_digits: of the standard uncertainty, for the numerical tolerance.

    Raises:
        NotEstimable: correlated inputs whose joint distribution is not known.
        ValueError: too many draws, a level outside (0, 1).

    References:
        JCGM 101:2008, 9.2 (additive model; from memory).
    """
    centre, per_unit = budget.value or 0.0, _per_unit(budget)
    names = [f"e{i}" for i in range(len(budget.rows))]
    slopes = [row.sensitivity * per_unit for row in budget.rows]

    def total(errors: Mapping[str, FloatArray]) -> FloatArray:
        # one row after the other: a table of all rows would be written and read again for nothing
        found = slopes[0] * errors[names[0]]
        for c, name in zip(slopes[1:], names[1:], strict=True):
            found += c * errors[name]
        found += centre
        return found

    return monte_carlo(
        total,
        [
            InputQuantity(
                name=name,
                value=0.0,
                standard_uncertainty=row.standard_uncertainty,
                distribution=row.distribution,
                degrees_of_freedom=row.degrees_of_freedom,
            )
            for name, row in zip(names, budget.rows, strict=True)
        ],
        seed=seed,
        draws=draws,
        correlation=correlation,
        level=level,
        significant_digits=significant_digits,
    )


def _per_unit(budget: UncertaintyBudget) -> float:
    """Factor from the form of the budget to the unit of its value."""
    return abs(budget.value) / 100 if budget.relative and budget.value is not None else 1.0
