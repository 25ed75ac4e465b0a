"""Straight lines where both axes are uncertain: York with stated uncertainties, Deming with their ratio."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Literal

import numpy as np
from msgspec import Struct

from validator.errors import NotEstimable
from validator.numbers import counted
from validator.statistics.distributions import chi2_upper_tail, student
from validator.statistics.interval import Estimate
from validator.statistics.regression import EPS, CalibrationFit, fit
from validator.statistics.sample import Vector, vector

if TYPE_CHECKING:
    from numpy.typing import ArrayLike


_ITERATIONS = 200


class YorkFit(Struct, frozen=True, kw_only=True, eq=False):
    """A line through points that are uncertain in both directions.

    Attributes:
        slope, intercept: standard errors from the stated uncertainties times sqrt(reduced χ²), so that
            they reflect the scatter found; intervals Student t with n − 2.
        slope_standard_uncertainty, intercept_standard_uncertainty: from the stated uncertainties alone.
        chi_squared: S = Σ W (y − a − b x)².
        degrees_of_freedom: n − 2.
        p: probability of a larger S if line and stated uncertainties hold.
    """

    slope: Estimate
    intercept: Estimate
    slope_standard_uncertainty: float
    intercept_standard_uncertainty: float
    chi_squared: float
    degrees_of_freedom: int
    p: float

    @property
    def reduced_chi_squared(self) -> float:
        """S/(n − 2): about 1 when the scatter agrees with the stated uncertainties."""
        return self.chi_squared / self.degrees_of_freedom


def york(
    x: ArrayLike,
    y: ArrayLike,
    *,
    u_x: ArrayLike,
    u_y: ArrayLike,
    correlation: ArrayLike = 0.0,
    confidence: float = 0.95,
) -> YorkFit:
    r"""Best line with errors in both coordinates.

    .. math:: W_i = \frac{1}{u_{y,i}^2 + b^2 u_{x,i}^2 - 2 b r_i u_{x,i} u_{y,i}}, \quad
              b = \frac{\sum W β V}{\sum W β U}, \quad a = \bar Y - b \bar X

    .. math:: β_i = W_i [U_i u_{y,i}^2 + b V_i u_{x,i}^2 - (b U_i + V_i) r_i u_{x,i} u_{y,i}], \quad
              U = x - \bar X, \ V = y - \bar Y

    solved by iteration, with means weighted by W; the standard uncertainties are those of the adjusted
    points, :math:`u_b^2 = 1/\sum W (ξ - \bar ξ)^2`, :math:`u_a^2 = 1/\sum W + \bar ξ^2 u_b^2`, ξ = X̄ + β.

    Args:
        x: (n,) levels.
        y: (n,) signals.
        u_x: (n,) standard uncertainties of x, one number for all allowed.
        u_y: (n,) standard uncertainties of y, likewise; not both 0 at a point.
        correlation: (n,) correlation r of the two errors of a point.
        confidence: level of the intervals.

    Raises:
        NotEstimable: fewer than 3 points, one level, a constant signal, points without uncertainty, or an
            iteration that does not settle.
        ValueError: arrays that do not match, negative uncertainties, |r| ≥ 1.

    References:
        D. York, N. M. Evensen, M. López Martínez, J. De Basabe Delgado, Am. J. Phys. 72 (2004) 367–375,
        section III.
    """
    start = fit(x, y, confidence=confidence)
    x, y = start.x, start.y
    n = x.size
    ux, uy = vector(u_x, "u_x", size=n), vector(u_y, "u_y", size=n)
    r = vector(correlation, "correlation", size=n)
    if (ux < 0).any() or (uy < 0).any() or (np.abs(r) >= 1).any():
        message = "uncertainties must not be negative and correlations must lie between -1 and 1"
        raise ValueError(message)
    if ((ux == 0) & (uy == 0)).any():
        raise NotEstimable("no uncertainty is stated for one of the points", "an uncertainty for every point")
    # Both axes in units of their spread, so that the sums stay near 1.
    unit_x, unit_y = start.scale, float(np.sqrt(np.mean((y - start.mean_y) ** 2)))
    xs, ys = (x - start.centre) / unit_x, (y - start.mean_y) / unit_y
    state = _iterate(xs, ys, ux / unit_x, uy / unit_y, r, start.slope.value * unit_x / unit_y)
    return _report(state, xs, ys, (start.centre, unit_x), (start.mean_y, unit_y), confidence)


class _State(Struct, frozen=True, kw_only=True, eq=False):
    """Where the iteration settled."""

    b: float
    w: Vector
    mean_x: float
    mean_y: float
    beta: Vector


def _iterate(x: Vector, y: Vector, ux: Vector, uy: Vector, r: Vector, b: float) -> _State:
    cross = r * ux * uy
    smallest_step = math.inf
    for _ in range(_ITERATIONS):
        w = 1.0 / (uy**2 + b * b * ux**2 - 2 * b * cross)
        total = float(w.sum())
        mean_x, mean_y = float(w @ x) / total, float(w @ y) / total
        u, v = x - mean_x, y - mean_y
        beta = w * (u * uy**2 + b * v * ux**2 - (b * u + v) * cross)
        denominator = float(w @ (beta * u))
        if denominator == 0:
            break
        new = float(w @ (beta * v)) / denominator
        step = abs(new - b)
        b = new
        # Near the end rounding alone moves the slope: stop when the steps no longer shrink there.
        if step <= 4 * EPS * abs(b) or (step <= 1e-12 * abs(b) and step >= smallest_step):
            return _State(b=b, w=w, mean_x=mean_x, mean_y=mean_y, beta=beta)
        smallest_step = min(smallest_step, step)
    raise NotEstimable(
        "the regression with errors in both variables does not converge",
        "results that are closer to a straight line",
    )


def _report(
    state: _State,
    x: Vector,
    y: Vector,
    x_axis: tuple[float, float],
    y_axis: tuple[float, float],
    confidence: float,
) -> YorkFit:
    """Back from centred and scaled axes, (origin, unit) each."""
    (x_origin, x_unit), (y_origin, y_unit) = x_axis, y_axis
    b, w, beta = state.b, state.w, state.beta
    total = float(w.sum())
    a = state.mean_y - b * state.mean_x
    residuals = (y - state.mean_y) - b * (x - state.mean_x)
    chi_squared = float(w @ residuals**2)
    xi = state.mean_x + beta
    mean_xi = float(w @ xi) / total
    u_b = math.sqrt(1.0 / float(w @ (xi - mean_xi) ** 2))

    slope_unit = y_unit / x_unit
    slope = b * slope_unit
    u_slope = u_b * slope_unit
    # The intercept belongs to x = 0 on the original axis.
    lever = x_origin + x_unit * mean_xi
    intercept = y_origin + y_unit * a - slope * x_origin
    u_intercept = math.hypot(y_unit / math.sqrt(total), lever * u_slope)
    nu = x.size - 2
    scatter = math.sqrt(chi_squared / nu)

    def estimate(value: float, uncertainty: float) -> Estimate:
        error = uncertainty * scatter
        return student(value, error, nu, confidence)

    return YorkFit(
        slope=estimate(slope, u_slope),
        intercept=estimate(intercept, u_intercept),
        slope_standard_uncertainty=u_slope,
        intercept_standard_uncertainty=u_intercept,
        chi_squared=chi_squared,
        degrees_of_freedom=nu,
        p=chi2_upper_tail(chi_squared, nu),
    )


class LevelUncertaintyEffect(Struct, frozen=True, kw_only=True, eq=False):
    """How much the uncertainty of the levels matters beside the scatter of the signals.

    Attributes:
        largest_share: largest |dy/dx| u(x) / (s/√w) of a point.
        york: line with errors in both directions, for a straight calibration whose levels matter; else None.
    """

    largest_share: float
    york: YorkFit | None


def level_uncertainty_effect(
    calibration: CalibrationFit, u_x: ArrayLike, *, threshold: float = 1 / 3
) -> LevelUncertaintyEffect:
    """Compare b·u(x) with the scatter of the signals, point by point.

    Beyond *threshold* (one third: it then adds more than 5 % to the standard deviation) the ordinary
    assumption of exact levels is in doubt, and a line with errors in both directions is fitted beside, with
    u(y) = s/√w.

    Args:
        calibration: fit that took the levels as exact.
        u_x: (n,) standard uncertainties of the levels, one number for all allowed.
        threshold: largest harmless share.

    Raises:
        NotEstimable: points that lie exactly on the fitted function.
        ValueError: arrays that do not match, or negative uncertainties.

    References:
        Levels exact when their uncertainty is small beside that of the signals: ISO 11095:1996, clause 4;
        ISO 8466-1:1990, clause 4.1 (both from memory); one third is common practice.
    """
    ux = vector(u_x, "u_x", size=calibration.n)
    if (ux < 0).any():
        message = "uncertainties must not be negative"
        raise ValueError(message)
    s = calibration.residual_standard_deviation
    if s == 0:
        raise NotEstimable(
            "all points lie exactly on the fitted function",
            "signals recorded with sufficient resolution to show variation",
        )
    u_y = s / np.sqrt(calibration.weights)
    largest = float((np.abs(calibration.slope_at(calibration.x)) * ux / u_y).max())
    line = None
    if largest > threshold and calibration.model == "linear":
        line = york(calibration.x, calibration.y, u_x=ux, u_y=u_y, confidence=calibration.confidence)
    return LevelUncertaintyEffect(largest_share=largest, york=line)


RatioSource = Literal["given", "replicates", "assumed"]
JACKKNIFE = "jackknife, Student t"


class Deming(Struct, frozen=True, kw_only=True):
    """Line this = intercept + slope·reference.

    Attributes:
        slope: with jackknife standard error.
        intercept: the same, unit of the data.
        variance_ratio: λ = error variance of this (y) / error variance of the reference (x).
        ratio_source: where λ came from.
        reason: why there are no standard errors, when there are none.
    """

    slope: Estimate
    intercept: Estimate
    variance_ratio: float
    ratio_source: RatioSource
    reason: str | None


def deming(
    this: ArrayLike,
    reference: ArrayLike,
    *,
    variance_ratio: float = 1.0,
    ratio_source: RatioSource = "assumed",
    confidence: float = 0.95,
) -> Deming:
    r"""Deming regression with jackknife standard errors.

    .. math:: b = \frac{S_{yy} - \lambda S_{xx} + \sqrt{(S_{yy}-\lambda S_{xx})^2 + 4\lambda S_{xy}^2}}
                       {2 S_{xy}}, \qquad a = \bar y - b\bar x

    Jackknife: pseudo-values n·b − (n − 1)·b₍ᵢ₎, whose standard deviation over √n is the standard error
    around the estimate from all samples; t with n − 2 degrees of freedom.

    Args:
        this: (n,) results y of the method, one for each sample.
        reference: (n,) results x of the other method.
        variance_ratio: λ > 0, see :func:`validator.statistics.comparison.error_variance_ratio`.
        ratio_source: where it came from; kept in the result.
        confidence: level of the intervals.

    Raises:
        NotEstimable: fewer than 4 samples, no spread, or uncorrelated results.
        ValueError: λ not positive.

    References:
        W. E. Deming, Statistical Adjustment of Data (1943); K. Linnet, Clin. Chem. 36 (1990) 2021–2025
        and 39 (1993) 424–432 (jackknife) (all from memory).
    """
    if not (variance_ratio > 0 and math.isfinite(variance_ratio)):
        message = "the ratio of the error variances must be positive"
        raise ValueError(message)
    y = vector(this, "this")
    x = vector(reference, "reference", size=y.size)
    n = x.size
    if n < 4:
        raise NotEstimable(counted(n, "sample"), "at least 4 samples measured by both methods")
    if float(np.ptp(x)) == 0 or float(np.ptp(y)) == 0:
        raise NotEstimable(
            "one of the methods gave the same value for all samples", "samples with different contents"
        )
    scale = float(np.sqrt(np.ptp(x) * np.ptp(y)))
    x_mean, y_mean = float(x.mean()), float(y.mean())
    dx, dy = (x - x_mean) / scale, (y - y_mean) / scale
    s_xx, s_yy, s_xy = float((dx**2).sum()), float((dy**2).sum()), float((dx * dy).sum())
    if abs(s_xy) <= 1e-12 * math.sqrt(s_xx * s_yy):
        raise NotEstimable("the results of the two methods are not correlated", "samples over a wider range")
    b = float(_slope(np.array(s_xx), np.array(s_yy), np.array(s_xy), variance_ratio))
    # Sums without sample i, exactly: the mean moves by −d_i/(n − 1).
    k = n / (n - 1)
    b_i = _slope(s_xx - k * dx**2, s_yy - k * dy**2, s_xy - k * dx * dy, variance_ratio)
    a_i = (y_mean - dy * scale / (n - 1)) - b_i * (x_mean - dx * scale / (n - 1))
    a = y_mean - b * x_mean
    u_b, u_a = _jackknife(b, b_i), _jackknife(a, a_i)
    residual = float(np.abs(dy - b * dx).max())
    exact = residual <= 1e-12 * max(float(np.abs(dx).max()) * abs(b), float(np.abs(dy).max()))
    if exact or not (math.isfinite(u_b) and math.isfinite(u_a)):
        reason = (
            "all results lie exactly on a straight line"
            if exact
            else "the slope is determined by a single sample"
        )
        return Deming(
            slope=Estimate(value=b),
            intercept=Estimate(value=a),
            variance_ratio=variance_ratio,
            ratio_source=ratio_source,
            reason=reason,
        )
    return Deming(
        slope=student(b, u_b, n - 2, confidence, JACKKNIFE),
        intercept=student(a, u_a, n - 2, confidence, JACKKNIFE),
        variance_ratio=variance_ratio,
        ratio_source=ratio_source,
        reason=None,
    )


def _slope(s_xx: Vector, s_yy: Vector, s_xy: Vector, ratio: float) -> Vector:
    """The root in the form that does not subtract nearly equal numbers; nan where S_xy is 0."""
    excess = s_yy - ratio * s_xx
    root = np.hypot(excess, 2 * math.sqrt(ratio) * s_xy)
    numerator = np.where(excess >= 0, excess + root, 2 * ratio * s_xy)
    denominator = np.where(excess >= 0, 2 * s_xy, root - excess)
    defined = denominator != 0
    return np.where(defined, numerator / np.where(defined, denominator, 1.0), np.nan)


def _jackknife(estimate: float, without: Vector) -> float:
    n = without.size
    pseudo = n * estimate - (n - 1) * without
    return float(np.std(pseudo, ddof=1)) / math.sqrt(n)
