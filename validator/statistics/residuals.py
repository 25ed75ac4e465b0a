"""What the residuals of a calibration tell: pattern, order, normality, influence, equal variances."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np
from msgspec import Struct
from scipy import special

from validator.errors import NotEstimable
from validator.statistics.distributions import chi2_upper_tail, f_quantile, f_upper_tail
from validator.statistics.interval import SignificanceTest
from validator.statistics.levels import by_level, level_index
from validator.statistics.outliers import cochran
from validator.statistics.sample import Vector, vector

if TYPE_CHECKING:
    from numpy.typing import ArrayLike, NDArray

    from validator.statistics.regression import CalibrationFit


_EPS = float(np.finfo(np.float64).eps)


class RunsTest(Struct, frozen=True, kw_only=True):
    """Runs of equal sign.

    Attributes:
        statistic: number of runs.
        expected: number expected of random signs, 1 + 2 n₁ n₂/(n₁ + n₂).
        p: two-sided.
    """

    statistic: int
    expected: float
    p: float


def runs_test(fit: CalibrationFit) -> RunsTest:
    r"""Runs of equal sign among the residuals in level order, by the exact distribution.

    With n₁ positive and n₂ negative signs in random order

    .. math:: P(R = 2k) = 2 \binom{n_1-1}{k-1} \binom{n_2-1}{k-1} / \binom{n_1+n_2}{n_1},

    .. math:: P(R = 2k+1) = \left[\binom{n_1-1}{k}\binom{n_2-1}{k-1} +
              \binom{n_1-1}{k-1}\binom{n_2-1}{k}\right] / \binom{n_1+n_2}{n_1}

    p is two-sided, twice the smaller tail.  Replicates have no order within their level, so the sign of a
    replicated level is that of its mean residual; signs of exactly 0 are left out.

    Raises:
        NotEstimable: all signs equal, or fewer than 5 signs.

    References:
        A. Wald, J. Wolfowitz, Ann. Math. Stat. 11 (1940) 147–162 (from memory).
    """
    levels, index = level_index(fit.x)
    mean = np.bincount(index, weights=fit.residuals) / np.bincount(index)
    # What is left of residuals that cancel is rounding, not a sign.
    mean[np.abs(mean) <= 8 * _EPS * float(np.abs(fit.y).max())] = 0.0
    signs = np.sign(mean)[np.sign(mean) != 0]
    positive = int((signs > 0).sum())
    negative = signs.size - positive
    if signs.size < 5 or min(positive, negative) == 0:
        raise NotEstimable(
            f"{positive} positive and {negative} negative residuals over {levels.size} levels",
            "at least 5 levels with residuals of both signs",
        )
    runs = 1 + int((signs[1:] != signs[:-1]).sum())
    probability = _runs_distribution(positive, negative)
    lower, upper = float(probability[: runs + 1].sum()), float(probability[runs:].sum())
    return RunsTest(
        statistic=runs,
        expected=1 + 2 * positive * negative / signs.size,
        p=min(1.0, 2.0 * min(lower, upper)),
    )


def _runs_distribution(n1: int, n2: int) -> Vector:
    """P(R = r) for r = 0, 1, … n1 + n2."""

    def log_binomial(n: float, k: Vector) -> Vector:
        inside = (k >= 0) & (k <= n)
        kept = np.where(inside, k, 0.0)
        value = special.gammaln(n + 1) - special.gammaln(kept + 1) - special.gammaln(n - kept + 1)
        return np.where(inside, value, -np.inf)

    r = np.arange(n1 + n2 + 1)
    half = (r // 2).astype(np.float64)
    total = float(log_binomial(n1 + n2, np.array([float(n1)]))[0])
    even = math.log(2) + log_binomial(n1 - 1, half - 1) + log_binomial(n2 - 1, half - 1) - total
    first = log_binomial(n1 - 1, half) + log_binomial(n2 - 1, half - 1) - total
    second = log_binomial(n1 - 1, half - 1) + log_binomial(n2 - 1, half) - total
    return np.where(r % 2 == 0, np.exp(even), np.exp(first) + np.exp(second))


def durbin_watson(fit: CalibrationFit, order: ArrayLike) -> SignificanceTest:
    r"""Durbin–Watson test for correlation between neighbours in run order.

    .. math:: d = \sum_{t>1} (e_t - e_{t-1})^2 / \sum e_t^2, \quad e = \sqrt{w}\, r

    p (two-sided) comes from a beta distribution on (0, 4) with the exact mean and variance of d for these
    levels, not from bounds.

    Args:
        fit: the calibration.
        order: (n,) place of every point in the run order; all different.

    Raises:
        NotEstimable: a run order that is not known for every point, too few points, or an exact fit.

    References:
        J. Durbin, G. S. Watson, Biometrika 38 (1951) 159–178 (beta approximation, section 4; moments from
        traces) (from memory).
    """
    place = vector(order, "order", size=fit.n)
    if np.unique(place).size < fit.n:
        raise NotEstimable(
            "the run order is not recorded for every point",
            "a unique position in the run order for each point",
        )
    if fit.degrees_of_freedom < 3 or fit.residual_standard_deviation == 0:
        raise NotEstimable(
            "too few points, or all points exactly on the function", "at least 3 degrees of freedom"
        )
    by_run = np.argsort(place, kind="stable")
    root = np.sqrt(fit.weights[by_run])
    e = root * fit.residuals[by_run] / fit.residual_standard_deviation
    d = float(np.sum(np.diff(e) ** 2) / (e @ e))
    mean, variance = _durbin_watson_moments(_orthonormal_basis(fit, by_run, root), fit.degrees_of_freedom)
    # Beta on (0, 4) with these moments.
    m, v = mean / 4, variance / 16
    common = m * (1 - m) / v - 1
    lower = float(special.betainc(m * common, (1 - m) * common, min(max(d / 4, 0.0), 1.0)))
    return SignificanceTest(name="Durbin–Watson", statistic=d, p=min(1.0, 2 * min(lower, 1 - lower)))


def _orthonormal_basis(fit: CalibrationFit, order: NDArray[np.intp], root: Vector) -> NDArray[np.float64]:
    """(n, p) orthonormal columns that span the weighted design, rows in run order."""
    u = (fit.x[order] - fit.centre) / fit.scale
    columns = {"linear": (0, 1), "linear_through_origin": (1,), "quadratic": (0, 1, 2)}[fit.model]
    q, _ = np.linalg.qr(root[:, None] * np.stack([u**power for power in columns], axis=1))
    return np.asarray(q)


def _durbin_watson_moments(q: NDArray[np.float64], nu: int) -> tuple[float, float]:
    """Exact mean and variance of d for normal errors; A is the matrix of squared first differences."""
    n = q.shape[0]
    aq = 2 * q
    aq[0] -= q[0]
    aq[-1] -= q[-1]
    aq[1:] -= q[:-1]
    aq[:-1] -= q[1:]
    qaq = q.T @ aq
    # tr A = 2(n − 1), tr A² = 6n − 8; tr(MA) and tr(MAMA) with M = 1 − QQᵀ.
    first = 2 * (n - 1) - float(np.trace(qaq))
    second = (6 * n - 8) - 2 * float(np.sum(aq * aq)) + float(np.sum(qaq * qaq.T))
    mean = first / nu
    return mean, 2 * (second - first * mean) / (nu * (nu + 2))


class Influence(Struct, frozen=True, kw_only=True, eq=False):
    """How much each point pulls the function, and how far it lies off without itself.

    Attributes:
        cook: (n,) Cook's distance D = t² h / [p (1 − h)], t internally studentised.
        externally_studentised: (n,) t (ν − 1)^½ / (ν − t²)^½, Student t with ν − 1; infinite where the
            others fit exactly.
        bonferroni_p: (n,) two-sided p times n, capped at 1.
    """

    cook: NDArray[np.float64]
    externally_studentised: NDArray[np.float64]
    bonferroni_p: NDArray[np.float64]

    @property
    def max_cook(self) -> float:
        """Largest Cook's distance."""
        return float(self.cook.max())

    @property
    def at(self) -> int:
        """Index of the point with the largest Cook's distance."""
        return int(self.cook.argmax())

    @property
    def most_deviant(self) -> int:
        """Index of the point with the smallest Bonferroni p (largest externally studentised residual)."""
        return int(np.abs(self.externally_studentised).argmax())


