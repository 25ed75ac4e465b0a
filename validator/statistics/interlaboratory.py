"""Interlaboratory precision at one level: the ISO 5725-2 estimators, Mandel's h and k, robust ones."""

from __future__ import annotations

import math
from contextlib import suppress
from typing import TYPE_CHECKING

import numpy as np
from msgspec import Struct
from scipy import special

from validator.errors import NotEstimable
from validator.records import Record
from validator.statistics.distributions import chi2_quantile, f_quantile, t_quantile
from validator.statistics.interval import Estimate
from validator.statistics.outliers import (
    OutlierTest,
    cochran,
    grubbs,
    grubbs_double_largest,
    grubbs_double_smallest,
)
from validator.statistics.precision import LIMIT_FACTOR
from validator.statistics.precision_intervals import (
    Figure,
    between_estimate,
    mean_over_groups,
    relative_standard_deviation,
    repeatability_estimate,
    standard_deviation,
    total_estimate,
)
from validator.statistics.variance_components import (
    FloatArray,
    OneWayLayout,
    checked_readings,
    differences_from_one,
    one_way_layout,
)

if TYPE_CHECKING:
    from collections.abc import Sequence


class MandelStatistics(Struct, frozen=True, kw_only=True):
    """Consistency of each laboratory with the others, in the order of the cells.

    Attributes:
        h: between laboratories; ``h_critical`` bounds |h|.
        k: within laboratories; None where the cell holds a single reading.
        h_critical: at 5 % and 1 %.
        k_critical: for each laboratory at 5 % and 1 %, by its own number of readings; None as for k.
    """

    h: tuple[float, ...]
    k: tuple[float | None, ...]
    h_critical: tuple[float, float]
    k_critical: tuple[tuple[float, float] | None, ...]


class InterlaboratoryResult(Struct, frozen=True, kw_only=True):
    """Precision over laboratories at one level. Standard deviations in the unit of the data, RSDs in percent.

    Attributes:
        n, laboratories: readings and cells used.
        mean: general mean m, weighted by the readings; its standard error is over laboratories.
        repeatability_sd, repeatability_rsd: s_r.
        between_sd: s_L.
        reproducibility_sd, reproducibility_rsd: s_R.
        repeatability_limit, reproducibility_limit: 2.8·s_r and 2.8·s_R.
        cell_means, cell_sds, cell_sizes: by laboratory; a single reading has no standard deviation.
        mandel: h and k, or why not.
        outlier_tests: Cochran on the cells, Grubbs single and double on the cell means.
        method: how it was computed, in a sentence.
    """

    n: int
    laboratories: int
    mean: Estimate
    repeatability_sd: Figure
    repeatability_rsd: Figure
    between_sd: Figure
    reproducibility_sd: Figure
    reproducibility_rsd: Figure
    repeatability_limit: float | None
    reproducibility_limit: float | None
    cell_means: tuple[float, ...]
    cell_sds: tuple[float | None, ...]
    cell_sizes: tuple[int, ...]
    mandel: MandelStatistics | NotEstimable
    outlier_tests: tuple[OutlierTest, ...]
    method: str


class RobustPrecision(Record, frozen=True, kw_only=True):
    """The same figures by algorithms A (mean, s_d) and S (s_r).

    Attributes:
        mean: robust mean of the cell means; ``standard_error`` its standard error, 1.25·s*/√p.
        repeatability_sd, between_sd: s_r, s_L; None where every laboratory reports a single result.
        reproducibility_sd: s_R.
    """

    mean: float
    standard_error: float
    repeatability_sd: float | None = None
    between_sd: float | None = None
    reproducibility_sd: float


