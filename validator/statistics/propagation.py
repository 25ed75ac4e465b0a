"""Propagation of uncertainty through a measurement model by its sensitivities (first order)."""

from __future__ import annotations

from typing import TYPE_CHECKING

from validator.statistics.measurement_model import normal_form
from validator.statistics.uncertainty_budget import BudgetRow, UncertaintyBudget, combine

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import ArrayLike

    from validator.statistics.input_quantity import InputQuantity
    from validator.statistics.measurement_model import FloatArray, MeasurementModel


def propagate(
    model: MeasurementModel,
    quantities: Sequence[InputQuantity],
    *,
    correlation: ArrayLike | None = None,
    level: float = 0.95,
    coverage_factor: float | None = None,
) -> UncertaintyBudget:
    r"""Estimate, combined uncertainty and budget of a modelled result.

    .. math:: y = f(x), \qquad c_i = \partial f/\partial x_i, \qquad
        u_c^2(y) = \sum_i\sum_j c_i c_j\, r_{ij}\, u_i u_j

    Args:
        model: f.
        quantities: one for each name in the model.
        correlation: (quantities, quantities) in the order of *quantities*; uncorrelated by default.
        level: level of confidence of U where k is not fixed.
        coverage_factor: fixed k.

    Raises:
        NotEstimable: the model or a slope is no finite number at the estimates, or no input moves the result
            in first order.
        ValueError: quantities that do not match the names in the model, or are given twice.

    References:
        JCGM 100:2008, 5.1 and 5.2.
    """
    value, gradient = _gradient(model, quantities)
    rows = [
        BudgetRow(
            name=quantity.name,
            value=quantity.value,
            evaluation=quantity.evaluation,
            distribution=quantity.distribution,
            divisor=quantity.divisor,
            standard_uncertainty=quantity.standard_uncertainty,
            sensitivity=float(slope),
            degrees_of_freedom=quantity.degrees_of_freedom,
        )
        for quantity, slope in zip(quantities, gradient, strict=True)
    ]
    return combine(
        rows,
        value=value,
        correlation=correlation,
        level=level,
        coverage_factor=coverage_factor,
        method="law of propagation of uncertainty, first order",
    )


def _gradient(model: MeasurementModel, quantities: Sequence[InputQuantity]) -> tuple[float, FloatArray]:
    """Value of the model and its slopes in the order of *quantities*."""
    values = {quantity.name: quantity.value for quantity in quantities}
    if len(values) < len(quantities):
        message = "a quantity is given twice"
        raise ValueError(message)
    value, gradient = model.value_and_gradient(values)
    return value, gradient[[model.names.index(normal_form(name)) for name in values]]
