r"""Intervals for variance components: chi-squared and modified large-sample.

A variance that is estimated by a weighted sum of independent mean squares,
:math:`\hat\gamma = \sum_q c_q S_q^2` with :math:`\nu_q S_q^2/\mathrm{E}(S_q^2) \sim \chi^2_{\nu_q}`,
has no exact interval unless one term stands alone. All functions here return limits of standard
deviations, in the unit of the data.

Unbalanced layouts enter with the mean square of the unweighted group means and the harmonic mean n_h of
the group sizes: that pair is independent whatever the sizes, and for balanced layouts it is MS_B and n.

References:
    R.K. Burdick, F.A. Graybill, Confidence Intervals on Variance Components (1992), ch. 4 (from memory;
    coverage is checked by simulation in the tests).
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, TypeAlias

import numpy as np
from msgspec import Struct

from validator.errors import NotEstimable
from validator.statistics.distributions import chi2_quantile, f_quantile, standard_deviation_interval, student
from validator.statistics.interval import Estimate, Interval

if TYPE_CHECKING:
    from collections.abc import Sequence

    from validator.statistics.variance_components import OneWayLayout


Figure: TypeAlias = Estimate | NotEstimable
"""An estimate, or why there is none: the parts of one result may differ in what the data can carry."""


def standard_deviation(variance: float, nu: float, level: float) -> Figure:
    """The root of a variance with *nu* degrees of freedom and its chi-squared interval.

    The standard error is s/√(2ν). A variance of zero is not an estimate: it says that the scatter is
    hidden by the resolution of the readings.
    """
    if variance <= 0:
        return NotEstimable(
            "all readings are identical; their variation is below the resolution",
            "readings recorded with higher resolution",
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
            "the mean is not positive, so a relative value is not meaningful", "a mean above zero"
        )
    return sd.scaled(100 / mean)


def holding(value: float, interval: Interval) -> Interval:
    """The interval, stretched to *value* where clipping or REML put the estimate outside it."""
    law = interval.law

    def limits(level: float) -> tuple[float, float]:
        lower, upper = (interval.lower, interval.upper) if law is None else law(level)
        return min(value, lower), max(value, upper)

    return Interval.by(limits, interval.level, interval.method)


class MeanSquareTerm(Struct, frozen=True, kw_only=True):
    """One term c·S² of a sum of independent mean squares.

    Attributes:
        coefficient: c; negative only in layouts with many empty cells.
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


def satterthwaite_degrees_of_freedom(terms: Sequence[MeanSquareTerm], total: float | None = None) -> float:
    r"""Effective degrees of freedom of a sum of mean squares.

    .. math:: \nu = \frac{(\sum_q c_q S_q^2)^2}{\sum_q (c_q S_q^2)^2/\nu_q}

    Args:
        terms: the mean squares.
        total: a better estimate of their sum, where there is one.

    References:
        F.E. Satterthwaite, Biometrics Bulletin 2 (1946) 110, eq. 17 (from memory).
    """
    scale = max(abs(term.value) for term in terms)
    total = sum(term.value / scale for term in terms) if total is None else total / scale
    return total**2 / sum((term.value / scale) ** 2 / term.degrees_of_freedom for term in terms)


def modified_large_sample_interval(terms: Sequence[MeanSquareTerm], level: float) -> Interval:
    r"""Modified large-sample interval of the root of a sum of mean squares.

    .. math::
        L = \hat\gamma - \sqrt{\sum_q (G_q c_q S_q^2)^2}, \qquad
        U = \hat\gamma + \sqrt{\sum_q (H_q c_q S_q^2)^2}

    with :math:`G_q = 1 - \nu_q/\chi^2_{1-\alpha/2,\nu_q}` and
    :math:`H_q = \nu_q/\chi^2_{\alpha/2,\nu_q} - 1`; they change places where c_q is negative. Exact when all
    terms but one vanish. Where the terms share their scatter evenly the misses do not: the lower limit lies
    too high in up to 5 % of 95 % intervals, the upper one too low in less than 1 %.

    References:
        F.A. Graybill, C.-M. Wang, J. Am. Stat. Assoc. 75 (1980) 869; R.K. Burdick, F.A. Graybill,
        Confidence Intervals on Variance Components (1992), section 3.2 (both from memory; the
        coverage is checked by simulation in the tests).
    """
    gamma = sum(term.value for term in terms)

    def limits(level: float) -> tuple[float, float]:
        tail = (1 - level) / 2
        below = above = 0.0
        for term in terms:
            nu = term.degrees_of_freedom
            G = 1 - nu / chi2_quantile(1 - tail, nu)
            H = nu / chi2_quantile(tail, nu) - 1
            below += ((G if term.coefficient >= 0 else H) * term.value) ** 2
            above += ((H if term.coefficient >= 0 else G) * term.value) ** 2
        return (
            math.sqrt(max(0.0, gamma - math.sqrt(below))),
            math.sqrt(max(0.0, gamma + math.sqrt(above))),
        )

    return Interval.by(limits, level, "modified large-sample (Graybill-Wang)")


