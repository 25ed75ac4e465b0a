"""Slopes of independent calibrations compared: ratio, difference, common slope, gain, sensitivity."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from validator.errors import NotEstimable
from validator.statistics.distributions import (
    f_upper_tail,
    student,
    t_two_sided_p,
)
from validator.statistics.interval import Estimate, SignificanceTest
from validator.statistics.inverse_prediction import fieller_interval
from validator.statistics.sample import effective_degrees_of_freedom, series_rows, vector

if TYPE_CHECKING:
    from collections.abc import Hashable, Sequence

    from numpy.typing import ArrayLike

    from validator.statistics.regression import CalibrationFit


WEIGHTED = "the residual variances of weighted fits refer to different levels"


def slope_ratio(first: CalibrationFit, second: CalibrationFit, *, confidence: float = 0.95) -> Estimate:
    r"""Ratio ρ = b1/b2 of the slopes of two independent lines.

    Fieller's limits are the ρ with :math:`|b_1 - ρ b_2| = t\,(s_{b1}^2 + ρ^2 s_{b2}^2)^{1/2}`, t at the
    Welch–Satterthwaite ν of :math:`s_{b1}^2 + \hatρ^2 s_{b2}^2`.  Where the reference slope may be 0
    (g ≥ 1) they are infinite.

    Raises:
        NotEstimable: a parabola, a reference slope of 0, or two exact lines.

    References:
        E. C. Fieller, J. R. Stat. Soc. B 16 (1954) 175–185 (from memory).
    """
    b1, v1, nu1 = _slope(first)
    b2, v2, nu2 = _slope(second)
    if b2 == 0:
        raise NotEstimable("the reference slope is 0", "a reference signal that changes with the level")
    # Relative to the reference slope, so that no power of a tiny slope is formed.
    ratio, r1, r2 = b1 / b2, v1 / b2 / b2, v2 / b2 / b2
    variance = r1 + ratio**2 * r2
    if variance == 0:
        raise NotEstimable(
            "all points lie exactly on both lines",
            "signals recorded with sufficient resolution to show variation",
        )
    nu = effective_degrees_of_freedom([(r1, nu1), (ratio**2 * r2, nu2)])
    return Estimate(
        value=ratio,
        standard_error=math.sqrt(variance),
        interval=fieller_interval(ratio, r1, r2, nu, confidence),
        degrees_of_freedom=nu,
    )


def slope_difference(first: CalibrationFit, second: CalibrationFit) -> SignificanceTest:
    r"""Welch t test of equal slopes of two independent lines.

    .. math:: t_{Welch} = \frac{b_1 - b_2}{(s_{b1}^2 + s_{b2}^2)^{1/2}}

    Raises:
        NotEstimable: a parabola, or two exact lines.

    References:
        J. M. Andrade, M. G. Estévez-Pérez, Anal. Chim. Acta 838 (2014) 1–12 (unequal variances; from memory).
    """
    b1, v1, nu1 = _slope(first)
    b2, v2, nu2 = _slope(second)
    if v1 + v2 == 0:
        raise NotEstimable(
            "all points lie exactly on both lines",
            "signals recorded with sufficient resolution to show variation",
        )
    nu = effective_degrees_of_freedom([(v1, nu1), (v2, nu2)])
    t = (b1 - b2) / math.sqrt(v1 + v2)
    return SignificanceTest(name="slopes, Welch t", statistic=t, df=(nu,), p=t_two_sided_p(t, nu))


def common_slope_test(fits: Sequence[CalibrationFit]) -> SignificanceTest:
    r"""Have k independent lines one slope?

    .. math:: F = \frac{\sum_i S_{xx,i} (b_i - b_c)^2 / (k-1)}{\sum_i ν_i s_i^2 / \sum_i ν_i}, \quad
              b_c = \sum S_{xx,i} b_i / \sum S_{xx,i}

    The residual variances are taken as equal.

    Raises:
        NotEstimable: fewer than two lines, a parabola, weighted fits, or nothing that scatters.

    References:
        G. W. Snedecor, W. G. Cochran, Statistical Methods, chapter on analysis of covariance (from memory).
    """
    if len(fits) < 2:
        raise NotEstimable("only one calibration line", "at least 2 calibrations")
    slopes = [_slope(fit)[0] for fit in fits]
    if any(fit.is_weighted for fit in fits):
        raise NotEstimable(WEIGHTED, "unweighted fits")
    information = [_information(fit) for fit in fits]
    nu = sum(fit.degrees_of_freedom for fit in fits)
    pooled = sum(fit.degrees_of_freedom * fit.residual_standard_deviation**2 for fit in fits) / nu
    if pooled == 0:
        raise NotEstimable(
            "all points lie exactly on the lines",
            "signals recorded with sufficient resolution to show variation",
        )
    common = sum(s * b for s, b in zip(information, slopes, strict=True)) / sum(information)
    between = sum(s * (b - common) ** 2 for s, b in zip(information, slopes, strict=True))
    statistic = between / (len(fits) - 1) / pooled
    df = (len(fits) - 1, nu)
    return SignificanceTest(name="common slope", statistic=statistic, df=df, p=f_upper_tail(statistic, *df))


class EqualLines(NamedTuple):
    """F tests of equal slopes, and of equal intercepts under a common slope; None without scatter."""

    slopes: SignificanceTest | None
    intercepts: SignificanceTest | None


def equal_lines(
    x: ArrayLike, y: ArrayLike, groups: Sequence[Hashable], *, weights: ArrayLike | None = None
) -> EqualLines:
    r"""Do groups share a line?

    .. math:: F = \frac{(SS_{common} - SS_{own})/(G-1)}{SS_{own}/\nu}

    with weighted sums of squares, ν = N − 2G for the slopes and N − G − 1 for the intercepts.

    Args:
        x: (N,) levels or times.
        y: (N,) signals or results.
        groups: (N,) group of each, every one at two x or more.
        weights: (N,) known weights.

    References:
        G. W. Snedecor, W. G. Cochran, Statistical Methods, chapter on analysis of covariance (from memory).
    """
    at, values = vector(x, "x"), vector(y, "y", size=np.size(x))
    w = np.ones(at.size) if weights is None else vector(weights, "weights", size=at.size)
    rows = series_rows(groups, at.size)
    count, n = len(rows), at.size

    def sums(own: Sequence[int] | slice) -> tuple[float, float, float]:
        share = w[own] / w[own].sum()
        dx, dy = at[own] - share @ at[own], values[own] - share @ values[own]
        return float(w[own] @ dx**2), float(w[own] @ (dx * dy)), float(w[own] @ dy**2)

    s_xx, s_xy, s_yy = sums(slice(None))
    one = s_yy - s_xy**2 / s_xx
    within = np.array([sums(own) for own in rows])
    s_xx, s_xy, s_yy = (float(total) for total in within.sum(axis=0))
    common = s_yy - s_xy**2 / s_xx
    own_lines = float((within[:, 2] - within[:, 1] ** 2 / within[:, 0]).sum())
    return EqualLines(
        _restriction("equal slopes", common, own_lines, count - 1, n - 2 * count),
        _restriction("equal intercepts", one, common, count - 1, n - count - 1),
    )


def _restriction(name: str, restricted: float, free: float, nu1: int, nu2: int) -> SignificanceTest | None:
    """F test of a restriction by its residual sums of squares; None without residual scatter."""
    if nu2 < 1 or free <= 1e-24 * max(restricted, 1e-300):
        return None
    f = max(restricted - free, 0.0) / nu1 / (free / nu2)
    return SignificanceTest(name=name, statistic=f, df=(nu1, nu2), p=f_upper_tail(f, nu1, nu2))


def matrix_effect(matrix: CalibrationFit, solvent: CalibrationFit, *, confidence: float = 0.95) -> Estimate:
    """Matrix effect in percent, 100 (b_matrix/b_solvent − 1), with Fieller's interval (common practice).

    Raises:
        NotEstimable: as ``slope_ratio``.
    """
    ratio = slope_ratio(matrix, solvent, confidence=confidence)
    return Estimate(
        value=100 * (ratio.value - 1),
        standard_error=None if ratio.standard_error is None else 100 * ratio.standard_error,
        interval=ratio.interval and ratio.interval.through(lambda one: 100 * (one - 1)),
        degrees_of_freedom=ratio.degrees_of_freedom,
    )


def _slope(fit: CalibrationFit) -> tuple[float, float, int]:
    """Slope, its variance and degrees of freedom."""
    if fit.model == "quadratic":
        raise NotEstimable(
            "a second-order function has no single slope", "a linear model over its linear range"
        )
    return fit.slope.value, float(fit.covariance[1, 1]), fit.degrees_of_freedom


def _information(fit: CalibrationFit) -> float:
    """S_xx, or Σ w x² through the origin: (s/s_b)² without dividing by s."""
    return fit.n * fit.scale**2


def pooled_slope_test(first: CalibrationFit, second: CalibrationFit) -> SignificanceTest:
    r"""Student t of the difference of two slopes, with one residual variance for both lines.

    .. math:: t = \frac{b_1 - b_2}{s_p\,(1/S_{xx,1} + 1/S_{xx,2})^{1/2}}, \quad
              s_p^2 = \frac{ν_1 s_1^2 + ν_2 s_2^2}{ν_1 + ν_2}

    Raises:
        NotEstimable: a parabola, weighted fits, or two exact lines.

    References:
        J. H. Zar, Biostatistical Analysis, section "Comparing two slopes" (from memory).
    """
    difference = _slope(first)[0] - _slope(second)[0]
    if first.is_weighted or second.is_weighted:
        raise NotEstimable(WEIGHTED, "unweighted fits")
    nu1, nu2 = first.degrees_of_freedom, second.degrees_of_freedom
    v1, v2 = first.residual_standard_deviation**2, second.residual_standard_deviation**2
    nu = nu1 + nu2
    variance = (nu1 * v1 + nu2 * v2) / nu * (1 / _information(first) + 1 / _information(second))
    if variance == 0:
        raise NotEstimable(
            "all points lie exactly on both lines",
            "signals recorded with sufficient resolution to show variation",
        )
    t = difference / math.sqrt(variance)
    return SignificanceTest(name="slopes, pooled t", statistic=t, df=(nu,), p=t_two_sided_p(t, nu))


def residual_variance_ratio(first: CalibrationFit, second: CalibrationFit) -> SignificanceTest:
    """F of the residual variances of two lines, the larger above, two-sided p: may they be pooled?

    Raises:
        NotEstimable: weighted fits, or points exactly on a line.
    """
    if first.is_weighted or second.is_weighted:
        raise NotEstimable(WEIGHTED, "unweighted fits")
    v1, v2 = first.residual_standard_deviation**2, second.residual_standard_deviation**2
    if min(v1, v2) == 0:
        raise NotEstimable(
            "all points of one configuration lie exactly on its line",
            "signals recorded with sufficient resolution to show variation",
        )
    nu1, nu2 = first.degrees_of_freedom, second.degrees_of_freedom
    f, df = (v1 / v2, (nu1, nu2)) if v1 >= v2 else (v2 / v1, (nu2, nu1))
    p = min(1.0, 2 * f_upper_tail(f, *df))
    return SignificanceTest(name="ratio of residual variances", statistic=f, df=df, p=p)


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