def interlaboratory(
    cells: Sequence[Sequence[float] | FloatArray], *, level: float = 0.95, alpha: float = 0.05
) -> InterlaboratoryResult:
    r"""Repeatability and reproducibility from the cells of p laboratories, each of shape (n_i,).

    .. math::
        s_r^2 = \frac{\sum(n_i-1)s_i^2}{\sum(n_i-1)}, \quad
        s_d^2 = \frac{\sum n_i(\bar y_i - m)^2}{p-1}, \quad
        \bar{\bar n} = \frac{1}{p-1}\Bigl(\sum n_i - \frac{\sum n_i^2}{\sum n_i}\Bigr), \quad
        s_L^2 = \max\Bigl(0, \frac{s_d^2-s_r^2}{\bar{\bar n}}\Bigr), \quad s_R^2 = s_r^2 + s_L^2

    also for unequal cells; outliers are tested and stay in. Intervals, which the standard does not give:
    chi-squared for s_r, modified large-sample for s_L and s_R. With single readings in
    all cells s_R is the standard deviation of the results. Empty cells are left out.

    Raises:
        NotEstimable: fewer than two laboratories, a reading that is not finite.

    References:
        ISO 5725-2:1994, 7.4.5 (from memory; Annex B.1 is a test).
    """
    layout = one_way_layout(cells)
    if layout.groups < 2 or layout.n0 is None or layout.ms_between is None:
        raise NotEstimable(
            "results from one laboratory only", "at least 2 laboratories (ISO 5725-1: usually 8 or more)"
        )
    used = [cell for cell in map(checked_readings, cells) if len(cell)]
    s_r, s_L, s_R, clipped = _components(layout, layout.n0, layout.ms_between, level)
    mean = mean_over_groups(layout, level)
    return InterlaboratoryResult(
        n=layout.n,
        laboratories=layout.groups,
        mean=mean,
        repeatability_sd=s_r,
        repeatability_rsd=relative_standard_deviation(s_r, layout.mean),
        between_sd=s_L,
        reproducibility_sd=s_R,
        reproducibility_rsd=relative_standard_deviation(s_R, layout.mean),
        repeatability_limit=LIMIT_FACTOR * s_r.value if isinstance(s_r, Estimate) else None,
        reproducibility_limit=LIMIT_FACTOR * s_R.value if isinstance(s_R, Estimate) else None,
        cell_means=tuple(layout.group_means.tolist()),
        cell_sds=_cell_sds(used),
        cell_sizes=tuple(len(cell) for cell in used),
        mandel=_mandel_or_reason(used),
        outlier_tests=_outlier_tests(used, layout, alpha),
        method="ISO 5725-2 estimators"
        + ("; negative between-laboratory variance set to zero" if clipped else ""),
    )


def mandel(cells: Sequence[Sequence[float] | FloatArray]) -> MandelStatistics:
    r"""Mandel's consistency statistics of p cells.

    .. math:: h_i = \frac{\bar y_i - \bar{\bar y}}{\sqrt{\sum(\bar y_i - \bar{\bar y})^2/(p-1)}}, \qquad
        k_i = s_i\Big/\sqrt{\sum s_i^2/p}

    with the unweighted mean of the cell means and p the cells with replicates in k.

    Raises:
        NotEstimable: fewer than three laboratories, or equal cell means.

    References:
        ISO 5725-2:1994, 7.3.1; ASTM E691 (both from memory).
    """
    used = [checked_readings(cell) for cell in cells]
    if len(used) < 3:
        raise NotEstimable(f"only {len(used)} laboratories", "at least 3 laboratories")
    centred = one_way_layout(used).centred_means
    centred = centred - centred.mean()
    spread = math.sqrt(float(centred @ centred) / (len(used) - 1))
    if spread == 0:
        raise NotEstimable("all cell means are identical", "results recorded with higher resolution")
    sds = _cell_sds(used)
    known = [s for s in sds if s is not None]
    pooled = math.sqrt(sum(s**2 for s in known) / len(known)) if known else 0.0
    return MandelStatistics(
        h=tuple((centred / spread).tolist()),
        k=tuple(None if s is None or pooled == 0 else s / pooled for s in sds),
        h_critical=(mandel_h_critical(len(used), 0.05), mandel_h_critical(len(used), 0.01)),
        k_critical=tuple(
            None
            if s is None or len(known) < 2
            else (
                mandel_k_critical(len(known), len(cell), 0.05),
                mandel_k_critical(len(known), len(cell), 0.01),
            )
            for s, cell in zip(sds, used, strict=True)
        ),
    )


