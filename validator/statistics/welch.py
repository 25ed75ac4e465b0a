"""Two means with variances that need not be equal: difference (Welch) and ratio (Fieller)."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from msgspec import Struct

from validator.errors import NotEstimable
from validator.statistics.distributions import student_interval, t_two_sided, t_two_sided_p
from validator.statistics.interval import Interval
from validator.statistics.sample import Sample, effective_degrees_of_freedom, summarise

if TYPE_CHECKING:
    from numpy.typing import ArrayLike


class WelchDifference(Struct, frozen=True, kw_only=True):
    """Difference of two means.

    Attributes:
        value: mean of the first minus mean of the second.
        standard_error: sqrt(s1²/n1 + s2²/n2).
        degrees_of_freedom: Welch–Satterthwaite ν.
        interval: Student t interval.
        t: value / standard_error.
        p: two-sided probability of |t|.
    """

    value: float
    standard_error: float
    degrees_of_freedom: float
    interval: Interval
    t: float
    p: float


def welch_difference(first: ArrayLike, second: ArrayLike, *, confidence: float = 0.95) -> WelchDifference:
    r"""Difference of two means of independent results.

    .. math:: u^2 = s_1^2/n_1 + s_2^2/n_2, \qquad
              \nu = u^4 / [(s_1^2/n_1)^2/(n_1-1) + (s_2^2/n_2)^2/(n_2-1)]

    Raises:
        NotEstimable: a single result on a side, or no scatter on either side.

    References:
        B. L. Welch, Biometrika 34 (1947) 28–35; NIST/SEMATECH e-Handbook of Statistical Methods, 1.3.5.3.
    """
    a, b = summarise(first, "first"), summarise(second, "second")
    v1, v2 = variances_of_means(a, b)
    u = math.sqrt(v1 + v2)
    nu = effective_degrees_of_freedom([(v1, a.degrees_of_freedom), (v2, b.degrees_of_freedom)])
    difference = a.mean - b.mean
    return WelchDifference(
        value=difference,
        standard_error=u,
        degrees_of_freedom=nu,
        interval=student_interval(difference, u, nu, confidence, "Welch t"),
        t=difference / u,
        p=t_two_sided_p(difference / u, nu),
    )


def variances_of_means(a: Sample, b: Sample) -> tuple[float, float]:
    """s²/n of both samples.

    Raises:
        NotEstimable: a single result on a side, or no scatter on either side.
    """
    v1, v2 = a.variance_of_mean, b.variance_of_mean
    if v1 is None or v2 is None:
        raise NotEstimable(
            "one of the two groups has a single result"
            if max(a.n, b.n) > 1
            else "both groups have a single result",
            "at least 2 independent results in each group",
        )
    if v1 + v2 == 0:
        raise NotEstimable(
            "the results in both groups show no variation",
            "results recorded with sufficient resolution",
        )
    return v1, v2


def fieller_ratio_of_means(
    numerator: ArrayLike, denominator: ArrayLike, *, confidence: float = 0.95
) -> tuple[float, float, Interval, float]:
    r"""Ratio ρ of two independent means with Fieller's interval.

    The limits are the ρ for which :math:`|\bar y_1 - ρ \bar y_2| = t\,(v_1 + ρ^2 v_2)^{1/2}` with
    v = s²/n and t at the Welch–Satterthwaite ν of v1 + ρ̂² v2; the standard error is that of the
    delta method, :math:`(v_1 + \hatρ^2 v_2)^{1/2} / |\bar y_2|`.

    Returns:
        ratio, standard error, interval, degrees of freedom.  The interval has infinite ends when the
        denominator is not significantly different from zero (g ≥ 1).

    Raises:
        NotEstimable: a single result on a side, no scatter on either, or a denominator of exactly 0.

    References:
        E. C. Fieller, J. R. Stat. Soc. B 16 (1954) 175–185; unequal variances with ν evaluated at the
        estimated ratio: M. Hasler et al., Commun. Stat. Simul. Comput. 37 (2008) (both from memory).
    """
    a, b = summarise(numerator, "numerator"), summarise(denominator, "denominator")
    if b.mean == 0:
        raise NotEstimable("the reference mean is zero", "a reference different from zero")
    v1, v2 = variances_of_means(a, b)
    ratio = a.mean / b.mean
    variance = v1 + ratio**2 * v2
    if variance == 0:
        raise NotEstimable("the results are all zero", "results that differ from zero")
    nu = effective_degrees_of_freedom([(v1, a.degrees_of_freedom), (ratio**2 * v2, b.degrees_of_freedom)])
    # In units of the denominator's mean: relative variances, so that no power of a tiny signal is formed.
    r1, r2 = v1 / b.mean**2, v2 / b.mean**2

    def limits(level: float) -> tuple[float, float]:
        t = t_two_sided(level, nu)
        g = t**2 * r2
        if g >= 1:
            return -math.inf, math.inf
        half_width = t * math.sqrt((1 - g) * r1 + ratio**2 * r2) / (1 - g)
        centre = ratio / (1 - g)
        return centre - half_width, centre + half_width

    bounded = t_two_sided(confidence, nu) ** 2 * r2 < 1
    method = "Fieller with Welch degrees of freedom" if bounded else "Fieller, unbounded"
    interval = Interval.by(limits, confidence, method)
    return ratio, math.sqrt(variance) / abs(b.mean), interval, nu
