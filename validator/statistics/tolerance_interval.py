"""Where future single results will lie, from results in series: β-expectation and β-content intervals."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np
from msgspec import Struct
from scipy import special

from validator.errors import NotEstimable
from validator.statistics.distributions import normal_quantile, standard_deviation_interval, t_two_sided
from validator.statistics.interval import Estimate, Interval
from validator.statistics.one_way_intervals import total_terms
from validator.statistics.precision import PrecisionResult, one_way
from validator.statistics.precision_intervals import modified_large_sample_interval
from validator.statistics.variance_components import FloatArray, OneWayLayout, one_way_layout

if TYPE_CHECKING:
    from collections.abc import Sequence


class ToleranceIntervals(Struct, frozen=True, kw_only=True):
    """Intervals for a future result from another series, in the unit of the results.

    Attributes:
        centre: mean of the series means.
        prediction_sd: standard deviation of a future result about the centre, that of the centre included.
        degrees_of_freedom: ν of ``prediction_sd``.
        expectation: holds the share β of future results on average (β-expectation).
        content: holds at least the share β of future results with confidence γ (β-content); its level is γ.
        beta: β.
        precision: the standard deviations behind the intervals.
        method: how they were found, in a sentence.
    """

    centre: float
    prediction_sd: float
    degrees_of_freedom: float
    expectation: Interval
    content: Interval
    beta: float
    precision: PrecisionResult
    method: str

    def probability_outside(self, lower: float, upper: float) -> float:
        """Probability that a future result lies outside the limits, by the predictive t distribution."""
        below = (lower - self.centre) / self.prediction_sd
        above = (self.centre - upper) / self.prediction_sd
        return float(np.sum(special.stdtr(self.degrees_of_freedom, np.array([below, above]))))


def tolerance_intervals(
    series: Sequence[Sequence[float] | FloatArray], *, beta: float = 0.95, gamma: float = 0.95
) -> ToleranceIntervals:
    r"""Tolerance intervals from p series of results, each of shape (n_i,).

    With :math:`R = s_b^2/s_r^2`, :math:`B^2 = (R+1)/(nR+1)` and s_I the intermediate precision

    .. math::
        \nu = \frac{(R+1)^2}{(R+1/n)^2/(p-1) + (1-1/n)^2/(N-p)}, \qquad
        \bar x \pm t_{(1+\beta)/2}(\nu)\, s_I \sqrt{1 + \frac{1}{p n B^2}}

    is the β-expectation interval; :math:`s_I^2/(pnB^2) = s_b^2/p + s_r^2/(pn)` is the variance of the mean.
    The β-content interval has half-width :math:`z_{(1+\beta)/2}\sqrt{1 + 1/(pnB^2)}\,U` with U the upper
    limit of σ_I at confidence γ by the modified large-sample method.

    Unbalanced series enter with the harmonic mean n of the n_i, with the mean of the series means as centre,
    whose variance the same expression then is, and with s_r and s_b by restricted maximum likelihood.  Where
    each series has one result, or results within series do not differ, s_I is the standard deviation of the
    series means, ν = p − 1 and 1/(pnB²) = 1/p.

    Args:
        series: results of one sample or level, grouped by what shares conditions.
        beta: share of future results.
        gamma: confidence of the β-content interval, above 0.5.

    Raises:
        NotEstimable: fewer than two series, or no scatter at all.
        ValueError: β outside (0, 1) or γ outside (0.5, 1).

    References:
        R.W. Mee, Technometrics 26 (1984) 251-253 (β-expectation, balanced); D. Hoffman, R. Kringle,
        J. Biopharm. Stat. 15 (2005) 283-293 (β-content).  Both from memory; the contents are checked by
        simulation in the tests, unbalanced series included.
    """
    if not 0 < beta < 1 or not 0.5 < gamma < 1:
        message = "beta lies between 0 and 1, gamma between 0.5 and 1"
        raise ValueError(message)
    layout = one_way_layout(series)
    p = layout.groups
    if p < 2:
        raise NotEstimable(
            "all results belong to one series, so the between-series variation is unknown",
            "at least 2, preferably 3 or more, series (days, operators)",
        )
    precision = one_way(series)
    s_i, s_r = precision.intermediate_sd, precision.repeatability_sd
    if isinstance(s_i, NotEstimable):
        raise s_i
    if isinstance(s_r, Estimate):
        of_mean, nu, upper = _with_within_scatter(layout, s_r.value**2, s_i.value**2, gamma)
        method = "Mee (1984); Hoffman and Kringle (2005)" + (
            "" if layout.is_balanced else "; unbalanced: harmonic mean of the series sizes, REML components"
        )
    else:
        of_mean, nu = 1 / p, float(p - 1)
        upper = standard_deviation_interval(s_i.value, nu, 2 * gamma - 1).upper
        method = "series means as independent results; repeatability cannot be told apart"
    centre = layout.mean + float(layout.centred_means.mean())
    stretch = math.sqrt(1 + of_mean)
    prediction_sd = s_i.value * stretch
    reach = t_two_sided(beta, nu) * prediction_sd
    content = normal_quantile(0.5 + beta / 2) * stretch * max(upper, s_i.value)
    return ToleranceIntervals(
        centre=centre,
        prediction_sd=prediction_sd,
        degrees_of_freedom=nu,
        expectation=Interval(centre - reach, centre + reach, beta, "β-expectation"),
        content=Interval(centre - content, centre + content, gamma, f"β-content, β = {beta:g}"),
        beta=beta,
        precision=precision,
        method=method,
    )


def _with_within_scatter(
    layout: OneWayLayout, s_r2: float, s_i2: float, gamma: float
) -> tuple[float, float, float]:
    """1/(pnB²), ν and the upper limit of σ_I at confidence γ."""
    p, n = layout.groups, layout.harmonic_mean
    ratio = max(0.0, s_i2 / s_r2 - 1)
    of_mean = (n * ratio + 1) / ((ratio + 1) * p * n)
    nu = (ratio + 1) ** 2 / ((ratio + 1 / n) ** 2 / (p - 1) + (1 - 1 / n) ** 2 / layout.df_within)
    upper = modified_large_sample_interval(total_terms(layout), 2 * gamma - 1).upper
    return of_mean, nu, upper
