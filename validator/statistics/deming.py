"""Straight line of two methods that both have errors of constant size: Deming regression."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Literal

import numpy as np
from msgspec import Struct

from validator.errors import NotEstimable
from validator.numbers import counted
from validator.statistics.distributions import student
from validator.statistics.interval import Estimate
from validator.statistics.sample import Vector, vector

if TYPE_CHECKING:
    from numpy.typing import ArrayLike

RatioSource = Literal["given", "replicates", "assumed"]
JACKKNIFE = "jackknife, Student t"


class Deming(Struct, frozen=True, kw_only=True):
    """Line this = intercept + slope·reference.

    Attributes:
        n: number of samples.
        slope: with jackknife standard error.
        intercept: the same, unit of the data.
        variance_ratio: λ = error variance of this (y) / error variance of the reference (x).
        ratio_source: where λ came from.
        reason: why there are no standard errors, when there are none.
    """

    n: int
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
            n=n,
            slope=Estimate(value=b),
            intercept=Estimate(value=a),
            variance_ratio=variance_ratio,
            ratio_source=ratio_source,
            reason=reason,
        )
    return Deming(
        n=n,
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