def influence(fit: CalibrationFit) -> Influence:
    """Cook's distance and externally studentised residuals of every point.

    Raises:
        NotEstimable: fewer than 2 degrees of freedom, or points exactly on the function.

    References:
        R. D. Cook, S. Weisberg, Residuals and Influence in Regression, 1982, sections 2.2 and 3.1
        (from memory).
    """
    nu = fit.degrees_of_freedom
    if nu < 2 or fit.residual_standard_deviation == 0:
        raise NotEstimable(
            "only 1 degree of freedom" if nu < 2 else "all points lie exactly on the fitted function",
            f"at least {fit.parameters + 2} points with residual variation",
        )
    t, h = fit.standardised_residuals, fit.leverage
    free = 1.0 - h
    usable = free > 64 * _EPS
    cook = np.where(usable, t * t * h / (fit.parameters * np.where(usable, free, 1.0)), 0.0)
    rest = nu - t * t
    scatters = rest > 1e-10 * nu
    external = np.where(
        scatters, t * np.sqrt((nu - 1) / np.where(scatters, rest, 1.0)), np.copysign(np.inf, t)
    )
    p = 2 * special.stdtr(nu - 1, -np.abs(external))
    return Influence(cook=cook, externally_studentised=external, bonferroni_p=np.minimum(1.0, fit.n * p))