def mandel_h_critical(p: int, alpha: float) -> float:
    r"""Bound of |h| for one of p laboratories: (p-1)·t/√(p(t² + p - 2)), t at 1 - α/2 with p - 2 df."""
    t = t_quantile(1 - alpha / 2, p - 2)
    return (p - 1) * t / math.sqrt(p * (t**2 + p - 2))


def mandel_k_critical(p: int, n: int, alpha: float) -> float:
    r"""Bound of k for one of p laboratories of n readings: √(pF/(F + p - 1)), F(1-α; n-1, (p-1)(n-1))."""
    F = f_quantile(1 - alpha, n - 1, (p - 1) * (n - 1))
    return math.sqrt(p * F / (F + p - 1))


def robust_interlaboratory(cells: Sequence[Sequence[float] | FloatArray]) -> RobustPrecision:
    r"""s_r by algorithm S on the cell sds, mean and s_d by algorithm A on the cell means.

    .. math:: s_L^2 = \max(0, s_d^2 - s_r^2/n_h), \qquad s_R^2 = s_L^2 + s_r^2

    with n_h the harmonic mean of the readings per cell; ν of algorithm S is that of the commonest size. With
    single results in all cells s_R is the s* of algorithm A.

    Raises:
        NotEstimable: fewer than three laboratories, or more than half of the values equal.

    References:
        ISO 5725-5:1998, 6; ISO 13528:2015, C.3.1 for single results (both from memory).
    """
    layout = one_way_layout(cells)
    used = [cell for cell in map(checked_readings, cells) if len(cell)]
    sizes = [len(cell) for cell in used if len(cell) > 1]
    average = algorithm_a(layout.group_means)
    if not sizes:
        return RobustPrecision(
            mean=average.mean,
            standard_error=average.standard_error,
            reproducibility_sd=average.sd,
        )
    nu = max(sorted(set(sizes)), key=sizes.count) - 1
    s_r = algorithm_s([s for s in _cell_sds(used) if s is not None], nu)
    s_L2 = average.sd**2 - s_r**2 / layout.harmonic_mean
    return RobustPrecision(
        mean=average.mean,
        standard_error=average.standard_error,
        repeatability_sd=s_r,
        between_sd=math.sqrt(max(0.0, s_L2)),
        reproducibility_sd=math.sqrt(max(0.0, s_L2) + s_r**2),
    )


def _components(
    layout: OneWayLayout, n0: float, ms_between: float, level: float
) -> tuple[Figure, Figure, Figure, bool]:
    ms_within = layout.ms_within
    if not ms_within:
        if layout.df_within == 0:
            why = NotEstimable(
                "every laboratory reported a single result", "at least 2 results per laboratory"
            )
        else:
            why = NotEstimable(
                "the results within each cell are identical", "readings recorded with higher resolution"
            )
        s_R = standard_deviation(layout.variance_of_means, layout.df_between, level)
        return why, why, s_R, False
    s_L2 = max(0.0, (ms_between - ms_within) / n0)
    reproducibility = total_estimate(layout, ms_within + s_L2, level)
    return (
        repeatability_estimate(layout, ms_within, level),
        between_estimate(layout, s_L2, level),
        reproducibility,
        s_L2 == 0,
    )


def _cell_sds(cells: Sequence[FloatArray]) -> tuple[float | None, ...]:
    return tuple(
        None if len(cell) < 2 else float(np.std(differences_from_one(cell)[0], ddof=1)) for cell in cells
    )


def _mandel_or_reason(cells: Sequence[FloatArray]) -> MandelStatistics | NotEstimable:
    try:
        return mandel(cells)
    except NotEstimable as reason:
        return reason


def _outlier_tests(
    cells: Sequence[FloatArray], layout: OneWayLayout, alpha: float
) -> tuple[OutlierTest, ...]:
    """The tests that the data can carry."""
    found = []
    with suppress(NotEstimable):
        found.append(cochran(cells, alpha=alpha))
    for test in (grubbs, grubbs_double_largest, grubbs_double_smallest):
        with suppress(NotEstimable):
            found.append(test(layout.group_means, alpha=alpha))
    return tuple(found)


