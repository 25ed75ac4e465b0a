"""Is the scatter of the signals the same at every level?"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from validator.errors import NotEstimable
from validator.statistics.distributions import chi2_upper_tail, f_quantile, f_upper_tail
from validator.statistics.interval import SignificanceTest
from validator.statistics.levels import by_level
from validator.statistics.outliers import cochran
from validator.statistics.sample import vector

if TYPE_CHECKING:
    from numpy.typing import ArrayLike

    from validator.statistics.regression import CalibrationFit

# With fewer replicates the deviations from the median contain structural zeros (one of three is always 0),
# and the test rejects almost never, whatever the data: simulation with proportional scatter over two
# decades gave a power of 2 % at 3 replicates a level where the regression test had 82 %.
SMALLEST_GROUP = 6

_EPS = float(np.finfo(np.float64).eps)


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