def shapiro_wilk(values: ArrayLike) -> SignificanceTest:
    r"""Shapiro–Wilk test of normality.

    .. math:: W = \left(\sum a_i x_{(i)}\right)^2 / \sum (x_i - \bar x)^2

    with Royston's approximations of the weights a and of the distribution of W (n from 3 to 5000).
    For residuals, which are slightly correlated, p is approximate.

    Args:
        values: (n,) independent values; residuals of a fit as :math:`\sqrt{w}\, r`, the plain ones where
            nothing is weighted, as general libraries and published examples test them.

    Raises:
        NotEstimable: fewer than 3 or more than 5000 values, or values that are all equal.

    References:
        P. Royston, Appl. Stat. 44 (1995) 547–551, algorithm AS R94.
    """
    x = np.sort(vector(values, "values"))
    n = x.size
    if not 3 <= n <= 5000:
        raise NotEstimable(f"{n} values", "3 to 5000 values")
    spread = float(x[-1] - x[0])
    if spread <= 8 * _EPS * float(np.abs(x).max()):
        raise NotEstimable("all values are identical", "values that differ")
    z = (x - x[n // 2]) / spread
    z = z - z.mean()
    a = _shapiro_weights(n)
    ss = float(z @ z)
    # 1 − W as the residual of z on a, not as a difference from 1.
    slope = float(a @ z)
    rest = z - slope * a
    w1 = max(float(rest @ rest) / ss, 0.0)
    return SignificanceTest(name="Shapiro–Wilk", statistic=1.0 - w1, p=_shapiro_p(w1, n))


def _shapiro_weights(n: int) -> Vector:
    """Royston's antisymmetric weights with Σa² = 1."""
    if n == 3:
        return np.array([-math.sqrt(0.5), 0.0, math.sqrt(0.5)])
    m = special.ndtri((np.arange(1, n + 1) - 0.375) / (n + 0.25))
    mm = float(m @ m)
    u = 1 / math.sqrt(n)
    c = m / math.sqrt(mm)
    last = c[-1] + np.polyval([-2.706056, 4.434685, -2.071190, -0.147981, 0.221157, 0.0], u)
    a = np.empty(n)
    if n > 5:
        before = c[-2] + np.polyval([-3.582633, 5.682633, -1.752461, -0.293762, 0.042981, 0.0], u)
        phi = (mm - 2 * m[-1] ** 2 - 2 * m[-2] ** 2) / (1 - 2 * last**2 - 2 * before**2)
        a[2:-2] = m[2:-2] / math.sqrt(phi)
        a[-2], a[1] = before, -before
    else:
        phi = (mm - 2 * m[-1] ** 2) / (1 - 2 * last**2)
        a[1:-1] = m[1:-1] / math.sqrt(phi)
    a[-1], a[0] = last, -last
    return a


def _shapiro_p(w1: float, n: int) -> float:
    """Upper tail of 1 − W."""
    if n == 3:
        return max(0.0, min(1.0, 6 / math.pi * (math.asin(math.sqrt(1 - w1)) - math.asin(math.sqrt(0.75)))))
    if w1 == 0:
        return 1.0
    y = math.log(w1)
    if n <= 11:
        gamma = -2.273 + 0.459 * n
        if y >= gamma:
            return 0.0
        y = -math.log(gamma - y)
        mean = float(np.polyval([-6.714e-4, 0.025054, -0.39978, 0.5440], n))
        sd = math.exp(float(np.polyval([-0.0020322, 0.062767, -0.77857, 1.3822], n)))
    else:
        log_n = math.log(n)
        mean = float(np.polyval([0.0038915, -0.083751, -0.31082, -1.5861], log_n))
        sd = math.exp(float(np.polyval([0.0030302, -0.082676, -0.4803], log_n)))
    return float(special.ndtr(-(y - mean) / sd))


# With fewer replicates the deviations from the median contain structural zeros (one of three is always 0),
# and the test rejects almost never, whatever the data: simulation with proportional scatter over two
# decades gave a power of 2 % at 3 replicates a level where the regression test had 82 %.
SMALLEST_GROUP = 6


def variance_ratio(x: ArrayLike, y: ArrayLike, *, significance: float = 0.01) -> SignificanceTest:
    r"""F test of the variances at the lowest and the highest level.

    .. math:: PW = s_{larger}^2 / s_{smaller}^2

    The larger variance stands in the numerator; the critical value is F(1 − significance), as the standard
    has it, and p is two-sided, so that p < 2·significance says the same as statistic > critical.

    Args:
        x: (n,) levels.
        y: (n,) signals of independent preparations.
        significance: of the critical value; 0.01 in the standard.

    Raises:
        NotEstimable: no replicates at either end, or none that scatter.

    References:
        ISO 8466-1:1990, clause 4.1.2 (10 replicates at both ends) (from memory).
    """
    levels = by_level(x, y)
    if levels.k < 2 or levels.n[0] < 2 or levels.n[-1] < 2:
        raise NotEstimable(
            "the lowest and the highest level are not both measured in replicate",
            "at least 2 independent preparations at each of these levels (ISO 8466-1 requires 10)",
        )
    ends = sorted((float(levels.variance[i]), int(levels.n[i]) - 1) for i in (0, -1))
    (smaller, nu2), (larger, nu1) = ends
    if smaller == 0:
        raise NotEstimable(
            "the replicates at one end of the range show no variation",
            "signals recorded with sufficient resolution",
        )
    ratio = larger / smaller
    return SignificanceTest(
        name="variance ratio",
        statistic=ratio,
        df=(nu1, nu2),
        p=min(1.0, 2.0 * f_upper_tail(ratio, nu1, nu2)),
        critical=f_quantile(1 - significance, nu1, nu2),
        critical_level=significance,
    )


def cochran_c(x: ArrayLike, y: ArrayLike, *, significance: float = 0.05) -> SignificanceTest:
    """Cochran's C test of the largest level variance, as in ``outliers.cochran``; df are (k, ν).

    Levels without replicates are left out; with unequal numbers ν is the commonest.

    Args:
        x: (n,) levels.
        y: (n,) signals of independent preparations.
        significance: of the critical value.

    Raises:
        NotEstimable: fewer than two replicated levels, or no scatter.
    """
    levels = by_level(x, y)
    signals = vector(y, "y")
    groups = [signals[levels.index == i] for i in range(levels.k) if levels.n[i] > 1]
    test = cochran(groups, alpha=significance)
    sizes = [group.size for group in groups]
    nu = max(sorted(set(sizes)), key=sizes.count) - 1
    return SignificanceTest(
        name="Cochran C",
        statistic=test.statistic,
        df=(len(groups), nu),
        p=test.p,
        critical=test.critical,
        critical_level=significance,
    )


def brown_forsythe(x: ArrayLike, y: ArrayLike) -> SignificanceTest:
    r"""Brown–Forsythe test: analysis of variance of the distances from the medians.

    .. math:: z_{ij} = |y_{ij} - \tilde y_i|, \qquad F = \frac{\sum n_i (\bar z_i - \bar z)^2 / (k - 1)}
              {\sum (z_{ij} - \bar z_i)^2 / (n - k)}

    Args:
        x: (n,) levels.
        y: (n,) signals of independent preparations.

    Raises:
        NotEstimable: a level with fewer than ``SMALLEST_GROUP`` replicates, or no scatter.

    References:
        M. B. Brown, A. B. Forsythe, J. Am. Stat. Assoc. 69 (1974) 364–367; NIST/SEMATECH e-Handbook of
        Statistical Methods, 1.3.5.10 (Levene test, median).
    """
    levels = by_level(x, y)
    if levels.k < 2 or levels.n.min() < SMALLEST_GROUP:
        raise NotEstimable(
            f"a level has fewer than {SMALLEST_GROUP} replicates" if levels.k > 1 else "fewer than 2 levels",
            f"at least {SMALLEST_GROUP} independent preparations at each of 2 or more levels",
        )
    signals = vector(y, "y")
    medians = np.array([np.median(signals[levels.index == i]) for i in range(levels.k)])
    z = np.abs(signals - medians[levels.index])
    group_mean = np.bincount(levels.index, weights=z) / levels.n
    between = float(levels.n @ (group_mean - z.mean()) ** 2)
    within = float(((z - group_mean[levels.index]) ** 2).sum())
    if within <= (8 * _EPS * float(np.abs(signals).max())) ** 2 * z.size:
        raise NotEstimable("the replicates show no variation", "signals recorded with sufficient resolution")
    nu1, nu2 = levels.k - 1, z.size - levels.k
    statistic = (between / nu1) / (within / nu2)
    return SignificanceTest(
        name="Brown–Forsythe", statistic=statistic, df=(nu1, nu2), p=f_upper_tail(statistic, nu1, nu2)
    )


def breusch_pagan(fit: CalibrationFit) -> SignificanceTest:
    r"""Breusch–Pagan test in Koenker's studentised form: do squared residuals change linearly with the level?

    .. math:: LM = n R^2 \sim χ^2(1)

    R² is that of w r² regressed on x with an intercept; Koenker's form does not need normal residuals.

    Raises:
        NotEstimable: residuals that are all of one size.

    References:
        R. Koenker, J. Econometrics 17 (1981) 107–112; T. S. Breusch, A. R. Pagan, Econometrica 47 (1979)
        1287–1294 (both from memory).
    """
    largest = float(np.abs(fit.residuals).max())
    if largest == 0:
        raise NotEstimable(
            "all points lie exactly on the fitted function",
            "signals recorded with sufficient resolution to show variation",
        )
    u = fit.weights * (fit.residuals / largest) ** 2
    du, dx = u - u.mean(), (fit.x - fit.x.mean()) / fit.scale
    s_uu, s_xx = float(du @ du), float(dx @ dx)
    if s_uu <= 64 * _EPS * float(u @ u) or s_xx == 0:
        raise NotEstimable("all squared residuals are equal", "more calibration points")
    statistic = fit.n * float(du @ dx) ** 2 / (s_uu * s_xx)
    return SignificanceTest(
        name="Breusch–Pagan, Koenker", statistic=statistic, df=(1,), p=chi2_upper_tail(statistic, 1)
    )
