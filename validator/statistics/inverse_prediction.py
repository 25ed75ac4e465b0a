"""From a signal back to a level, and what the calibration adds to the uncertainty of a result."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, NamedTuple

import numpy as np
from msgspec import Struct

from validator.errors import NotEstimable
from validator.statistics.distributions import t_two_sided
from validator.statistics.input_quantity import InputQuantity
from validator.statistics.interval import Interval
from validator.statistics.uncertainty_budget import BudgetRow

if TYPE_CHECKING:
    from collections.abc import Callable

    from numpy.typing import ArrayLike, NDArray

    from validator.statistics.regression import CalibrationFit, CalibrationFunction


class VarianceTerms(NamedTuple):
    """Contributions to the variance of x0, level unit squared; their sum is the squared standard error.

    Attributes:
        sample: scatter of the sample's signals.
        height: doubt of the function at its centre (for a parabola: of the function at x0 altogether).
        slope: doubt of the slope (0 for a parabola).
    """

    sample: float
    height: float
    slope: float


class InversePrediction(Struct, frozen=True, kw_only=True):
    """Level found for a sample.

    Attributes:
        value: x0.
        standard_error: of x0, delta method.
        interval: Fieller's interval for a line, Student t by the delta method for a parabola; infinite on
            both sides when ``unbounded``.
        terms: the contributions to the squared standard error.
        g: t² var(slope)/slope²; from 1 on the slope is not significantly different from 0.
        unbounded: g ≥ 1, so that no finite interval exists.
        degrees_of_freedom: ν of the calibration.
    """

    value: float
    standard_error: float
    interval: Interval
    terms: VarianceTerms
    g: float
    unbounded: bool
    degrees_of_freedom: int


def inverse_prediction(
    fit: CalibrationFit,
    signal: float,
    *,
    m: int = 1,
    relative_variance: Callable[[float], ArrayLike] | None = None,
    level: float | None = None,
) -> InversePrediction:
    r"""Level of a sample from the mean of its *m* signals.

    For a line

    .. math:: x_0 = \frac{\bar y_0 - a}{b}, \qquad s_{x_0} = \frac{s}{b}
              \left[\frac{1}{m w_0} + \frac1n + \frac{(\bar y_0 - \bar y)^2}{b^2 S_{xx}}\right]^{1/2}

    and Fieller's interval holds the x for which
    :math:`(\bar y_0 - a - b x)^2 \le t^2 s^2 [1/(m w_0) + 1/n + (x - \bar x)^2/S_{xx}]`, with w_0 held at x0:

    .. math:: x = \bar x + \frac{D \pm t (s/b)\,[(1-g)\,(1/(m w_0) + 1/n) + D^2/S_{xx}]^{1/2}}{1 - g}, \quad
              D = \frac{\bar y_0 - \bar y}{b}, \quad g = \frac{t^2 s^2}{b^2 S_{xx}}

    Through the origin 1/n is absent and levels count from 0.  For a parabola the root inside the range of
    levels is taken and :math:`s_{x_0}^2 = [s^2/(m w_0) + \operatorname{var} \hat y(x_0)] / (b + 2 c x_0)^2`,
    with the full covariance of the coefficients.

    Args:
        fit: the calibration.
        signal: mean signal of the sample.
        m: number of independent signals in that mean.
        relative_variance: 1/w at a level, on the scale of ``fit.weights`` (``Weighting.relative_variance``);
            interpolated between the levels by default.
        level: two-sided level of confidence; that of the fit by default.

    Raises:
        NotEstimable: a slope of 0; a parabola that reaches the signal nowhere, or twice, inside its range.
        ValueError: m below 1 or a signal that is not finite.

    References:
        E. C. Fieller, J. R. Stat. Soc. B 16 (1954) 175–185; N. R. Draper, H. Smith, Applied Regression
        Analysis, 3rd ed. 1998, section 3.2; ISO 8466-1:1990, clause 5; ISO 8466-2:2001 (all from memory).
        The standard error: Eurachem/CITAC Guide CG 4, 3rd ed. 2012, equation E3.5 and example A5.
    """
    if m < 1 or not math.isfinite(signal):
        message = "m must be at least 1 and the signal finite"
        raise ValueError(message)
    signal = float(signal)
    u0 = _root_inside(fit, signal) if fit.model == "quadratic" else _line_root(fit, signal)
    x0 = fit.centre + fit.scale * u0
    slope = float(fit.scaled_coefficients[1] + 2 * fit.scaled_coefficients[2] * u0)
    relative = float(
        1.0 / fit.weight_at(x0) if relative_variance is None else np.asarray(relative_variance(x0))
    )
    sample = fit.residual_standard_deviation**2 * relative / m
    confidence = fit.confidence if level is None else level
    t = t_two_sided(confidence, fit.degrees_of_freedom)
    covariance = fit.scaled_covariance
    if fit.model == "quadratic":
        height, growth = float(fit.standard_error_at(x0)) ** 2, 0.0
        gradient = np.array([0.0, 1.0, 2.0 * u0])
        g = t * t * float(gradient @ covariance @ gradient) / slope**2
        half_width = t * math.sqrt(sample + height) / abs(slope)
        limits, method = (u0 - half_width, u0 + half_width), "Student t, delta method"
    else:
        height, growth = float(covariance[0, 0]), float(covariance[1, 1])
        limits, g = fieller(u0, t, (sample + height) / slope**2, growth / slope**2)
        method = "Fieller"
    per_level = (fit.scale / slope) ** 2
    terms = VarianceTerms(sample * per_level, height * per_level, growth * u0 * u0 * per_level)
    unbounded = g >= 1
    interval = (
        Interval(-math.inf, math.inf, confidence, f"{method}, unbounded")
        if unbounded
        else Interval(
            fit.centre + fit.scale * limits[0], fit.centre + fit.scale * limits[1], confidence, method
        )
    )
    return InversePrediction(
        value=x0,
        standard_error=math.sqrt(sum(terms)),
        interval=interval,
        terms=terms,
        g=g,
        unbounded=unbounded,
        degrees_of_freedom=fit.degrees_of_freedom,
    )


def fieller(u0: float, t: float, height: float, growth: float) -> tuple[tuple[float, float], float]:
    r"""Roots in u of :math:`(u_0 - u)^2 = t^2 (h + q u^2)`, and g = t² q.

    Args:
        u0: estimate, counted from where the slope's doubt has no effect.
        t: Student factor.
        height: h, variance at u = 0 in units of u².
        growth: q, relative variance of the slope.

    Returns:
        Lower and upper root (infinite when g ≥ 1), and g.
    """
    g = t * t * growth
    if g >= 1:
        return (-math.inf, math.inf), g
    half_width = t * math.sqrt((1 - g) * height + growth * u0 * u0)
    return ((u0 - half_width) / (1 - g), (u0 + half_width) / (1 - g)), g


def fieller_interval(ratio: float, first: float, second: float, nu: float, level: float) -> Interval:
    """Fieller's interval of a *ratio* of independent estimates.

    Args:
        ratio: the estimated ratio.
        first: variance of the numerator, in units of the squared denominator.
        second: variance of the denominator, in the same unit.
        nu: Welch–Satterthwaite degrees of freedom of their sum at the estimated ratio.
        level: level of the interval, whose ends are infinite where the denominator may be 0 (g ≥ 1).
    """

    def limits(level: float) -> tuple[float, float]:
        return fieller(ratio, t_two_sided(level, nu), first, second)[0]

    bounded = fieller(ratio, t_two_sided(level, nu), first, second)[1] < 1
    method = "Fieller with Welch degrees of freedom" if bounded else "Fieller, unbounded"
    return Interval.by(limits, level, method)


def _line_root(fit: CalibrationFunction, signal: float) -> float:
    c0, c1, _ = (float(c) for c in fit.scaled_coefficients)
    if c1 == 0:
        raise NotEstimable("the slope is zero", "signals that vary with the level")
    return (signal - c0) / c1


def _inside(fit: CalibrationFunction, u: float) -> bool:
    """Within the fitted levels, but for rounding."""
    low = (float(fit.x.min()) - fit.centre) / fit.scale
    high = (float(fit.x.max()) - fit.centre) / fit.scale
    return low - 1e-9 <= u <= high + 1e-9


def _roots(fit: CalibrationFunction, signal: float) -> list[float]:
    """Real u at which the parabola takes the value *signal*, without cancellation."""
    c0, c1, c2 = (float(c) for c in fit.scaled_coefficients)
    constant = c0 - signal
    discriminant = c1 * c1 - 4 * c2 * constant
    if discriminant < 0:
        return []
    q = -0.5 * (c1 + math.copysign(math.sqrt(discriminant), c1))
    roots = [constant / q] if q != 0 else []
    if c2 != 0:
        roots.append(q / c2)
    return roots


def _root_inside(fit: CalibrationFunction, signal: float) -> float:
    inside = sorted({u for u in _roots(fit, signal) if _inside(fit, u)})
    if not inside:
        raise NotEstimable(
            "the second-order function does not reach this signal within its range",
            "a signal within the calibrated range",
        )
    if len(inside) > 1:
        raise NotEstimable(
            (
                "the second-order function has a turning point within its range and gives this "
                "signal at two levels"
            ),
            "a range on one side of the turning point",
        )
    return inside[0]


def level_read(fit: CalibrationFunction, signal: float) -> float:
    """Level that gives *signal*, without its uncertainty.

    On a parabola a signal that is not reached inside the range of levels is read on the branch that leads out
    of it: half of the readings of an end level lie there by their scatter alone.

    Raises:
        NotEstimable: a slope of 0; a parabola that turns inside its range and gives the signal there twice or
            not at all, or one that turns beyond its range before it reaches the signal.
    """
    u = _root_inside_or_beyond(fit, signal) if fit.model == "quadratic" else _line_root(fit, signal)
    return float(fit.centre + fit.scale * u)


def _root_inside_or_beyond(fit: CalibrationFunction, signal: float) -> float:
    _, c1, c2 = (float(c) for c in fit.scaled_coefficients)
    low, high = ((float(end) - fit.centre) / fit.scale for end in (fit.x.min(), fit.x.max()))
    turns_inside = (c1 + 2 * c2 * low) * (c1 + 2 * c2 * high) <= 0
    if not turns_inside:
        # of the two branches one holds the whole range: the other has a slope of the other sign
        branch = [u for u in _roots(fit, signal) if (c1 + 2 * c2 * u) * (c1 + c2 * (low + high)) > 0]
        if branch:
            return branch[0]
    return _root_inside(fit, signal)


class BackCalculation(Struct, frozen=True, kw_only=True, eq=False):
    """Levels found for the calibration points themselves.

    Attributes:
        found: (n,) levels back-calculated from the signals; not a number where a parabola never reaches it.
        relative_error_percent: (n,) 100 (found/x − 1); not a number at level 0.
    """

    found: NDArray[np.float64]
    relative_error_percent: NDArray[np.float64]

    @property
    def sum_of_absolute_relative_errors(self) -> float:
        """Σ |relative error| in percent over the points that have one (common practice in bioanalysis)."""
        return float(np.nansum(np.abs(self.relative_error_percent)))


def back_calculation(fit: CalibrationFit) -> BackCalculation:
    """Back-calculated level and relative error of every calibration point.

    Raises:
        NotEstimable: a slope of 0.
    """
    return back_calculate(fit, fit.x, fit.y)


def back_calculate(fit: CalibrationFit, x: ArrayLike, y: ArrayLike) -> BackCalculation:
    """Levels found for signals *y* whose true levels *x* are known; both (n,).

    On a parabola the root on the branch through the centre of the range is taken, also when it lies a little
    outside, because the scatter of the end levels puts half of them there.

    Raises:
        NotEstimable: a slope of 0.
    """
    levels = np.asarray(x, dtype=np.float64)
    signals = np.asarray(y, dtype=np.float64)
    c0, c1, c2 = (float(c) for c in fit.scaled_coefficients)
    if c1 == 0 and c2 == 0:
        raise NotEstimable("the slope is zero", "signals that vary with the level")
    constant = signals - c0
    if c2 == 0:
        u = constant / c1
    else:
        # Where the discriminant is negative the parabola does not reach the signal.
        discriminant = c1 * c1 + 4 * c2 * constant
        root = np.sqrt(np.where(discriminant < 0, np.nan, discriminant))
        denominator = c1 + math.copysign(1.0, c1) * root
        # A turning point at the centre of the range leaves no branch to choose.
        u = 2 * constant / np.where(denominator == 0, np.nan, denominator)
    found = fit.centre + fit.scale * u
    error = np.where(levels == 0, np.nan, 100.0 * (found / np.where(levels == 0, 1.0, levels) - 1.0))
    return BackCalculation(found=found, relative_error_percent=error)


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
