r"""Intervals for variance components: chi-squared, modified large-sample, Satterthwaite.

A variance that is estimated by a weighted sum of independent mean squares,
:math:`\hat\gamma = \sum_q c_q S_q^2` with :math:`\nu_q S_q^2/\mathrm{E}(S_q^2) \sim \chi^2_{\nu_q}`,
has no exact interval unless one term stands alone. All functions here return limits of standard
deviations, in the unit of the data.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, TypeAlias

from msgspec import Struct

from validator.errors import NotEstimable
from validator.statistics.distributions import chi2_quantile, f_quantile, standard_deviation_interval
from validator.statistics.interval import Estimate, Interval

if TYPE_CHECKING:
    from collections.abc import Sequence


Figure: TypeAlias = Estimate | NotEstimable
"""An estimate, or why there is none: the parts of one result may differ in what the data can carry."""


def standard_deviation(variance: float, nu: float, level: float) -> Figure:
    """The root of a variance with *nu* degrees of freedom and its chi-squared interval.

    The standard error is s/√(2ν). A variance of zero is not an estimate: it says that the scatter is
    hidden by the resolution of the readings.
    """
    if variance <= 0:
        return NotEstimable(
            "all readings are identical: the scatter is below the resolution of the readings",
            "readings recorded with more digits",
        )
    s = math.sqrt(variance)
    return Estimate(
        value=s,
        standard_error=s / math.sqrt(2 * nu),
        interval=standard_deviation_interval(s, nu, level),
        degrees_of_freedom=nu,
    )


ROUNDING = 1e-12
"""Share of the scatter below which a mean is nothing but rounding."""


def relative_standard_deviation(sd: Figure, mean: float) -> Figure:
    """100·sd/mean in percent, its interval carried along; not estimable where the mean is not positive."""
    if isinstance(sd, NotEstimable):
        return sd
    # a mean that is only the rounding of readings about zero is zero
    if mean <= ROUNDING * sd.value:
        return NotEstimable(
            "the mean is not positive, so a relative figure means nothing", "a mean above zero"
        )
    return sd.scaled(100 / mean)


def holding(value: float, interval: Interval) -> Interval:
    """The interval, stretched to *value* where clipping or REML put the estimate outside it."""
    return Interval(min(value, interval.lower), max(value, interval.upper), interval.level, interval.method)


class MeanSquareTerm(Struct, frozen=True, kw_only=True):
    """One term c·S² of a sum of independent mean squares.

    Attributes:
        coefficient: c, not negative.
        mean_square: S², in the squared unit of the data.
        degrees_of_freedom: ν of S².
    """

    coefficient: float
    mean_square: float
    degrees_of_freedom: float

    @property
    def value(self) -> float:
        """The product c·S²."""
        return self.coefficient * self.mean_square


def satterthwaite_degrees_of_freedom(terms: Sequence[MeanSquareTerm]) -> float:
    r"""Effective degrees of freedom of a sum of mean squares.

    .. math:: \nu = \frac{(\sum_q c_q S_q^2)^2}{\sum_q (c_q S_q^2)^2/\nu_q}

    References:
        F.E. Satterthwaite, Biometrics Bulletin 2 (1946) 110, eq. 17 (from memory).
    """
    scale = max(term.value for term in terms)
    total = sum(term.value / scale for term in terms)
    return total**2 / sum((term.value / scale) ** 2 / term.degrees_of_freedom for term in terms)


def chi_squared_interval(s: float, nu: float, level: float, method: str) -> Interval:
    """Interval of a standard deviation with (effective) degrees of freedom ν, named for where ν is from."""
    exact = standard_deviation_interval(s, nu, level)
    return Interval(exact.lower, exact.upper, level, method)


def satterthwaite_interval(terms: Sequence[MeanSquareTerm], level: float) -> Interval:
    """Chi-squared interval of the root of a sum of mean squares, with effective degrees of freedom.

    Simple and much used, but too short when a mean square with few degrees of freedom dominates a
    difference; for sums it is close to :func:`modified_large_sample_interval`.
    """
    s = math.sqrt(sum(term.value for term in terms))
    return chi_squared_interval(s, satterthwaite_degrees_of_freedom(terms), level, "Satterthwaite")


def modified_large_sample_interval(terms: Sequence[MeanSquareTerm], level: float) -> Interval:
    r"""Modified large-sample interval of the root of a sum of mean squares.

    .. math::
        L = \hat\gamma - \sqrt{\sum_q (G_q c_q S_q^2)^2}, \qquad
        U = \hat\gamma + \sqrt{\sum_q (H_q c_q S_q^2)^2}

    with :math:`G_q = 1 - \nu_q/\chi^2_{1-\alpha/2,\nu_q}` and
    :math:`H_q = \nu_q/\chi^2_{\alpha/2,\nu_q} - 1`. Exact when all terms but one vanish.

    References:
        F.A. Graybill, C.-M. Wang, J. Am. Stat. Assoc. 75 (1980) 869; R.K. Burdick, F.A. Graybill,
        Confidence Intervals on Variance Components (1992), section 3.2 (both from memory; the
        coverage is checked by simulation in the tests).
    """
    tail = (1 - level) / 2
    gamma = sum(term.value for term in terms)
    below = above = 0.0
    for term in terms:
        nu = term.degrees_of_freedom
        G = 1 - nu / chi2_quantile(1 - tail, nu)
        H = nu / chi2_quantile(tail, nu) - 1
        below += (G * term.value) ** 2
        above += (H * term.value) ** 2
    return Interval(
        math.sqrt(max(0.0, gamma - math.sqrt(below))),
        math.sqrt(gamma + math.sqrt(above)),
        level,
        "modified large-sample (Graybill-Wang)",
    )


def between_component_interval(
    *,
    ms_between: float,
    ms_within: float,
    nu_between: float,
    nu_within: float,
    readings_per_group: float,
    level: float,
) -> Interval:
    r"""Williams-Tukey interval of a between-group standard deviation.

    .. math::
        L = \frac{S_B^2 - S_W^2 F_{1-\alpha/2;\nu_B,\nu_W}}{n F_{1-\alpha/2;\nu_B,\infty}}, \qquad
        U = \frac{S_B^2 - S_W^2 F_{\alpha/2;\nu_B,\nu_W}}{n F_{\alpha/2;\nu_B,\infty}}

    Negative limits are set to zero.

    References:
        J.S. Williams, Biometrika 49 (1962) 278; J.W. Tukey, Biometrics 7 (1951) 33 (both from memory).
    """
    tail = (1 - level) / 2
    limits = []
    for probability in (1 - tail, tail):
        ratio = f_quantile(probability, nu_between, nu_within)
        scale = chi2_quantile(probability, nu_between) / nu_between
        limits.append(max(0.0, (ms_between - ms_within * ratio) / (readings_per_group * scale)))
    return Interval(math.sqrt(limits[0]), math.sqrt(limits[1]), level, "Williams-Tukey")
