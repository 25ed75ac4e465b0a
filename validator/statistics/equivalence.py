"""Equivalence within stated bounds by two one-sided tests."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from msgspec import Struct

from validator.errors import NotEstimable
from validator.statistics.distributions import t_quantile, t_upper_tail
from validator.statistics.interval import Interval
from validator.statistics.sample import effective_degrees_of_freedom, summarise
from validator.statistics.welch import fieller_ratio_of_means, variances_of_means

if TYPE_CHECKING:
    from numpy.typing import ArrayLike


class Equivalence(Struct, frozen=True, kw_only=True):
    """Outcome of two one-sided tests.

    Attributes:
        estimate: the quantity that should lie between the bounds.
        lower: lower bound, in the unit of the estimate.
        upper: upper bound.
        alpha: significance level of each one-sided test.
        p_lower: p against "at or below the lower bound".
        p_upper: p against "at or above the upper bound".
        passes: both tests are significant, so the whole interval lies between the bounds.
        interval: two-sided interval at level 1 − 2α, which gives the same answer as the tests
            (for a ratio: nearly, since the tests have degrees of freedom of their own).
        degrees_of_freedom: ν of the standard error.
    """

    estimate: float
    lower: float
    upper: float
    alpha: float
    p_lower: float
    p_upper: float
    passes: bool
    interval: Interval
    degrees_of_freedom: float

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
    half_width = t_quantile(1 - alpha, degrees_of_freedom) * standard_error
    return Equivalence(
        estimate=estimate,
        lower=lower,
        upper=upper,
        alpha=alpha,
        p_lower=p_lower,
        p_upper=p_upper,
        passes=max(p_lower, p_upper) < alpha,
        interval=Interval(estimate - half_width, estimate + half_width, 1 - 2 * alpha, "Student t"),
        degrees_of_freedom=degrees_of_freedom,
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

    each with its own Welch–Satterthwaite ν; the interval is Fieller's with ν at the estimated ratio.

    Raises:
        NotEstimable: a single result on a side, no scatter, or a denominator that is not positive.

    References:
        D. Hauschke, M. Kieser and L. A. Hothorn, Biometrical Journal 41 (1999) 295–304 (from memory).
    """
    a, b = summarise(numerator, "numerator"), summarise(denominator, "denominator")
    if b.mean <= 0:
        raise NotEstimable("the reference mean is not positive", "a positive reference")
    ratio, _, interval, nu = fieller_ratio_of_means(numerator, denominator, confidence=1 - 2 * alpha)
    v1, v2 = variances_of_means(a, b)

    def one_sided_p(bound: float, sign: int) -> float:
        terms = [(v1, a.degrees_of_freedom), (bound**2 * v2, b.degrees_of_freedom)]
        t = sign * (a.mean - bound * b.mean) / math.sqrt(v1 + bound**2 * v2)
        return t_upper_tail(t, effective_degrees_of_freedom(terms))

    p_lower, p_upper = one_sided_p(lower, 1), one_sided_p(upper, -1)
    return Equivalence(
        estimate=ratio,
        lower=lower,
        upper=upper,
        alpha=alpha,
        p_lower=p_lower,
        p_upper=p_upper,
        passes=max(p_lower, p_upper) < alpha,
        interval=interval,
        degrees_of_freedom=nu,
    )
