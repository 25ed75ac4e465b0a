"""What reading a level from a calibration contributes to the uncertainty of a result."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from msgspec import Struct

from validator.errors import NotEstimable
from validator.statistics.input_quantity import InputQuantity
from validator.statistics.inverse_prediction import InversePrediction, inverse_prediction
from validator.statistics.uncertainty_budget import BudgetRow

if TYPE_CHECKING:
    from collections.abc import Callable

    from numpy.typing import ArrayLike

    from validator.statistics.regression import CalibrationFit


class CalibrationContribution(Struct, frozen=True, kw_only=True):
    """A level read from a calibration, ready for a measurement model or for a budget.

    Attributes:
        quantity: the level x0 as an input quantity, with u = s_x0 and the ν of the calibration.
        row: the same as one row of a budget for the result x0 itself.
        terms: s_x0 split into scatter of the sample's signals, height and slope of the function; their
            contributions add up, squared, to that of ``row``. They share one s, so use ``row`` in a budget.
        prediction: the inverse prediction behind it, with its exact interval.
    """

    quantity: InputQuantity
    row: BudgetRow
    terms: tuple[BudgetRow, ...]
    prediction: InversePrediction


def calibration_contribution(
    fit: CalibrationFit,
    signal: float,
    *,
    m: int = 1,
    name: str = "calibration",
    relative_variance: Callable[[float], ArrayLike] | None = None,
) -> CalibrationContribution:
    """Contribution of the calibration to a level found for a sample.

    Args:
        fit: the calibration function.
        signal: mean signal of the sample.
        m: number of independent signals in that mean.
        name: of the quantity, as it stands in the measurement model or in the budget.
        relative_variance: variance of a signal at a level on the scale of the weights; see
            :func:`validator.statistics.inverse_prediction.inverse_prediction`.

    Raises:
        NotEstimable: the function has no usable slope, does not reach the signal, or has no degrees of
            freedom or scatter.

    References:
        Eurachem/CITAC CG 4, 3rd ed. 2012, E.4 and example A5.
    """
    prediction = inverse_prediction(fit, signal, m=m, relative_variance=relative_variance)
    if prediction.degrees_of_freedom < 1 or prediction.standard_error == 0:
        raise NotEstimable(
            "the calibration has no residual variation", "more independent calibration points than parameters"
        )
    nu = float(prediction.degrees_of_freedom)

    def row(part: str, variance: float) -> BudgetRow:
        return BudgetRow(
            name=part, standard_uncertainty=math.sqrt(variance), evaluation="A", degrees_of_freedom=nu
        )

    return CalibrationContribution(
        quantity=InputQuantity(
            name=name,
            value=prediction.value,
            standard_uncertainty=prediction.standard_error,
            degrees_of_freedom=nu,
            evaluation="A",
        ),
        row=row(name, sum(prediction.terms)),
        terms=(
            row("scatter of the sample's signals", prediction.terms.sample),
            row("height of the calibration function", prediction.terms.height),
            row("slope of the calibration function", prediction.terms.slope),
        ),
        prediction=prediction,
    )
