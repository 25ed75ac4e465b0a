"""Standard addition: the content of a sample from the line through its spiked portions."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from msgspec import Struct

from validator.errors import NotEstimable
from validator.statistics.distributions import t_two_sided
from validator.statistics.interval import Estimate, Interval
from validator.statistics.inverse_prediction import fieller
from validator.statistics.regression import CalibrationFit, fit

if TYPE_CHECKING:
    from numpy.typing import ArrayLike


class StandardAddition(Struct, frozen=True, kw_only=True, eq=False):
    """Content found by standard addition.

    Attributes:
        concentration: x0 times the dilution factor, with Fieller's interval (infinite when unbounded).
        fit: the line; linearity tests and the comparison with an external calibration take it.
        extrapolation: x0 over the largest addition; far above 1 the answer lies far from the data.
    """

    concentration: Estimate
    fit: CalibrationFit
    extrapolation: float


def standard_addition(
    added: ArrayLike,
    signals: ArrayLike,
    *,
    weights: ArrayLike | None = None,
    dilution_factor: float = 1.0,
    blank_variance: float = 0.0,
    confidence: float = 0.95,
) -> StandardAddition:
    r"""Extrapolate the line of standard additions to signal 0.

    .. math:: x_0 = a/b, \qquad s_{x_0} = \frac{s}{b}\left[\frac1n + \frac{\bar y^2}{b^2 S_{xx}}\right]^{1/2}

    and Fieller's interval holds the x with :math:`(a - b x)^2 \le t^2 s^2 [1/n + (x + \bar x)^2/S_{xx}]`.

    Args:
        added: (n,) additions, as increases of the content of the measured solution.
        signals: (n,) blank-corrected signals of independent preparations.
        weights: (n,) weights of the points.
        dilution_factor: content of the sample over content of the measured solution, > 0.
        blank_variance: variance of the mean blank that was subtracted from every signal; it adds to that of
            the height of the line, whose degrees of freedom are kept.
        confidence: level of the interval.

    Raises:
        NotEstimable: too few points, a slope of 0, or nothing added.
        ValueError: a dilution factor that is not positive, or negative additions.

    References:
        J. N. Miller, J. C. Miller, Statistics and Chemometrics for Analytical Chemistry, 5th ed. 2005,
        section 5.8 (standard error); DIN 32633:2013; the interval: E. C. Fieller, J. R. Stat. Soc. B 16
        (1954) 175–185 (all from memory).
    """
    if not dilution_factor > 0 or not math.isfinite(dilution_factor):
        message = "the dilution factor must be positive"
        raise ValueError(message)
    line = fit(added, signals, confidence=confidence, weights=weights)
    if line.x.min() < 0:
        message = "additions must not be negative"
        raise ValueError(message)
    c0, c1, _ = (float(c) for c in line.scaled_coefficients)
    if c1 == 0:
        raise NotEstimable("the slope is zero", "a signal that increases with the addition")
    # Signal 0 lies at u = −ȳ/c1, counted from the mean addition.
    u0 = -c0 / c1
    height = (float(line.scaled_covariance[0, 0]) + blank_variance) / c1**2
    growth = float(line.scaled_covariance[1, 1]) / c1**2

    def limits(level: float) -> tuple[float, float]:
        (low, high), _ = fieller(u0, t_two_sided(level, line.degrees_of_freedom), height, growth)
        return -(line.centre + line.scale * high), -(line.centre + line.scale * low)

    g = t_two_sided(confidence, line.degrees_of_freedom) ** 2 * growth
    x0 = Estimate(
        value=-(line.centre + line.scale * u0),
        standard_error=line.scale * math.sqrt(height + growth * u0 * u0),
        interval=Interval.by(limits, confidence, "Fieller" if g < 1 else "Fieller, unbounded"),
        degrees_of_freedom=line.degrees_of_freedom,
    )
    return StandardAddition(
        concentration=x0.scaled(dilution_factor),
        fit=line,
        extrapolation=x0.value / float(line.x.max()),
    )
