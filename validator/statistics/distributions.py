"""Distribution functions from ``scipy.special`` alone: importing ``scipy.stats`` costs 0.7 s.

Names say what comes out: ``*_quantile`` takes a lower-tail probability, ``*_upper_tail`` returns one.
All accept non-integer degrees of freedom.
"""

from __future__ import annotations

import math
from functools import cache
from typing import TYPE_CHECKING

import numpy as np
from scipy import special

from validator.statistics.interval import Estimate, Interval
from validator.statistics.roots import falling_root

if TYPE_CHECKING:
    from numpy.typing import NDArray

_FAR = 1e4
"""Noncentrality up to which the library's noncentral t distribution is used."""


def normal_quantile(probability: float) -> float:
    """Standard normal deviate with *probability* below it."""
    return float(special.ndtri(probability))


def t_quantile(probability: float, nu: float) -> float:
    """Student t with *probability* below it, *nu* degrees of freedom."""
    return float(special.stdtrit(nu, probability)) if math.isfinite(nu) else normal_quantile(probability)


def t_two_sided(level: float, nu: float) -> float:
    """Student factor of a two-sided interval at *level*."""
    return t_quantile(0.5 + level / 2, nu)


def t_two_sided_p(statistic: float, nu: float) -> float:
    """Two-sided p of a t statistic."""
    return float(2 * special.stdtr(nu, -abs(statistic)))


def f_upper_tail(statistic: float, nu1: float, nu2: float) -> float:
    """P of an F statistic, upper tail."""
    return float(special.fdtrc(nu1, nu2, statistic)) if math.isfinite(statistic) else 0.0


def f_quantile(probability: float, nu1: float, nu2: float) -> float:
    """F with *probability* below it."""
    return float(special.fdtri(nu1, nu2, probability))


def chi2_upper_tail(statistic: float, nu: float) -> float:
    """P of a chi-squared statistic, upper tail."""
    return float(special.chdtrc(nu, statistic))


def chi2_quantile(probability: float, nu: float) -> float:
    """Chi-squared with *probability* below it."""
    return float(special.chdtri(nu, 1 - probability))


def noncentral_t_lower_tail(t: float, nu: float, delta: float) -> float:
    r"""P(T' <= t) of the noncentral t distribution.

    Beyond δ = 10⁴, where the library's series ends in NaN, as the mean over the normal deviate z of

    .. math:: P(\chi^2_\nu \ge \nu\,(\delta + z)^2/t^2)

    which hardly changes over the few units that z takes there; t must then be positive.
    """
    if delta <= _FAR:
        return float(special.nctdtr(nu, delta, t))
    z, weight = _normal_nodes()
    return float(weight @ special.chdtrc(nu, nu * ((delta + z) / t) ** 2))


@cache
def _normal_nodes() -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Nodes and weights of the mean over a standard normal deviate."""
    z, weight = np.polynomial.hermite_e.hermegauss(40)
    return z, weight / weight.sum()


def noncentrality_for(alpha: float, beta: float, nu: float) -> float:
    r"""Noncentrality delta(alpha, beta, nu) with P(T'(nu, delta) <= t(1-alpha, nu)) = beta.

    The detection limit in units of the standard deviation of the net blank (Currie, Pure Appl.
    Chem. 67 (1995) 1699, eq. for estimated sigma; ISO 11843-2). Found on the logarithm of the probability:
    the library's own inverse (``nctdtrinc``) is off by 1e-8, wrong for probabilities below 1e-5 and does not
    end for some of them.

    At the upper end of the bracket, :math:`t\,\sqrt{\chi^2_{1-\beta/2,\nu}/\nu} + z_{1-\beta/2}`, neither the
    scatter of s nor that of the signal can bring T' below t with more than β/2.
    """
    t = t_quantile(1 - alpha, nu)
    if not math.isfinite(nu):
        return t + normal_quantile(1 - beta)
    highest = t * math.sqrt(chi2_quantile(1 - beta / 2, nu) / nu) + normal_quantile(1 - beta / 2)
    return falling_root(lambda delta: math.log(noncentral_t_lower_tail(t, nu, delta) / beta), 0.0, highest)


def standard_deviation_interval(s: float, nu: float, level: float, method: str = "chi-squared") -> Interval:
    """Chi-squared interval of a standard deviation *s* with *nu* degrees of freedom (ISO 2854).

    *method* names where effective degrees of freedom come from.  Of a small fraction of one, the quantile is
    zero to a double, and the upper limit infinite.
    """

    def limits(level: float) -> tuple[float, float]:
        tail = (1 - level) / 2
        least = chi2_quantile(tail, nu)
        upper = s * math.sqrt(nu / least) if least > 0 else math.inf
        return s * math.sqrt(nu / chi2_quantile(1 - tail, nu)), upper

    return Interval.by(limits, level, method)


def t_upper_tail(statistic: float, nu: float) -> float:
    """One-sided p of a t statistic, upper tail."""
    return float(special.stdtr(nu, -statistic))


def student_interval(x: float, u: float, nu: float, level: float, method: str = "Student t") -> Interval:
    r"""The interval :math:`x \pm t_{(1+level)/2,\nu}\,u`."""

    def limits(level: float) -> tuple[float, float]:
        half_width = t_two_sided(level, nu) * u
        return x - half_width, x + half_width

    return Interval.by(limits, level, method)


def student(x: float, u: float, nu: float, level: float, method: str = "Student t") -> Estimate:
    """The estimate *x* with its standard error *u* and :func:`student_interval`."""
    interval = student_interval(x, u, nu, level, method)
    return Estimate(value=x, standard_error=u, interval=interval, degrees_of_freedom=nu)
