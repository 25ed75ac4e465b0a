"""Does the fitted function describe the levels: lack of fit, curvature, intercept, and over which range."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np
from msgspec import Struct

from validator.errors import NotEstimable
from validator.records import Record
from validator.statistics.distributions import f_quantile, f_upper_tail, student, t_two_sided_p
from validator.statistics.interval import Estimate, SignificanceTest
from validator.statistics.inverse_prediction import back_calculate
from validator.statistics.levels import by_level, level_index
from validator.statistics.regression import fit
from validator.statistics.regression import fit as fit_function
from validator.statistics.sample import Vector, vector

if TYPE_CHECKING:
    from collections.abc import Iterator

    from numpy.typing import ArrayLike, NDArray

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


FEWEST_SETS, MOST_SETS, MOST_POINTS = 10, 1_000, 2_000_000
"""Ranges that are tried: all of them up to 47 levels; of more, as many as are fitted in seconds.

There are about k²/2 ranges of k levels, and each fit goes over all their points.
"""


class LinearRangeStep(Record, frozen=True, kw_only=True):
    """One set of levels that was tried.

    Attributes:
        lower, upper: its lowest and highest level.
        levels: number of levels in it.
        mandel_p: of the curvature test.
        lack_of_fit_p: None without replicates.
        worst_relative_error_percent: back-calculated level mean that lies off most, beside its tolerance.
        worst_level: where.
        failed: what spoke against the set; empty when it was accepted.
    """

    lower: float
    upper: float
    levels: int
    mandel_p: float
    lack_of_fit_p: float | None = None
    worst_relative_error_percent: float
    worst_level: float
    failed: tuple[str, ...] = ()

    @property
    def accepted(self) -> bool:
        """Nothing spoke against the set."""
        return not self.failed


class LinearRange(Struct, frozen=True, kw_only=True, eq=False):
    """Outcome of the search.

    Attributes:
        lower, upper: ends of the linear range; None when no set was accepted.
        fit: the line over it; None likewise.
        steps: every set tried, in order; the tests were repeated that often.
        alpha: significance level of each single test.
        tolerance, lowest_tolerance: allowed relative error, as fractions.
        largest_misfit: relative misfit of a level mean up to which a significant test is of no account.
        minimum_levels: levels that had to stay.
    """

    lower: float | None
    upper: float | None
    fit: CalibrationFit | None
    steps: tuple[LinearRangeStep, ...]
    alpha: float
    tolerance: float
    lowest_tolerance: float
    largest_misfit: float
    minimum_levels: int

    @property
    def found(self) -> bool:
        """A set was accepted."""
        return self.fit is not None


def linear_range(
    x: ArrayLike,
    y: ArrayLike,
    *,
    weights: ArrayLike | None = None,
    alpha: float = 0.05,
    tolerance: float = 0.15,
    lowest_tolerance: float = 0.20,
    largest_misfit: float = 0.05,
    minimum_levels: int = 5,
    confidence: float = 0.95,
) -> LinearRange:
    """Search the levels over which the calibration is a line.

    Starting with all levels, the highest is dropped, again and again, until neither Mandel's test nor lack
    of fit (where there are replicates) is significant at *alpha* and moves a level mean by more than
    *largest_misfit*, and every back-calculated level mean lies within *tolerance* (*lowest_tolerance* at the
    lowest level above 0; level 0 has no relative error).  When this fails down to *minimum_levels*, or where
    nothing but the back-calculation of a level in the lower half speaks against a set (weights are then
    wanted, no lower top), the lowest level is dropped and the search from the top starts anew.  The tests are
    repeated at every step, so the stated significance holds for each and not for the search.

    Args:
        x: (n,) levels of independent preparations.
        y: (n,) signals.
        weights: (n,) weights of the points, kept for every set.
        alpha: significance level of each test.
        tolerance: allowed relative error as a fraction.
        lowest_tolerance: the same at the lowest level.
        largest_misfit: relative misfit of a level mean that the use would not notice, as a fraction.
        minimum_levels: levels that have to stay.
        confidence: of the resulting fit.

    Returns:
        The range with its path; ``found`` is False when every set was rejected.

    Raises:
        NotEstimable: fewer than *minimum_levels* levels, or so many that the search was given up.
        ValueError: arrays that do not match, or *minimum_levels* below 4.

    References:
        Curvature: ISO 8466-1:1990, clause 4.1.3.  The tolerances follow bioanalytical guidance: ICH M10
        (2022), section 3.2.5.2 (both from memory); the search itself is a rule of this package.
    """
    if minimum_levels < 4:
        message = "minimum_levels must be at least 4"
        raise ValueError(message)
    levels = by_level(x, y)
    if levels.k < minimum_levels:
        raise NotEstimable(f"only {levels.k} levels", f"at least {minimum_levels} levels")
    at, signals = vector(x, "x"), vector(y, "y")
    w = np.ones(at.size) if weights is None else vector(weights, "weights", size=at.size)
    steps: list[LinearRangeStep] = []
    accepted: CalibrationFit | None = None
    most = max(FEWEST_SETS, min(MOST_SETS, MOST_POINTS // at.size))
    hopeless = -1
    for low, high in _sets(levels.k, minimum_levels):
        if low == hopeless:
            continue
        if len(steps) == most:
            raise NotEstimable(
                f"none of the {most} widest subsets of the {levels.k} levels is linear",
                "fewer levels with replicates, or a second-order calibration function",
            )
        kept = (levels.index >= low) & (levels.index <= high)
        line = fit(at[kept], signals[kept], weights=w[kept], confidence=confidence)
        steps.append(_judge(line, alpha, tolerance, lowest_tolerance, largest_misfit))
        if steps[-1].accepted:
            accepted = line
            break
        if steps[-1].failed == (BACK_CALCULATION,) and steps[-1].worst_level < np.median(levels.level[low:]):
            hopeless = low
    return LinearRange(
        lower=None if accepted is None else steps[-1].lower,
        upper=None if accepted is None else steps[-1].upper,
        fit=accepted,
        steps=tuple(steps),
        alpha=alpha,
        tolerance=tolerance,
        lowest_tolerance=lowest_tolerance,
        largest_misfit=largest_misfit,
        minimum_levels=minimum_levels,
    )


BACK_CALCULATION = "back-calculation"


def _sets(k: int, minimum: int) -> Iterator[tuple[int, int]]:
    """First and last level of each set, in the order of the search."""
    for low in range(k - minimum + 1):
        for high in range(k - 1, low + minimum - 2, -1):
            yield low, high


def _judge(
    line: CalibrationFit, alpha: float, tolerance: float, lowest_tolerance: float, largest_misfit: float
) -> LinearRangeStep:
    levels = by_level(line.x, line.y)
    curvature = mandel(line).p
    mandel_p = 1.0 if curvature is None else curvature
    try:
        lack_p = None if line.residual_standard_deviation == 0 else lack_of_fit(line).p
    except NotEstimable:
        lack_p = None
    error = _relative_errors(line, levels.level, levels.mean)
    allowed = np.full(levels.k, 100.0 * tolerance)
    allowed[int(np.argmax(levels.level > 0))] = 100.0 * lowest_tolerance
    worst = int(np.argmax(np.abs(error) / allowed))
    matters = bool((np.abs(error) > 100.0 * largest_misfit).any())
    failed = (
        *(("Mandel",) if mandel_p < alpha and matters else ()),
        *(("lack of fit",) if lack_p is not None and lack_p < alpha and matters else ()),
        *((BACK_CALCULATION,) if abs(error[worst]) > allowed[worst] else ()),
    )
    return LinearRangeStep(
        lower=float(levels.level[0]),
        upper=float(levels.level[-1]),
        levels=levels.k,
        mandel_p=mandel_p,
        lack_of_fit_p=lack_p,
        worst_relative_error_percent=float(error[worst]),
        worst_level=float(levels.level[worst]),
        failed=failed,
    )


def _relative_errors(line: CalibrationFit, level: Vector, mean: Vector) -> Vector:
    """Relative errors in percent; 0 at level 0, which has none, infinite where the line has no slope."""
    try:
        error = back_calculate(line, level, mean).relative_error_percent
    except NotEstimable:
        return np.full(level.size, math.inf)
    return np.where(level == 0, 0.0, error)
