"""Does the fitted function describe the levels: lack of fit, curvature, intercept, response factors."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np
from msgspec import Struct

from validator.errors import NotEstimable
from validator.statistics.distributions import f_quantile, f_upper_tail, student, t_two_sided_p
from validator.statistics.interval import Estimate, SignificanceTest
from validator.statistics.levels import level_index
from validator.statistics.regression import fit as fit_function

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from validator.statistics.regression import CalibrationFit

# A mean square this small beside the signals is rounding of the arithmetic.
_ROUNDING = 16 * float(np.finfo(np.float64).eps)


class LackOfFit(Struct, frozen=True, kw_only=True):
    """Analysis of variance of the residuals of a calibration with replicates.

    Attributes:
        statistic: F, mean square lack of fit over mean square pure error.
        df: (k − p, n − k).
        p: upper tail.
    """

    statistic: float
    df: tuple[int, int]
    p: float


def lack_of_fit(fit: CalibrationFit) -> LackOfFit:
    r"""Lack of fit against pure error.

    .. math:: F = \frac{\sum_i W_i (\bar y_i - \hat y_i)^2 / (k - p)}
              {\sum_{ij} w_{ij} (y_{ij} - \bar y_i)^2 / (n - k)}

    with weighted level means :math:`\bar y_i` and :math:`W_i = \sum_j w_{ij}`.

    Raises:
        NotEstimable: no replicates, no more levels than coefficients, or replicates that are all equal.

    References:
        N. R. Draper, H. Smith, Applied Regression Analysis, 3rd ed. 1998, section 2.1; IUPAC, K. Danzer,
        L. A. Currie, Pure Appl. Chem. 70 (1998) 993–1014 (both from memory).
    """
    levels, index = level_index(fit.x)
    k = levels.size
    nu1, nu2 = k - fit.parameters, fit.n - k
    if nu2 < 1:
        raise NotEstimable(
            "no level was measured in replicate", "at least 2 independent preparations at some levels"
        )
    if nu1 < 1:
        raise NotEstimable(
            f"only {k} levels for {fit.parameters} coefficients", f"at least {fit.parameters + 1} levels"
        )
    weight = np.bincount(index, weights=fit.weights)
    mean_residual = np.bincount(index, weights=fit.weights * fit.residuals) / weight
    deviation = fit.residuals - mean_residual[index]
    rounding = _ROUNDING * float(np.abs(fit.y).max())
    if float(np.abs(deviation).max()) <= rounding:
        raise NotEstimable(
            "the replicates at each level are identical",
            "signals recorded with sufficient resolution",
        )
    ss_lack = float(weight @ mean_residual**2)
    ss_pure = float(fit.weights @ deviation**2)
    statistic = (ss_lack / nu1) / (ss_pure / nu2)
    return LackOfFit(
        statistic=statistic,
        df=(nu1, nu2),
        p=f_upper_tail(statistic, nu1, nu2),
    )


def level_misfit(fit: CalibrationFit, *, confidence: float = 0.95) -> tuple[tuple[float, Estimate], ...]:
    r"""Deviation of the mean of each level above 0 from the function, in percent of the level.

    .. math:: m_j = 100\,\frac{\bar y_j - \hat y_j}{\hat y'(x_j)\,x_j}, \qquad
              u^2(\bar y_j - \hat y_j) = s^2 \left(\frac{1}{W_j} - \frac{h_j}{w_j}\right)

    with s the pure error where levels have replicates and the residual standard deviation elsewhere: how
    large a misfit the data leave possible, which the p value of a test of linearity does not say.

    Returns:
        Pairs of level and estimate (%), in rising order of the levels.

    Raises:
        NotEstimable: the function is flat at a level.

    References:
        Variance of a residual: N. R. Draper, H. Smith, Applied Regression Analysis, 3rd ed. 1998, chapter 8
        (from memory).
    """
    levels, index = level_index(fit.x)
    weight = np.bincount(index, weights=fit.weights)
    mean_residual = np.bincount(index, weights=fit.weights * fit.residuals) / weight
    s, nu = fit.residual_standard_deviation, fit.degrees_of_freedom
    if fit.n > levels.size:
        deviation = fit.residuals - mean_residual[index]
        nu = fit.n - levels.size
        s = math.sqrt(float(fit.weights @ deviation**2) / nu)
    curve = 0.0 if fit.quadratic is None else fit.quadratic.value
    found = []
    for at, level in enumerate(levels):
        if level <= 0:
            continue
        slope = fit.slope.value + 2 * curve * level
        if slope == 0:
            raise NotEstimable("the function is flat at a level", "a signal that rises with the level")
        one = int(np.flatnonzero(index == at)[0])
        share = max(0.0, 1 / weight[at] - fit.leverage[one] / fit.weights[one])
        to_percent = 100 / (slope * float(level))
        error = s * math.sqrt(share) * abs(to_percent)
        found.append((float(level), student(float(mean_residual[at]) * to_percent, error, nu, confidence)))
    return tuple(found)


def mandel(fit: CalibrationFit, *, significance: float = 0.01) -> SignificanceTest:
    r"""Mandel's fitting test: does a parabola describe the points better than the line?

    .. math:: PW = \frac{\sum w r_{line}^2 - \sum w r_{parabola}^2}{\sum w r_{parabola}^2/(n-3)} = (c/s_c)^2

    compared with F(1, n − 3); the weights of the line are kept.  The second form is used: it does not
    subtract two nearly equal sums.

    Args:
        fit: a line with intercept.
        significance: of the critical value; 0.01 in the standard.

    Raises:
        NotEstimable: fewer than 4 points or 3 levels.
        ValueError: the fit is not a line with intercept.

    References:
        ISO 8466-1:1990, clause 4.1.3; J. Mandel, The Statistical Analysis of Experimental Data, 1964
        (both from memory).
    """
    if fit.model != "linear":
        message = "Mandel's test compares a line with intercept and a parabola"
        raise ValueError(message)
    curved = fit_function(fit.x, fit.y, model="quadratic", weights=fit.weights)
    nu = curved.degrees_of_freedom
    if fit.residual_standard_deviation == 0:
        statistic = 0.0
    elif curved.residual_standard_deviation == 0:
        statistic = math.inf
    else:
        statistic = float(curved.scaled_coefficients[2] ** 2 / curved.scaled_covariance[2, 2])
    return SignificanceTest(
        name="Mandel",
        statistic=statistic,
        df=(1, nu),
        p=f_upper_tail(statistic, 1, nu),
        critical=f_quantile(1 - significance, 1, nu),
        critical_level=significance,
    )


def intercept_test(fit: CalibrationFit) -> SignificanceTest:
    """Student t of the intercept against 0, ν of the fit.

    Raises:
        NotEstimable: the function goes through the origin by definition, or nothing scatters.
    """
    error = fit.intercept.standard_error
    if fit.model == "linear_through_origin" or error is None:
        raise NotEstimable("the function was constrained through the origin", "a model with intercept")
    if error == 0:
        raise NotEstimable(
            "all points lie exactly on the fitted function",
            "signals recorded with sufficient resolution to show variation",
        )
    t = fit.intercept.value / error
    nu = fit.degrees_of_freedom
    return SignificanceTest(name="intercept against 0", statistic=t, df=(nu,), p=t_two_sided_p(t, nu))


def response_factors(
    x: NDArray[np.float64], y: NDArray[np.float64], intercept: float
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Levels above 0, ascending, and the response factors (y − a)/x there."""
    positive = np.flatnonzero(x > 0)
    order = positive[np.argsort(x[positive], kind="stable")]
    return x[order], (y[order] - intercept) / x[order]


class MethodStandardDeviation(Struct, frozen=True, kw_only=True):
    """Residual standard deviation in units of the level.

    Attributes:
        value: s_x0 = s/b (for a parabola: over the slope at the mean level).
        relative_percent: V_x0 = 100 s_x0/x̄.
    """

    value: float
    relative_percent: float


def method_standard_deviation(fit: CalibrationFit) -> MethodStandardDeviation:
    r"""s_x0 and V_x0.

    .. math:: s_{x0} = s_y / b \quad\text{(line)}, \qquad
              s_{x0} = s_y / (b + 2 c \bar x) \quad\text{(parabola)}, \qquad V_{x0} = 100\, s_{x0} / \bar x

    Raises:
        NotEstimable: the slope or the mean level is 0.

    References:
        ISO 8466-1:1990, clause 4.1.4; ISO 8466-2:2001 (parabola) (both from memory).
    """
    slope = float(fit.slope_at(fit.mean_x))
    if slope == 0 or fit.mean_x == 0:
        raise NotEstimable(
            "the slope is zero" if slope == 0 else "the mean level is 0",
            "levels above zero with signals that vary",
        )
    value = fit.residual_standard_deviation / abs(slope)
    return MethodStandardDeviation(value=value, relative_percent=100.0 * value / abs(fit.mean_x))


def quality_coefficient(fit: CalibrationFit) -> float:
    r"""Quality coefficient of a calibration in percent; the smaller the better.

    .. math:: QC = 100 \left[\frac{1}{n-1} \sum \left(\frac{y_i - \hat y_i}{\bar y}\right)^2\right]^{1/2}

    Raises:
        NotEstimable: the mean signal is zero.

    References:
        P. Vankeerberghen, J. Smeyers-Verbeke, Chemom. Intell. Lab. Syst. 15 (1992) 195–202 (from memory).
    """
    mean = float(fit.y.mean())
    if mean == 0:
        raise NotEstimable("the mean signal is zero", "signals with a mean different from 0")
    relative = fit.residuals / mean
    return 100.0 * math.sqrt(float(relative @ relative) / (fit.n - 1))
