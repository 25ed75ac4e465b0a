"""Two means: difference, ratio, and equivalence within stated bounds by two one-sided tests."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from msgspec import Struct

from validator.errors import NotEstimable
from validator.statistics.distributions import t_two_sided, t_two_sided_p, t_upper_tail
from validator.statistics.interval import Interval
from validator.statistics.sample import Sample, effective_degrees_of_freedom, summarise

if TYPE_CHECKING:
    from numpy.typing import ArrayLike


class Equivalence(Struct, frozen=True, kw_only=True):
    """Outcome of two one-sided tests.

    Attributes:
        lower: lower bound, in the unit of the estimate.
        upper: upper bound.
        p_lower: p against "at or below the lower bound".
        p_upper: p against "at or above the upper bound".
        passes: both tests are significant, so the whole interval lies between the bounds.
    """

    lower: float
    upper: float
    p_lower: float
    p_upper: float
    passes: bool

    @property
    def p(self) -> float:
        """The larger p of the two."""
        return max(self.p_lower, self.p_upper)


def two_one_sided_tests(
    estimate: float,
    standard_error: float,
    degrees_of_freedom: float,
    *,
    lower: float,
    upper: float,
    alpha: float = 0.05,
) -> Equivalence:
    r"""Is the quantity shown to lie between *lower* and *upper*?

    .. math:: t_L = (d - L)/u \ge t_{1-\alpha,\nu} \quad\text{and}\quad t_U = (U - d)/u \ge t_{1-\alpha,\nu}

    Args:
        estimate: d.
        standard_error: u > 0.
        degrees_of_freedom: ν, may be infinite.
        lower: L.
        upper: U > L.
        alpha: significance level of each test.

    Raises:
        NotEstimable: the standard error is zero.
        ValueError: the bounds are not in order or alpha is outside (0, 0.5).

    References:
        D. J. Schuirmann, J. Pharmacokinet. Biopharm. 15 (1987) 657–680 (from memory).
    """
    if not lower < upper:
        message = "the lower bound must be below the upper bound"
        raise ValueError(message)
    if not 0 < alpha < 0.5:
        message = "alpha must lie between 0 and 0.5"
        raise ValueError(message)
    if not standard_error > 0:
        raise NotEstimable("the results show no variation", "results recorded with sufficient resolution")
    p_lower = t_upper_tail((estimate - lower) / standard_error, degrees_of_freedom)
    p_upper = t_upper_tail((upper - estimate) / standard_error, degrees_of_freedom)
    return Equivalence(
        lower=lower,
        upper=upper,
        p_lower=p_lower,
        p_upper=p_upper,
        passes=max(p_lower, p_upper) < alpha,
    )


def equivalence_of_mean(values: ArrayLike, *, lower: float, upper: float, alpha: float = 0.05) -> Equivalence:
    """Two one-sided tests of the mean of independent *values* (paired differences, for one).

    Raises:
        NotEstimable: fewer than two values, or values without scatter.
    """
    sample = summarise(values)
    if sample.variance is None:
        raise NotEstimable("only one value is available", "at least 2 independent values")
    return two_one_sided_tests(
        sample.mean,
        (sample.variance / sample.n) ** 0.5,
        sample.degrees_of_freedom,
        lower=lower,
        upper=upper,
        alpha=alpha,
    )


def equivalence_of_ratio(
    numerator: ArrayLike, denominator: ArrayLike, *, lower: float, upper: float, alpha: float = 0.05
) -> Equivalence:
    r"""Two one-sided tests of mean(*numerator*)/mean(*denominator*), unequal variances.

    .. math:: t_L = (\bar y_1 - L\bar y_2)/\sqrt{v_1 + L^2 v_2}, \qquad
              t_U = (U\bar y_2 - \bar y_1)/\sqrt{v_1 + U^2 v_2}, \qquad v = s^2/n

    each with its own Welch–Satterthwaite ν.

    Raises:
        NotEstimable: a single result on a side, no scatter, or a denominator that is not positive.

    References:
        D. Hauschke, M. Kieser and L. A. Hothorn, Biometrical Journal 41 (1999) 295–304 (from memory).
    """
    a, b = summarise(numerator, "numerator"), summarise(denominator, "denominator")
    if b.mean <= 0:
        raise NotEstimable("the reference mean is not positive", "a positive reference")
    v1, v2 = variances_of_means(a, b)

    def one_sided_p(bound: float, sign: int) -> float:
        terms = [(v1, a.degrees_of_freedom), (bound**2 * v2, b.degrees_of_freedom)]
        t = sign * (a.mean - bound * b.mean) / math.sqrt(v1 + bound**2 * v2)
        return t_upper_tail(t, effective_degrees_of_freedom(terms))

    p_lower, p_upper = one_sided_p(lower, 1), one_sided_p(upper, -1)
    return Equivalence(
        lower=lower,
        upper=upper,
        p_lower=p_lower,
        p_upper=p_upper,
        passes=max(p_lower, p_upper) < alpha,
    )


class WelchDifference(Struct, frozen=True, kw_only=True):
    """Difference of two means.

    Attributes:
        value: mean of the first minus mean of the second.
        degrees_of_freedom: Welch–Satterthwaite ν.
        t: value / standard_error.
        p: two-sided probability of |t|.
    """

    value: float
    degrees_of_freedom: float
    t: float
    p: float


def welch_difference(first: ArrayLike, second: ArrayLike) -> WelchDifference:
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
        degrees_of_freedom=nu,
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
