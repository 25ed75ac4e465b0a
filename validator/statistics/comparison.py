"""Two methods on the same samples: paired difference, variances, ratio of variances from replicates."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np
from msgspec import Struct

from validator.errors import NotEstimable
from validator.numbers import counted
from validator.statistics.distributions import f_quantile, f_upper_tail, student, t_two_sided_p
from validator.statistics.equivalence import Equivalence, two_one_sided_tests
from validator.statistics.interval import Estimate, Interval, SignificanceTest
from validator.statistics.sample import Vector, summarise, vector, without_rounding

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import ArrayLike


class PairedDifference(Struct, frozen=True, kw_only=True):
    """Mean of the differences this − reference.

    Attributes:
        n: number of pairs.
        mean_difference: d̄ in the unit of the data.
        sd: standard deviation of the differences.
        test: t test of d̄ against 0.
        equivalence: two one-sided tests of d̄ within the bounds asked for.
    """

    n: int
    mean_difference: Estimate
    sd: float
    test: SignificanceTest
    equivalence: Equivalence | None


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
    equivalence_bounds: tuple[float, float] | None = None,
    confidence: float = 0.95,
) -> PairedDifference:
    r"""Paired t test of two methods.

    .. math:: t = \bar d\sqrt n/s_d, \qquad \nu = n-1

    Args:
        this: (n,) results of the method, one for each sample (means where readings were repeated).
        reference: (n,) results of the other method on the same samples.
        equivalence_bounds: differences between which d̄ should be shown to lie, unit of the data.
        confidence: level of the interval; each one-sided test has α = 1 − confidence.

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
    equivalence = None
    if equivalence_bounds is not None:
        lower, upper = equivalence_bounds
        equivalence = two_one_sided_tests(sample.mean, u, nu, lower=lower, upper=upper, alpha=1 - confidence)
    return PairedDifference(
        n=sample.n,
        mean_difference=student(sample.mean, u, nu, confidence),
        sd=u * math.sqrt(sample.n),
        test=SignificanceTest(name="paired t", statistic=t, df=(nu,), p=t_two_sided_p(t, nu)),
        equivalence=equivalence,
    )


def differences(this: ArrayLike, reference: ArrayLike) -> Vector:
    """Differences this − reference; those that differ by rounding alone are made equal."""
    y = vector(this, "this")
    x = vector(reference, "reference", size=y.size)
    return without_rounding(y - x, np.concatenate([x, y]))


def compare_variances(first: ArrayLike, second: ArrayLike, *, confidence: float = 0.95) -> VarianceComparison:
    r"""F test of two variances of independent results.

    .. math:: F = s_1^2/s_2^2 \sim F(n_1 - 1, n_2 - 1)

    Args:
        first: independent results under one set of conditions.
        second: the same under another.
        confidence: level of the interval of the ratio of the variances.

    Raises:
        NotEstimable: fewer than 2 results on a side, or no scatter on one.

    References:
        NIST/SEMATECH e-Handbook of Statistical Methods, 1.3.5.9.
    """
    a, b = summarise(first, "first"), summarise(second, "second")
    if a.variance is None or b.variance is None:
        raise NotEstimable(
            "one of the two groups has a single result", "at least 2 independent results in each group"
        )
    if a.variance == 0 or b.variance == 0:
        raise NotEstimable(
            "the results of one method show no variation", "results recorded with higher resolution"
        )
    return variance_ratio(
        a.variance / b.variance, a.degrees_of_freedom, b.degrees_of_freedom, confidence=confidence
    )


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
    r"""λ for :func:`validator.statistics.deming.deming` from replicates of both methods.

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