def between_component_interval(
    *,
    ms_between: float,
    ms_within: float,
    nu_between: float,
    nu_within: float,
    readings_per_group: float,
    level: float,
) -> Interval:
    r"""Modified large-sample interval of a between-group standard deviation.

    .. math::
        n\,U = S_B^2 - S_W^2 + \sqrt{H_B^2 S_B^4 + G_W^2 S_W^4 + H_{BW} S_B^2 S_W^2}, \qquad
        n\,L = S_B^2 - S_W^2 - \sqrt{G_B^2 S_B^4 + H_W^2 S_W^4 + G_{BW} S_B^2 S_W^2}

    with G and H of :func:`modified_large_sample_interval` and, with :math:`F_p = F_{p;\nu_B,\nu_W}`,

    .. math::
        H_{BW} = \frac{(1-F_{\alpha/2})^2 - H_B^2F_{\alpha/2}^2 - G_W^2}{F_{\alpha/2}}, \qquad
        G_{BW} = \frac{(F_{1-\alpha/2}-1)^2 - G_B^2F_{1-\alpha/2}^2 - H_W^2}{F_{1-\alpha/2}}

    A limit is zero where the F test says so: L up to F = F_{1-α/2}, U up to F = F_{α/2}. So the truth zero
    can be missed on one side only and is covered with 1 - α/2: the boundary leaves no other choice. An
    upper limit of zero says that groups agree better than chance lets them.

    References:
        N. Ting, R.K. Burdick, F.A. Graybill, S. Jeyaratnam, T.-F.C. Lu, J. Stat. Comput. Simul. 35 (1990)
        135 (from memory; the coverage is checked by simulation in the tests).
    """
    F = ms_between / ms_within if ms_within > 0 else math.inf

    def end(p: float) -> float:
        critical = f_quantile(p, nu_between, nu_within)
        if critical >= F:
            return 0.0
        from_between = nu_between / chi2_quantile(p, nu_between) - 1  # -G_B below, H_B above
        from_within = nu_within / chi2_quantile(1 - p, nu_within) - 1  # H_W below, -G_W above
        cross = ((1 - critical) ** 2 - (from_between * critical) ** 2 - from_within**2) / critical
        doubt = (from_between * ms_between) ** 2 + (from_within * ms_within) ** 2
        doubt += cross * ms_between * ms_within
        sign = math.copysign(1.0, p - 0.5)
        distance = ms_between - ms_within - sign * math.sqrt(max(0.0, doubt))
        return math.sqrt(max(0.0, distance) / readings_per_group)

    def limits(level: float) -> tuple[float, float]:
        tail = (1 - level) / 2
        return end(1 - tail), end(tail)

    return Interval.by(limits, level, "modified large-sample (Ting et al.)")


def mean_over_groups(layout: OneWayLayout, level: float) -> Estimate:
    """Arithmetic mean with u² = Σ(n_i/N)²·s²(ȳ_i): MS_B/N when balanced, on the safe side when not."""
    share = layout.counts / layout.n
    u = math.sqrt(float(np.dot(share, share)) * layout.variance_of_means)
    return student(layout.mean, u, layout.df_between, level, "Student t over groups")


def total_terms(layout: OneWayLayout) -> tuple[MeanSquareTerm, MeanSquareTerm]:
    """The sum of both components as mean squares: S_m²/n_h + (1 - 1/n_h)·MS_W.

    Raises:
        NotEstimable: no group holds two readings.
    """
    if layout.ms_within is None:
        raise NotEstimable("every group has a single reading", "groups with at least 2 readings")
    n_h = layout.harmonic_mean
    return (
        MeanSquareTerm(
            coefficient=1 / n_h,
            mean_square=n_h * layout.variance_of_means,
            degrees_of_freedom=layout.df_between,
        ),
        MeanSquareTerm(
            coefficient=1 - 1 / n_h, mean_square=layout.ms_within, degrees_of_freedom=layout.df_within
        ),
    )


def repeatability_estimate(layout: OneWayLayout, variance: float, level: float) -> Estimate:
    """The root of a within-group *variance* with the chi-squared interval of MS_W."""
    _, within = total_terms(layout)
    s, nu = math.sqrt(variance), layout.df_within
    return Estimate(
        value=s,
        standard_error=s / math.sqrt(2 * nu),
        interval=holding(s, standard_deviation_interval(math.sqrt(within.mean_square), nu, level)),
        degrees_of_freedom=nu,
    )


def between_estimate(layout: OneWayLayout, variance: float, level: float) -> Estimate:
    """The root of a between-group *variance* with its modified large-sample interval."""
    means, within = total_terms(layout)
    s = math.sqrt(variance)
    interval = between_component_interval(
        ms_between=means.mean_square,
        ms_within=within.mean_square,
        nu_between=means.degrees_of_freedom,
        nu_within=within.degrees_of_freedom,
        readings_per_group=1 / means.coefficient,
        level=level,
    )
    return Estimate(value=s, interval=holding(s, interval))


def total_estimate(layout: OneWayLayout, variance: float, level: float) -> Estimate:
    """The root of the total *variance* with its modified large-sample interval."""
    terms = total_terms(layout)
    s, nu = math.sqrt(variance), satterthwaite_degrees_of_freedom(terms)
    return Estimate(
        value=s,
        standard_error=s / math.sqrt(2 * nu),
        interval=holding(s, modified_large_sample_interval(terms, level)),
        degrees_of_freedom=nu,
    )