_ITERATIONS = 1000
_TOLERANCE = 1e-10
_WINSOR = 1.5
_CONSISTENT_MAD = 1.483
_CONSISTENT_WINSORISED = 1.134


class RobustEstimate(Struct, frozen=True, kw_only=True):
    """Outcome of algorithm A.

    Attributes:
        mean: robust average x*.
        sd: robust standard deviation s*.
        standard_error: 1.25·s*/√n.
    """

    mean: float
    sd: float
    standard_error: float


def algorithm_a(values: Sequence[float] | FloatArray) -> RobustEstimate:
    r"""Robust average and standard deviation by winsorising at 1.5 s*.

    Start with x* the median and s* = 1.483·median|x - x*|; then, until both stand still to 10 digits,
    values beyond x* ± 1.5 s* are set to those limits and

    .. math:: x^* = \frac1n\sum x_i^*, \qquad s^* = 1.134\sqrt{\sum (x_i^* - x^*)^2/(n-1)}

    Raises:
        NotEstimable: fewer than three values, more than half of them equal, or no convergence.

    References:
        ISO 13528:2015, C.3.1; ISO 5725-5:1998, 6.2 (from memory).
    """
    x = checked_readings(values)
    n = len(x)
    if n < 3:
        raise NotEstimable(f"only {n} values", "at least 3, preferably 7 or more, values")
    x, origin = differences_from_one(x)
    centre = float(np.median(x))
    spread = _CONSISTENT_MAD * float(np.median(np.abs(x - centre)))
    if spread == 0:
        raise NotEstimable(
            "more than half of the values are identical", "values recorded with higher resolution"
        )
    for _ in range(_ITERATIONS):
        limit = _WINSOR * spread
        winsorised = np.clip(x, centre - limit, centre + limit)
        new_centre = float(winsorised.mean())
        new_spread = _CONSISTENT_WINSORISED * float(np.std(winsorised, ddof=1))
        still = max(abs(new_centre - centre), abs(new_spread - spread)) <= _TOLERANCE * spread
        centre, spread = new_centre, new_spread
        if still:
            return RobustEstimate(
                mean=origin + centre,
                sd=spread,
                standard_error=1.25 * spread / math.sqrt(n),
            )
    raise NotEstimable("the robust mean does not converge", "more values with fewer ties")


def algorithm_s(sds: Sequence[float] | FloatArray, nu: float) -> float:
    r"""Robust pooled value of standard deviations (shape (p,)) with ν degrees of freedom each.

    Start with the median; then, until it stands still, values above η·w* are set to η·w* and
    :math:`w^* = \xi\sqrt{\sum w_i^{*2}/p}`, where :math:`\eta^2 = \chi^2_{0.9,\nu}/\nu` and
    :math:`\xi^{-2} = P(\chi^2_{\nu+2} < \nu\eta^2) + 0.1\,\eta^2`.

    Raises:
        NotEstimable: no standard deviation is available, more than half of them zero, or no convergence.

    References:
        ISO 5725-5:1998, 6.3; ISO 13528:2015, C.4 (from memory; the factors of its table are a test).
    """
    w = checked_readings(sds)
    if len(w) == 0:
        raise NotEstimable("no standard deviation is available", "cells with replicates")
    eta, xi = algorithm_s_factors(nu)
    pooled = float(np.median(w))
    if pooled <= 0:
        raise NotEstimable(
            "more than half of the cells have a standard deviation of zero",
            "readings recorded with higher resolution",
        )
    for _ in range(_ITERATIONS):
        new = xi * math.sqrt(float(np.mean(np.minimum(w, eta * pooled) ** 2)))
        if abs(new - pooled) <= _TOLERANCE * pooled:
            return new
        pooled = new
    raise NotEstimable("the robust standard deviation does not converge", "more cells with replicates")


def algorithm_s_factors(nu: float) -> tuple[float, float]:
    """Limit factor η and adjustment factor ξ of algorithm S."""
    eta2 = chi2_quantile(0.9, nu) / nu
    xi2 = 1 / (float(special.chdtr(nu + 2, nu * eta2)) + 0.1 * eta2)
    return math.sqrt(eta2), math.sqrt(xi2)
