"""Trueness over a range: found against added, and whether a correction for recovery is advised."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np
from msgspec import Struct

from validator.errors import NotEstimable
from validator.numbers import counted
from validator.records import Record
from validator.statistics.distributions import f_upper_tail, student, t_two_sided
from validator.statistics.interval import Estimate, SignificanceTest
from validator.statistics.sample import vector

if TYPE_CHECKING:
    from numpy.typing import ArrayLike


class FoundOnAdded(Struct, frozen=True, kw_only=True):
    """Straight line of found against added.

    Attributes:
        n: number of independent results.
        slope: mean recovery over the range, as a fraction.
        intercept: constant bias, unit of the data.
        residual_standard_deviation: s, with n − 2 degrees of freedom.
        joint_test: F test of slope 1 and intercept 0 together.
    """

    n: int
    slope: Estimate
    intercept: Estimate
    residual_standard_deviation: float
    joint_test: SignificanceTest


class CorrectionAdvice(Record, frozen=True, kw_only=True):
    """Should results be corrected for recovery?

    Attributes:
        t: |100 − R|/u(R).
        critical: t at the level of confidence and ν of u(R).
        advised: the recovery differs significantly from 100 %.
        factor: 100/R, what a result would be multiplied by.
        relative_uncertainty_percent: u(R)/R in percent, to be carried into the budget in either case.
        relative_uncertainty_uncorrected_percent: sqrt((|100 − R|/t_crit)² + u(R)²)/R in percent, carried
            instead when a significant bias is left uncorrected.
    """

    t: float
    critical: float
    advised: bool
    factor: float
    relative_uncertainty_percent: float
    relative_uncertainty_uncorrected_percent: float


def found_on_added(added: ArrayLike, found: ArrayLike, *, confidence: float = 0.95) -> FoundOnAdded:
    r"""Least-squares line found = a + b·added, with the joint test of b = 1 and a = 0.

    .. math:: F = \frac{\sum d_i^2 - \sum e_i^2}{2 s^2} = \frac{n\bar d^2 + (b-1)^2 S_{xx}}{2 s^2},
              \qquad d_i = y_i - x_i

    Args:
        added: (n,) amounts added or known, x.
        found: (n,) independent results y in the same unit, native content subtracted.
        confidence: level of the intervals.

    Raises:
        NotEstimable: fewer than 3 results, one level, or results exactly on a line.

    References:
        J. Mandel and F. J. Linnig, Anal. Chem. 29 (1957) 743–749 (joint region of slope and
        intercept); N. R. Draper and H. Smith, Applied Regression Analysis, 3rd ed. (extra sum of squares);
        both from memory.
    """
    x = vector(added, "added")
    y = vector(found, "found", size=x.size)
    n = x.size
    if n < 3:
        raise NotEstimable(counted(n, "result"), "at least 3 independent results on 2 levels")
    x_mean = float(x.mean())
    dx = x - x_mean
    s_xx = float((dx**2).sum())
    if float(np.ptp(x)) == 0:
        raise NotEstimable("only one level", "at least 2 levels")
    d = y - x
    d_mean = float(d.mean())
    excess_slope = float((dx * (d - d_mean)).sum()) / s_xx
    e = (d - d_mean) - excess_slope * dx
    if float(np.abs(e).max()) <= 1e-13 * float(np.abs(np.concatenate([x, y])).max()):
        raise NotEstimable(
            "all results lie exactly on a straight line",
            "results recorded with sufficient resolution to show variation",
        )
    nu = n - 2
    s = math.sqrt(float((e**2).sum()) / nu)
    explained = n * d_mean**2 + excess_slope**2 * s_xx
    statistic = explained / (2 * s**2)
    return FoundOnAdded(
        n=n,
        slope=student(1 + excess_slope, s / math.sqrt(s_xx), nu, confidence),
        intercept=student(
            d_mean - excess_slope * x_mean, s * math.sqrt(1 / n + x_mean**2 / s_xx), nu, confidence
        ),
        residual_standard_deviation=s,
        joint_test=SignificanceTest(
            name="slope 1 and intercept 0", statistic=statistic, df=(2, nu), p=f_upper_tail(statistic, 2, nu)
        ),
    )


def correction_advised(mean_recovery: Estimate, *, confidence: float = 0.95) -> CorrectionAdvice:
    r"""Significance of a recovery R, and the uncertainty to carry when it is not corrected.

    .. math:: t = |100 - R|/u(R) \text{ against } t_{crit}; \qquad
              u''(R) = \sqrt{\left(|100 - R|/t_{crit}\right)^2 + u^2(R)}

    Args:
        mean_recovery: R in percent with standard error u(R) and ν.
        confidence: level of the two-sided test.

    Raises:
        NotEstimable: the recovery has no standard error, or is not positive.

    References:
        Eurachem/CITAC Guide CG 4 (QUAM), 3rd ed. (2012), 7.16 and example A4 (test of Rec); V. J. Barwick and
        S. L. R. Ellison, Analyst 124 (1999) 981–990 (three cases; both from memory).
    """
    r, u, nu = mean_recovery.value, mean_recovery.standard_error, mean_recovery.degrees_of_freedom
    if u is None or not u > 0:
        raise NotEstimable(
            "no standard error is available for the mean recovery", "at least 2 independent recoveries"
        )
    if r <= 0:
        raise NotEstimable("the mean recovery is not positive", "a positive recovery")
    critical = t_two_sided(confidence, math.inf if nu is None else nu)
    bias = abs(100 - r)
    return CorrectionAdvice(
        t=bias / u,
        critical=critical,
        advised=bias / u > critical,
        factor=100 / r,
        relative_uncertainty_percent=100 * u / r,
        relative_uncertainty_uncorrected_percent=100 * math.hypot(bias / critical, u) / r,
    )
