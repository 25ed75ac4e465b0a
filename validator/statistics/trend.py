"""Relative change per step of time or use, with the start of the line as 100 %."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np
from msgspec import Struct

from validator.errors import NotEstimable
from validator.numbers import counted
from validator.statistics.distributions import f_upper_tail, student, t_two_sided, t_two_sided_p
from validator.statistics.interval import Estimate, Interval, SignificanceTest
from validator.statistics.sample import Vector, series_rows, summarise, vector

if TYPE_CHECKING:
    from collections.abc import Hashable, Sequence

    from numpy.typing import ArrayLike


class RelativeTrend(Struct, frozen=True, kw_only=True):
    """Straight-line change per unit of x, as a fraction of the value at the start.

    Attributes:
        n: number of results.
        start: x where the line counts as 1 (the smallest x).
        end: largest x.
        slope: θ, fraction per unit of x, with two-sided interval.
        test: t test of no trend, two-sided.
        homogeneity: F test of equal relative slopes of the groups; None for one group or without residuals.
        curvature: t test of a quadratic term common to the groups; None without degrees of freedom.
        method: how it was computed.
    """

    n: int
    start: float
    end: float
    slope: Estimate
    test: SignificanceTest
    homogeneity: SignificanceTest | None
    curvature: SignificanceTest | None
    method: str

    @property
    def limits(self) -> Interval:
        """The two-sided limits of θ."""
        assert self.slope.interval is not None
        return self.slope.interval


class _Lines(Struct, frozen=True):
    """Lines of all groups on y divided by the mean of its group, x from the mean of its group.

    z holds z − 1; e the residuals from the common slope.
    """

    dx: Vector
    e: Vector
    rows: list[list[int]]
    slopes: Vector
    s_xx: Vector
    kappa: float
    offset: float

    @property
    def nu(self) -> int:
        return self.dx.size - len(self.rows) - 1


def pooled_trend(
    x: ArrayLike, y: ArrayLike, groups: Sequence[Hashable] | None = None, *, confidence: float = 0.95
) -> RelativeTrend:
    r"""One relative slope for all groups, every result independent.

    Each group is divided by its own mean, :math:`z = y/\bar y_g`; then with x centred in each group

    .. math:: \kappa = \sum (x-\bar x_g) z / \sum (x - \bar x_g)^2, \qquad
              \theta = \kappa / (1 + \kappa (x_0 - \bar x))

    with Fieller's limits of κ (slope over mean, variances s_z²/Σ(x − x̄_g)² and s_z²/N, ν = N − G − 1)
    taken through the same monotone function.  For one group this is Fieller's interval of slope over
    fitted start.  With several groups it takes them to share their x̄.

    Args:
        x: (N,) time or number of use.
        y: (N,) independent results or signals.
        groups: (N,) labels of the group (device) of each, or None for one group.
        confidence: level of the interval.

    Raises:
        NotEstimable: too few results, a single x, means that are not positive, or no scatter.

    References:
        E. C. Fieller, J. R. Stat. Soc. B 16 (1954) 175–185 (from memory).
    """
    lines = _fit(x, y, groups)
    n, nu = lines.dx.size, lines.nu
    if nu < 1:
        raise NotEstimable(
            counted(n, "result"), f"at least {len(lines.rows) + 2} results, 3 of a single unit"
        )
    s_squared = float((lines.e**2).sum()) / nu
    if math.sqrt(s_squared) <= 1e-13:
        raise NotEstimable(
            "all results lie exactly on a straight line", "results recorded with higher resolution"
        )
    v_slope, v_mean = s_squared / float(lines.s_xx.sum()), s_squared / n
    kappa = lines.kappa

    def limits(t: float) -> tuple[float, float]:
        g = t**2 * v_mean
        if g >= 1:
            raise NotEstimable(
                "the mean result does not differ significantly from zero", "more precise results"
            )
        half = t * math.sqrt((1 - g) * v_slope + kappa**2 * v_mean) / (1 - g)
        return _from_start(kappa / (1 - g) - half, lines.offset), _from_start(
            kappa / (1 - g) + half, lines.offset
        )

    theta = _from_start(kappa, lines.offset)
    x_all = vector(x, "x")
    # d theta/d kappa = 1/(1 + kappa·offset)²
    u = math.sqrt(v_slope + kappa**2 * v_mean) / (1 + kappa * lines.offset) ** 2
    t = kappa / math.sqrt(v_slope)
    return RelativeTrend(
        n=n,
        start=float(x_all.min()),
        end=float(x_all.max()),
        slope=Estimate(
            value=theta,
            standard_error=u,
            interval=Interval.by(lambda level: limits(t_two_sided(level, nu)), confidence, "Fieller"),
            degrees_of_freedom=nu,
        ),
        test=SignificanceTest(name="trend", statistic=t, df=(nu,), p=t_two_sided_p(t, nu)),
        homogeneity=_homogeneity(lines),
        curvature=_curvature(lines),
        method="one line" if len(lines.rows) == 1 else "common relative slope (results as independent units)",
    )


def trend_of_units(
    x: ArrayLike, y: ArrayLike, groups: Sequence[Hashable], *, confidence: float = 0.95
) -> RelativeTrend:
    r"""Mean of the relative slopes of independent groups (devices), each with a line of its own.

    .. math:: \theta_g = b_g/\hat y_g(x_0), \qquad \bar\theta \pm t_{\nu}\, s_\theta/\sqrt G, \qquad \nu = G-1

    so that differences between devices are part of the standard error.

    Args:
        x: (N,) time or number of use.
        y: (N,) results or signals.
        groups: (N,) labels of the device of each.
        confidence: level of the interval.

    Raises:
        NotEstimable: one group, a group with a single x, a mean that is not positive, or equal slopes.

    References:
        Two-stage estimate of a random coefficient: G. A. F. Seber and C. J. Wild, Nonlinear Regression
        (1989), ch. 7 (from memory).
    """
    lines = _fit(x, y, groups)
    if len(lines.rows) < 2:
        raise NotEstimable("only one device", "at least 2 devices")
    x_all = vector(x, "x")
    start = float(x_all.min())
    offsets = [start - float(x_all[rows].mean()) for rows in lines.rows]
    thetas = [_from_start(float(k), offset) for k, offset in zip(lines.slopes, offsets, strict=True)]
    sample = summarise(thetas)
    if not sample.variance_of_mean:
        raise NotEstimable("the devices do not differ", "results recorded with higher resolution")
    u, nu = math.sqrt(sample.variance_of_mean), sample.degrees_of_freedom
    t = sample.mean / u
    return RelativeTrend(
        n=x_all.size,
        start=start,
        end=float(x_all.max()),
        slope=student(sample.mean, u, nu, confidence, "Student t, devices"),
        test=SignificanceTest(name="trend", statistic=t, df=(nu,), p=t_two_sided_p(t, nu)),
        homogeneity=_homogeneity(lines),
        curvature=_curvature(lines),
        method=f"mean relative slope of {sample.n} devices (devices as independent units)",
    )


def _from_start(kappa: float, offset: float) -> float:
    """Slope over the value at the start from slope over the mean; offset = x_0 − x̄ ≤ 0."""
    start = 1 + kappa * offset
    if start <= 0:
        raise NotEstimable(
            "the confidence interval of the initial value includes zero", "more precise results"
        )
    return kappa / start


def _fit(x: ArrayLike, y: ArrayLike, groups: Sequence[Hashable] | None) -> _Lines:
    x_all = vector(x, "x")
    y_all = vector(y, "y", size=x_all.size)
    if x_all.size < 2:
        raise NotEstimable(counted(x_all.size, "result"), "at least 3 results")
    rows = series_rows(groups if groups is not None else ["one"] * x_all.size, x_all.size)
    dx, dz = np.empty(x_all.size), np.empty(x_all.size)
    for own in rows:
        if float(np.ptp(x_all[own])) == 0:
            raise NotEstimable(
                "a unit was measured at one time or use only", "at least 2 times or uses for each unit"
            )
        mean = float(y_all[own].mean())
        if mean <= 0:
            raise NotEstimable("a mean result is not positive", "positive results")
        dx[own] = x_all[own] - x_all[own].mean()
        dz[own] = (y_all[own] - mean) / mean
    s_xx = np.array([float((dx[own] ** 2).sum()) for own in rows])
    s_xz = np.array([float((dx[own] * dz[own]).sum()) for own in rows])
    kappa = float(s_xz.sum() / s_xx.sum())
    offset = float(x_all.min() - np.mean([x_all[own].mean() for own in rows]))
    return _Lines(dx, dz - kappa * dx, rows, s_xz / s_xx, s_xx, kappa, offset)


def _homogeneity(lines: _Lines) -> SignificanceTest | None:
    """Equal slopes against own slopes, F with G − 1 and N − 2G degrees of freedom."""
    groups = len(lines.rows)
    nu2 = lines.dx.size - 2 * groups
    if groups < 2 or nu2 < 1:
        return None
    explained = float((lines.s_xx * (lines.slopes - lines.kappa) ** 2).sum())
    own = lines.e.copy()
    for rows, slope in zip(lines.rows, lines.slopes, strict=True):
        own[rows] -= (slope - lines.kappa) * lines.dx[rows]
    residual = float((own**2).sum())
    if residual <= 1e-26:
        return None
    f = explained / (groups - 1) / (residual / nu2)
    return SignificanceTest(
        name="equal slopes", statistic=f, df=(groups - 1, nu2), p=f_upper_tail(f, groups - 1, nu2)
    )


def _curvature(lines: _Lines) -> SignificanceTest | None:
    """Quadratic term within groups, orthogonal to the line."""
    nu = lines.nu - 1
    if nu < 1:
        return None
    q = lines.dx**2
    for rows in lines.rows:
        q[rows] -= q[rows].mean()
    q -= float((q * lines.dx).sum() / (lines.dx**2).sum()) * lines.dx
    s_qq = float((q**2).sum())
    if s_qq <= 1e-12 * float((lines.dx**4).sum()):
        return None
    c = float((q * lines.e).sum()) / s_qq
    remaining = float(((lines.e - c * q) ** 2).sum())
    if remaining <= 1e-26:
        return None
    t = c / math.sqrt(remaining / nu / s_qq)
    return SignificanceTest(name="curvature", statistic=t, df=(nu,), p=t_two_sided_p(t, nu))
