"""Sensitivity of configurations side by side: per active area, and gain at a level."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from validator.errors import NotEstimable
from validator.statistics.distributions import student
from validator.statistics.interval import Estimate
from validator.statistics.inverse_prediction import fieller_interval
from validator.statistics.sample import effective_degrees_of_freedom

if TYPE_CHECKING:
    from validator.statistics.regression import CalibrationFit


def sensitivity_per_area(
    calibration: CalibrationFit, area: float, *, area_uncertainty: float = 0.0, confidence: float = 0.95
) -> Estimate:
    r"""Slope divided by the active area.

    .. math:: k = b/A, \qquad u(k) = \left[s_b^2/A^2 + b^2 u(A)^2/A^4\right]^{1/2}

    with Welch–Satterthwaite degrees of freedom, those of the area infinite.

    Args:
        calibration: a linear calibration.
        area: A > 0.
        area_uncertainty: standard uncertainty of A, ≥ 0.
        confidence: level of the interval.

    Raises:
        NotEstimable: a parabola.
        ValueError: an area that is not positive or a negative uncertainty.

    References:
        JCGM 100:2008, 5.1.2 and G.4.
    """
    if not area > 0 or area_uncertainty < 0:
        message = "the area must be positive and its uncertainty not negative"
        raise ValueError(message)
    if calibration.model == "quadratic":
        raise NotEstimable(
            "a second-order function has no single slope", "a linear model over its linear range"
        )
    b = calibration.slope.value
    slope_part = float(calibration.covariance[1, 1]) / area**2
    area_part = (b / area * (area_uncertainty / area)) ** 2
    error = math.sqrt(slope_part + area_part)
    nu = effective_degrees_of_freedom([(slope_part, calibration.degrees_of_freedom), (area_part, math.inf)])
    return student(b / area, error, nu, confidence)


def signal_gain(
    calibration: CalibrationFit, reference: CalibrationFit, x: float, *, confidence: float = 0.95
) -> Estimate:
    r"""Fitted signal at the level *x* over that of the reference, with Fieller's interval.

    .. math:: G = \hat y_1(x)/\hat y_2(x), \qquad
              |\hat y_1 - G \hat y_2| = t\,(s_{\hat y_1}^2 + G^2 s_{\hat y_2}^2)^{1/2} \text{ at the limits}

    The level should lie within both calibrations.

    Raises:
        NotEstimable: a reference signal of 0, or two exact calibrations.

    References:
        E. C. Fieller, J. R. Stat. Soc. B 16 (1954) 175–185 (from memory).
    """
    y1, y2 = float(calibration.predict(x)), float(reference.predict(x))
    if y2 == 0:
        raise NotEstimable("the reference signal is 0 at this level", "a level with a reference signal")
    gain = y1 / y2
    r1 = (float(calibration.standard_error_at(x)) / y2) ** 2
    r2 = (float(reference.standard_error_at(x)) / y2) ** 2
    variance = r1 + gain**2 * r2
    if variance == 0:
        raise NotEstimable(
            "all points lie exactly on both functions",
            "signals recorded with sufficient resolution to show variation",
        )
    nu = effective_degrees_of_freedom(
        [(r1, calibration.degrees_of_freedom), (gain**2 * r2, reference.degrees_of_freedom)]
    )
    return Estimate(
        value=gain,
        standard_error=math.sqrt(variance),
        interval=fieller_interval(gain, r1, r2, nu, confidence),
        degrees_of_freedom=nu,
    )
