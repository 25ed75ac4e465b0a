"""Two methods on the same samples: paired difference, limits of agreement, variances."""

from __future__ import annotations

import math
from functools import partial
from typing import TYPE_CHECKING, Literal

import numpy as np
from msgspec import Struct
from scipy import special

from validator.errors import NotEstimable
from validator.numbers import counted
from validator.statistics.distributions import (
    f_quantile,
    f_upper_tail,
    normal_quantile,
    student,
    t_two_sided_p,
)
from validator.statistics.interval import Estimate, Interval, SignificanceTest
from validator.statistics.sample import Vector, summarise, vector, without_rounding

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import ArrayLike


class PairedDifference(Struct, frozen=True, kw_only=True):
    """Mean of the differences this − reference.

    Attributes:
        mean_difference: d̄ in the unit of the data.
        sd: standard deviation of the differences.
        test: t test of d̄ against 0.
    """

    mean_difference: Estimate
    sd: float
    test: SignificanceTest


class VarianceComparison(Struct, frozen=True, kw_only=True):
    """Ratio of two variances.

    Attributes:
        ratio: s1²/s2² with its F interval.
        test: F test of equal variances; p is two-sided.
    """

    ratio: Estimate
    test: SignificanceTest


class ErrorVarianceRatio(Struct, frozen=True, kw_only=True):
    """Ratio λ of the error variances of two methods from their replicates.

    Attributes:
        value: λ = (variance of a result y)/(variance of a result x), each the mean of its replicates.
        sd_this: pooled standard deviation of a single reading of y.
        sd_reference: the same of x.
        df_this: degrees of freedom of it.
        df_reference: the same of x.
    """

    value: float
    sd_this: float
    sd_reference: float
    df_this: int
    df_reference: int


def paired_difference(
    this: ArrayLike,
    reference: ArrayLike,
    *,
    confidence: float = 0.95,
) -> PairedDifference:
    r"""Paired t test of two methods.

    .. math:: t = \bar d\sqrt n/s_d, \qquad \nu = n-1

    Args:
        this: (n,) results of the method, one for each sample (means where readings were repeated).
        reference: (n,) results of the other method on the same samples.
        confidence: level of the interval.

    Raises:
        NotEstimable: fewer than 2 pairs, or differences without scatter.

    References:
        NIST/SEMATECH e-Handbook of Statistical Methods, 7.3.1.
    """
    d = differences(this, reference)
    if d.size < 2:
        raise NotEstimable(counted(d.size, "pair") + " of results", "at least 2 samples run by both methods")
    sample = summarise(d)
    if not sample.variance_of_mean:
        raise NotEstimable("the differences show no variation", "results recorded with higher resolution")
    u, nu = math.sqrt(sample.variance_of_mean), sample.degrees_of_freedom
    t = sample.mean / u
    return PairedDifference(
        mean_difference=student(sample.mean, u, nu, confidence),
        sd=u * math.sqrt(sample.n),
        test=SignificanceTest(name="paired t", statistic=t, df=(nu,), p=t_two_sided_p(t, nu)),
    )


def differences(this: ArrayLike, reference: ArrayLike) -> Vector:
    """Differences this − reference; those that differ by rounding alone are made equal."""
    y = vector(this, "this")
    x = vector(reference, "reference", size=y.size)
    return without_rounding(y - x, np.concatenate([x, y]))


def variance_ratio(f: float, nu1: float, nu2: float, *, confidence: float = 0.95) -> VarianceComparison:
    """F test and interval of a ratio *f* > 0 of independent variances with *nu1* and *nu2* df.

    References:
        NIST/SEMATECH e-Handbook of Statistical Methods, 1.3.5.9.
    """

    def limits(level: float) -> tuple[float, float]:
        tail = (1 - level) / 2
        return f / f_quantile(1 - tail, nu1, nu2), f / f_quantile(tail, nu1, nu2)

    interval = Interval.by(limits, confidence, "F")
    p = min(1.0, 2 * min(f_upper_tail(f, nu1, nu2), f_upper_tail(1 / f, nu2, nu1)))
    return VarianceComparison(
        ratio=Estimate(value=f, interval=interval),
        test=SignificanceTest(name="F of two variances", statistic=f, df=(nu1, nu2), p=p),
    )


def error_variance_ratio(this: Sequence[ArrayLike], reference: Sequence[ArrayLike]) -> ErrorVarianceRatio:
    r"""λ for :func:`validator.statistics.errors_in_variables.deming` from replicates of both methods.

    .. math:: \lambda = \frac{s_y^2/\tilde m_y}{s_x^2/\tilde m_x}

    with s pooled over samples and m̃ the harmonic mean of the numbers of replicates, since the results
    compared are the means.

    Args:
        this: for each sample the readings of the method, y.
        reference: for each sample the readings of the other method, x.

    Raises:
        NotEstimable: a method without replicates, or replicates that do not scatter.

    References:
        K. Linnet, Clin. Chem. 36 (1990) 2021–2025 (analytical errors from duplicates; from memory).
    """
    s_y, nu_y, m_y = _pooled(this, "this method")
    s_x, nu_x, m_x = _pooled(reference, "the reference method")
    return ErrorVarianceRatio(
        value=(s_y / s_x) ** 2 * m_x / m_y, sd_this=s_y, sd_reference=s_x, df_this=nu_y, df_reference=nu_x
    )


