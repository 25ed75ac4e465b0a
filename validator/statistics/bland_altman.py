"""Limits of agreement of two methods on the same samples."""

from __future__ import annotations

import math
from functools import partial
from typing import TYPE_CHECKING, Literal

import numpy as np
from msgspec import Struct
from scipy import special

from validator.errors import NotEstimable
from validator.numbers import counted
from validator.statistics.comparison import differences
from validator.statistics.distributions import normal_quantile, student, t_two_sided_p
from validator.statistics.interval import Estimate, Interval, SignificanceTest
from validator.statistics.sample import Vector, summarise, vector, without_rounding

if TYPE_CHECKING:
    from numpy.typing import ArrayLike


class BlandAltman(Struct, frozen=True, kw_only=True):
    """Bias and limits of agreement of this − reference.

    Attributes:
        n: number of samples.
        scale: "absolute" (unit of the data) or "percent" (of the mean of the two methods).
        coverage: share of differences expected between the limits.
        bias: mean difference.
        sd: standard deviation of the differences, s.
        lower: bias − z·s with its exact interval.
        upper: bias + z·s with its exact interval.
        proportional_bias: slope of the differences on the means of the two methods.
        proportional_bias_test: t test of that slope against 0; None where the means are all equal or the
            differences lie on a line.
        differences: (n,) as plotted.
        means: (n,) as plotted.
    """

    n: int
    scale: Literal["absolute", "percent"]
    coverage: float
    bias: Estimate
    sd: float
    lower: Estimate
    upper: Estimate
    proportional_bias: Estimate | None
    proportional_bias_test: SignificanceTest | None
    differences: tuple[float, ...]
    means: tuple[float, ...]


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
        n=n,
        scale=scale,
        coverage=coverage,
        bias=student(sample.mean, s / math.sqrt(n), nu, confidence),
        sd=s,
        lower=percentile(-1),
        upper=percentile(1),
        proportional_bias=slope,
        proportional_bias_test=slope_test,
        differences=tuple(float(x) for x in d),
        means=tuple(float(x) for x in means),
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
