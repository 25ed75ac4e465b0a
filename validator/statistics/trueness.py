"""Trueness: recovery of an added amount, of a reference value (with its scores) or of a known level."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Literal

import numpy as np
from msgspec import Struct

from validator.errors import NotEstimable
from validator.records import Record
from validator.statistics.distributions import student, t_two_sided, t_two_sided_p
from validator.statistics.equivalence import Equivalence, two_one_sided_tests
from validator.statistics.interval import Estimate
from validator.statistics.sample import (
    Vector,
    effective_degrees_of_freedom,
    mean_of_series,
    summarise,
    vector,
    weights_of_series,
    without_rounding,
)

if TYPE_CHECKING:
    from collections.abc import Hashable, Sequence

    from numpy.typing import ArrayLike


Kind = Literal["spike", "reference", "level"]
Bounds = tuple[float, float]


class Recovery(Struct, frozen=True, kw_only=True):
    """Recovery at one level; every recovery in percent.

    Attributes:
        level: amount added, reference value or known level (mean of the amounts added), unit of the data.
        kind: what the results are compared with.
        n: number of single recoveries.
        series: number of independent series, or None when every result is independent.
        mean_recovery: mean with the standard error that also holds the native's or reference's uncertainty.
        sd: standard deviation of the single recoveries; None for one result.
        t: (mean − 100)/standard error; None without a standard error.
        p_bias: two-sided p of t.
        equivalence: two one-sided tests for the bounds asked for, in percent.
        reference_uncertainty_used: standard uncertainty of the reference that entered, unit of the data.
        native_uncertainty_used: standard uncertainty of the shared native content that entered.
        scores: zeta, En and the 2u check, where the reference value has an uncertainty.
        values: the single recoveries.
        method: how the standard error was found.
        reason: why there is no interval, when there is none.
    """

    level: float
    kind: Kind
    n: int
    series: int | None
    mean_recovery: Estimate
    sd: float | None
    t: float | None
    p_bias: float | None
    equivalence: Equivalence | None
    reference_uncertainty_used: float | None
    native_uncertainty_used: float | None
    scores: ReferenceScores | None
    values: tuple[float, ...]
    method: str
    reason: str | None


def spike_recovery(
    found: ArrayLike,
    native: ArrayLike,
    added: ArrayLike,
    *,
    native_sd: ArrayLike | None = None,
    native_n: int | None = None,
    series: Sequence[Hashable] | None = None,
    equivalence_bounds: Bounds | None = None,
    confidence: float = 0.95,
) -> Recovery:
    r"""Recovery of an added amount.

    .. math:: R_i = 100\,(c_i - c_0)/c_{add,i}, \qquad
              u^2(\bar R) = u^2_{scatter} + \left(100 \sum_i w_i/c_{add,i}\right)^2 u^2(c_0)

    The native content c0 shared by all results is a common error and enters once, undivided by n, with
    u(c0) = native_sd/sqrt(native_n).  Where several native contents were measured their errors show in
    the scatter of the recoveries already; results that share one of them form a series.

    Args:
        found: (n,) results of the fortified samples, unit of the data.
        native: content before the addition, one number or (n,).
        added: amount added, one number or (n,), same unit, positive.
        native_sd: standard deviation of single determinations of the native content (of several, the
            largest is used); with ``native_n`` None it is taken as the standard uncertainty of the native.
        native_n: number of determinations behind the native content.
        series: (n,) labels of the series (day, batch) of each result; see :mod:`validator.statistics.sample`.
        equivalence_bounds: recoveries between which the mean should be shown to lie, percent.
        confidence: level of the interval; each one-sided test has α = 1 − confidence.

    Raises:
        NotEstimable: no results, or an added amount that is not positive.

    References:
        Eurachem, The Fitness for Purpose of Analytical Methods, 2nd ed. (2014), 6.5; IUPAC, Pure Appl.
        Chem. 71 (1999) 337–348 (recovery information).  Native term: propagation of JCGM 100:2008, 5.1.2.
    """
    c = _results(found)
    c_0, c_add = vector(native, "native", size=c.size), vector(added, "added", size=c.size)
    _require_positive(c_add, "an added amount that is not positive")
    shared = np.unique(c_0).size == 1
    labels = _series_or_natives(series, c_0)
    weights = weights_of_series(labels, c.size)
    u_native: float | None = None
    extra: list[tuple[float, float]] = []
    if native_sd is not None and shared:
        largest = float(vector(native_sd, "native_sd", size=c.size).max())
        u_native = largest / math.sqrt(native_n or 1)
        nu_native = native_n - 1 if native_n is not None and native_n > 1 else math.inf
        extra.append(((100 * float((weights / c_add).sum()) * u_native) ** 2, nu_native))
    return _recovery(
        without_rounding(100 * (c - c_0) / c_add, 100 * np.concatenate([c / c_add, c_0 / c_add])),
        level=float(c_add.mean()),
        kind="spike",
        labels=labels,
        extra=extra,
        native_uncertainty_used=u_native or None,
        equivalence_bounds=equivalence_bounds,
        confidence=confidence,
    )


def reference_recovery(
    found: ArrayLike,
    reference: float,
    *,
    reference_uncertainty: float | None = None,
    series: Sequence[Hashable] | None = None,
    equivalence_bounds: Bounds | None = None,
    confidence: float = 0.95,
) -> Recovery:
    r"""Recovery of a reference value (certified material, other method, round robin).

    .. math:: R_i = 100\,c_i/c_{ref}, \qquad
              u^2(\bar R) = u^2_{scatter} + (\bar R\,u_{ref}/c_{ref})^2

    Args:
        found: (n,) results, unit of the data.
        reference: reference value, positive.
        reference_uncertainty: its standard uncertainty (not expanded); None when it is not known.
        series: (n,) labels of the series of each result; see :mod:`validator.statistics.sample`.
        equivalence_bounds: recoveries between which the mean should be shown to lie, percent.
        confidence: level of the interval.

    Raises:
        NotEstimable: no results, or a reference value that is not positive.

    References:
        ERM Application Note 1 (2010); ISO 13528:2015, 9.6 and 9.7 (both from memory); delta method for
        the ratio, JCGM 100:2008, 5.1.2.
    """
    c = _results(found)
    _require_positive(np.array([reference]), "a reference value that is not positive")
    labels = tuple(series) if series is not None else None
    recoveries = 100 * c / reference
    u_ref = reference_uncertainty or None
    centre, u_scatter, nu, _ = mean_of_series(recoveries, labels)
    return _recovery(
        recoveries,
        level=reference,
        kind="reference",
        labels=labels,
        extra=[] if u_ref is None else [((centre * u_ref / reference) ** 2, math.inf)],
        reference_uncertainty_used=u_ref,
        scores=reference_scores(centre, u_scatter, nu, reference, u_ref, confidence),
        equivalence_bounds=equivalence_bounds,
        confidence=confidence,
    )


def known_level_recovery(
    found: ArrayLike,
    level: ArrayLike,
    *,
    series: Sequence[Hashable] | None = None,
    equivalence_bounds: Bounds | None = None,
    confidence: float = 0.95,
) -> Recovery:
    """Recovery of independently known solutions, R_i = 100·found_i/level_i; the level counts as exact.

    Args:
        found: (n,) results, unit of the data.
        level: known level, one number or (n,), positive.
        series: (n,) labels of the series of each result; see :mod:`validator.statistics.sample`.
        equivalence_bounds: recoveries between which the mean should be shown to lie, percent.
        confidence: level of the interval.

    Raises:
        NotEstimable: no results, or a level that is not positive.
    """
    c = _results(found)
    levels = vector(level, "level", size=c.size)
    _require_positive(levels, "a level that is not positive")
    return _recovery(
        100 * c / levels,
        level=float(levels.mean()),
        kind="level",
        labels=tuple(series) if series is not None else None,
        extra=[],
        equivalence_bounds=equivalence_bounds,
        confidence=confidence,
    )


def _recovery(
    recoveries: Vector,
    *,
    level: float,
    kind: Kind,
    labels: Sequence[Hashable] | None,
    extra: list[tuple[float, float]],
    equivalence_bounds: Bounds | None,
    confidence: float,
    reference_uncertainty_used: float | None = None,
    native_uncertainty_used: float | None = None,
    scores: ReferenceScores | None = None,
) -> Recovery:
    """Put the scatter and the *extra* (variance, ν) terms together, both in percent."""
    centre, u_scatter, nu_scatter, method = mean_of_series(recoveries, labels)
    estimate, reason = Estimate(value=centre), None
    t = p = nu = None
    equivalence = None
    if u_scatter is None or nu_scatter is None:
        reason = "only one result; its variation is unknown"
    else:
        terms = [(u_scatter**2, nu_scatter), *extra]
        u = math.sqrt(sum(v for v, _ in terms))
        if u == 0:
            reason = "the results show no variation at the recorded resolution"
        else:
            nu = effective_degrees_of_freedom(terms)
            estimate = student(centre, u, nu, confidence)
            t = (centre - 100) / u
            p = t_two_sided_p(t, nu)
            if equivalence_bounds is not None:
                equivalence = two_one_sided_tests(
                    centre,
                    u,
                    nu,
                    lower=equivalence_bounds[0],
                    upper=equivalence_bounds[1],
                    alpha=1 - confidence,
                )
    return Recovery(
        level=level,
        kind=kind,
        n=recoveries.size,
        series=None if labels is None else len(set(labels)),
        mean_recovery=estimate,
        sd=summarise(recoveries).sd,
        t=t,
        p_bias=p,
        equivalence=equivalence,
        reference_uncertainty_used=reference_uncertainty_used,
        native_uncertainty_used=native_uncertainty_used,
        scores=scores,
        values=tuple(float(r) for r in recoveries),
        method=method,
        reason=reason,
    )


def found_rsd_percent(found: ArrayLike, content: ArrayLike) -> float | None:
    r"""Relative standard deviation of what was found, percent of its mean; None for a single result.

    .. math:: 100\,s(c_i - x_i)/\bar c

    x is the content of each sample, native and added: samples of unlike content share one variation. In
    percent of an addition the variation of a sample with native content would look larger than it is.
    """
    c = _results(found)
    x = vector(content, "content", size=c.size)
    sd = summarise(without_rounding(c - x, np.concatenate([c, x]))).sd
    mean = float(c.mean())
    return None if sd is None or mean <= 0 else 100 * sd / mean


def _results(found: ArrayLike) -> Vector:
    c = vector(found, "found")
    if c.size == 0:
        raise NotEstimable("no results", "at least 2 independent results")
    return c


def _require_positive(amounts: Vector, reason: str) -> None:
    if not (amounts > 0).all():
        raise NotEstimable(reason, "a positive amount to recover")


def _series_or_natives(series: Sequence[Hashable] | None, native: Vector) -> Sequence[Hashable] | None:
    """Series labels, or the native contents themselves where some results share one of several."""
    if series is not None:
        return tuple(series)
    distinct = np.unique(native).size
    return tuple(native.tolist()) if 1 < distinct < native.size else None


class ReferenceScores(Record, frozen=True, kw_only=True):
    """A mean beside a reference value, both with their uncertainty, in the unit of the data.

    Attributes:
        difference: Δ = mean − reference.
        standard_uncertainty: u_Δ = sqrt(u_mean² + u_ref²).
        within_two_u: |Δ| ≤ 2·u_Δ: no bias is shown (ERM Application Note 1; from memory).
        zeta: Δ/u_Δ (ISO 13528:2015, 9.6; from memory).
        en: Δ/sqrt(U_mean² + U_ref²), U_mean = t(confidence, ν)·u_mean and U_ref = 2·u_ref
            (ISO 13528:2015, 9.7; from memory).
    """

    difference: float
    standard_uncertainty: float
    within_two_u: bool
    zeta: float
    en: float


def reference_scores(
    mean_recovery: float,
    u_scatter: float | None,
    nu: float | None,
    reference: float,
    u_ref: float | None,
    confidence: float,
) -> ReferenceScores | None:
    """Scores of a mean recovery with standard error *u_scatter*, both in percent, and its *nu*.

    Returns:
        None where the reference's standard uncertainty *u_ref* or the scatter is not known.
    """
    if u_ref is None or u_scatter is None or nu is None:
        return None
    difference = (mean_recovery - 100) / 100 * reference
    u_mean = u_scatter / 100 * reference
    u_difference = math.hypot(u_mean, u_ref)
    expanded = math.hypot(t_two_sided(confidence, nu) * u_mean, 2 * u_ref)
    return ReferenceScores(
        difference=difference,
        standard_uncertainty=u_difference,
        within_two_u=abs(difference) <= 2 * u_difference,
        zeta=difference / u_difference,
        en=difference / expanded,
    )