def _pooled(readings: Sequence[ArrayLike], method: str) -> tuple[float, int, float]:
    """Pooled standard deviation, its degrees of freedom and the harmonic mean of the replicates."""
    samples = [summarise(values, method) for values in readings]
    nu = sum(s.degrees_of_freedom for s in samples)
    if nu == 0:
        raise NotEstimable(
            f"no replicates are available for {method}",
            "at least one sample measured in duplicate by both methods",
        )
    variance = sum(s.degrees_of_freedom * s.variance for s in samples if s.variance is not None) / nu
    if variance == 0:
        raise NotEstimable(
            f"the replicates of {method} show no variation", "results recorded with higher resolution"
        )
    return math.sqrt(variance), nu, len(samples) / sum(1 / s.n for s in samples)


class BlandAltman(Struct, frozen=True, kw_only=True):
    """Bias and limits of agreement of this − reference.

    Attributes:
        coverage: share of differences expected between the limits.
        bias: mean difference.
        sd: standard deviation of the differences, s.
        lower: bias − z·s with its exact interval.
        upper: bias + z·s with its exact interval.
        proportional_bias: slope of the differences on the means of the two methods.
        proportional_bias_test: t test of that slope against 0; None where the means are all equal or the
            differences lie on a line.
        differences: (n,) as plotted.
    """

    coverage: float
    bias: Estimate
    sd: float
    lower: Estimate
    upper: Estimate
    proportional_bias: Estimate | None
    proportional_bias_test: SignificanceTest | None
    differences: tuple[float, ...]


def bland_altman(
    this: ArrayLike,
    reference: ArrayLike,
    *,
    scale: Literal["absolute", "percent"] = "absolute",
    coverage: float = 0.95,
    confidence: float = 0.95,
) -> BlandAltman:
    r"""Limits of agreement with exact intervals.

    .. math:: \bar d \pm z\,s, \qquad
              \bar d + s\,t'_{\nu,\;z\sqrt n}(\alpha/2)/\sqrt n \;\ldots\;
              \bar d + s\,t'_{\nu,\;z\sqrt n}(1-\alpha/2)/\sqrt n

    where t'(ν, δ) is noncentral t: the exact interval of a percentile of normal differences, each limit
    taken by itself.  The slope of differences on means is biased when the two methods differ in spread;
    it is a screen for bias that changes with level, not a calibration.  Limits from means of repeated
    readings hold for means of as many.

    Args:
        this: (n,) results of the method, one for each sample.
        reference: (n,) results of the other method.
        scale: differences as they are, or in percent of the mean of the two.
        coverage: 0.95 gives z = 1.96.
        confidence: level of every interval.

    Raises:
        NotEstimable: fewer than 3 samples, differences without scatter, or a mean that is not positive on
            the percent scale.

    References:
        J. M. Bland and D. G. Altman, Lancet i (1986) 307–310; Stat. Methods Med. Res. 8 (1999) 135–160.
        Exact interval: A. Carkeet, Optom. Vis. Sci. 92 (2015) e71–e80; G. Shieh, BMC Med. Res. Methodol.
        18 (2018) 45.
    """
    d = differences(this, reference)
    means = (vector(this, "this") + vector(reference, "reference")) / 2
    if d.size < 3:
        raise NotEstimable(counted(d.size, "sample"), "at least 3 samples measured by both methods")
    if scale == "percent":
        if not (means > 0).all():
            raise NotEstimable(
                "a mean result is not positive", "positive results, or evaluation of absolute differences"
            )
        d = without_rounding(100 * d / means, np.array([100.0]))
    sample = summarise(d)
    if not sample.variance:
        raise NotEstimable("the differences show no variation", "results recorded with higher resolution")
    s, n, nu = math.sqrt(sample.variance), sample.n, sample.degrees_of_freedom
    z = normal_quantile(0.5 + coverage / 2)
    slope, slope_test = _proportional_bias(d, means, confidence)
    percentile = partial(_percentile, sample.mean, s, n, z, confidence=confidence)
    return BlandAltman(
        coverage=coverage,
        bias=student(sample.mean, s / math.sqrt(n), nu, confidence),
        sd=s,
        lower=percentile(-1),
        upper=percentile(1),
        proportional_bias=slope,
        proportional_bias_test=slope_test,
        differences=tuple(float(x) for x in d),
    )


def _percentile(mean: float, s: float, n: int, z: float, sign: int, *, confidence: float) -> Estimate:
    """The limit mean ± z·s with its exact interval."""

    def limits(level: float) -> tuple[float, float]:
        delta, tail = z * math.sqrt(n), (1 - level) / 2
        near, far = (float(special.nctdtrit(n - 1, delta, p)) / math.sqrt(n) for p in (tail, 1 - tail))
        return (mean - far * s, mean - near * s) if sign < 0 else (mean + near * s, mean + far * s)

    return Estimate(
        value=mean + sign * z * s,
        interval=Interval.by(limits, confidence, "exact, noncentral t"),
        degrees_of_freedom=n - 1,
    )


def _proportional_bias(
    d: Vector, means: Vector, confidence: float
) -> tuple[Estimate | None, SignificanceTest | None]:
    if float(np.ptp(means)) == 0:
        return None, None
    dx = means - means.mean()
    dy = d - d.mean()
    s_xx = float((dx**2).sum())
    b = float((dx * dy).sum()) / s_xx
    e = dy - b * dx
    nu = d.size - 2
    u = math.sqrt(float((e**2).sum()) / nu / s_xx)
    if float(np.abs(e).max()) <= 1e-13 * max(float(np.abs(d).max()), float(np.abs(means).max())):
        return Estimate(value=b), None
    t = b / u
    return (
        student(b, u, nu, confidence),
        SignificanceTest(name="proportional bias", statistic=t, df=(nu,), p=t_two_sided_p(t, nu)),
    )
