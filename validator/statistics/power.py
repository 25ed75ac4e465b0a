"""With which probability an interval will clear a limit, for normal data, before there are any."""

from __future__ import annotations

import math

from scipy import special

from validator.statistics.distributions import chi2_quantile, noncentral_t_lower_tail, t_quantile


def probability_deviation_within(ratio: float, nu: float, confidence: float | None) -> float:
    r"""Probability that a standard deviation is shown to lie within a limit L.

    With *ratio* = σ/L and the one-sided bound :math:`s\sqrt{\nu/\chi^2_{1-c,\nu}}`,

    .. math:: P = P\left(\chi^2_\nu \le \chi^2_{1-c,\nu}\,(L/\sigma)^2\right);

    without a *confidence* the estimate s itself decides, :math:`P(\chi^2_\nu \le \nu (L/\sigma)^2)`.

    Args:
        ratio: true standard deviation over the limit, positive.
        nu: degrees of freedom, positive.
        confidence: level c of the bound; None for a simple decision.

    References:
        Distribution of s²: ISO 2854:1976; the decision: JCGM 106:2012, 8.3.2 (both from memory).
    """
    least = nu if confidence is None else chi2_quantile(1 - confidence, nu)
    return float(special.chdtr(nu, least / ratio**2))


def probability_mean_within(
    mean: float, sd: float, n: int, limits: tuple[float, float], confidence: float | None
) -> float:
    r"""Probability that a mean is shown to lie within two limits, at least.

    With :math:`t = t_{(1+c)/2,\,n-1}` the interval :math:`\bar x \pm t s/\sqrt n` clears the lower limit when
    the noncentral t variable with :math:`\delta = (\mu - L)\sqrt n/\sigma` exceeds t, and so for the upper;
    both with at least :math:`P_1 + P_2 - 1` (Bonferroni). Without a *confidence* the mean itself decides.

    Args:
        mean: true mean.
        sd: true standard deviation of single values, positive.
        n: number of independent values, at least 2.
        limits: lower and upper, infinite where open.
        confidence: level c of the two-sided interval; None for a simple decision.

    References:
        D. B. Owen, Biometrika 52 (1965) 437-446, on the power of two one-sided t tests (from memory).
    """
    deltas = [(mean - limits[0]) * math.sqrt(n) / sd, (limits[1] - mean) * math.sqrt(n) / sd]
    if confidence is None:
        return max(0.0, sum(float(special.ndtr(delta)) for delta in deltas) - 1)
    t = t_quantile(0.5 + confidence / 2, n - 1)
    return max(0.0, sum(1 - _below(t, n - 1, delta) for delta in deltas) - 1)


def _below(t: float, nu: float, delta: float) -> float:
    below = noncentral_t_lower_tail(t, nu, delta) if math.isfinite(delta) else math.nan
    if math.isnan(below):  # so far away that the series does not converge
        return 0.0 if delta > t else 1.0
    return below
