"""Robustness: effects of small changes of the procedure, in a two-level screening design or one at a time."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Literal, NamedTuple

import numpy as np

from validator.characteristics.robustness.results import FactorEffectRecord, RobustnessRecord
from validator.errors import NotEstimable
from validator.numbers import counted
from validator.records import EstimateRecord, Range, finite
from validator.statistics.distributions import student, t_two_sided, t_two_sided_p
from validator.statistics.interval import Estimate, estimate_record
from validator.statistics.sample import Sample, Vector, summarise, vector

if TYPE_CHECKING:
    from collections.abc import Collection, Sequence

    from numpy.typing import ArrayLike, NDArray

    Design = NDArray[np.int64]


ErrorSource = Literal["replicates", "known", "dummies", "lenth", "none"]
_FEWEST_DEGREES = 3
NO_MEAN = EstimateRecord(value=None, reason="the mean result is zero")


def factor_effects(
    settings: ArrayLike,
    results: ArrayLike,
    names: Sequence[str],
    *,
    dummies: Collection[str] = (),
    levels: Sequence[tuple[float, float] | None] | None = None,
    known_sd: float | None = None,
    known_degrees_of_freedom: float = math.inf,
    allowed_effect: float | None = None,
    confidence: float = 0.95,
) -> RobustnessRecord:
    r"""Effects by least squares, in an orthogonal design the differences of means; dummies left out.

    .. math:: E_k = \bar y_{k+} - \bar y_{k-}, \qquad E = t(1-\alpha/2, \nu)\,u_E \text{ is the margin}

    The standard error comes from the first of these that there is:
    ``replicates`` - rows with the same settings, u_E = 2 s/√N with their pooled s, ν ≥ 3;
    ``known`` - an s from precision data, the same way;
    ``dummies`` - at least three columns without a factor (declared dummies and columns left free), u_E the
    root mean square of their effects, with as many degrees of freedom;
    ``lenth`` - pseudo standard error of at least 5 effects, :func:`lenth_pseudo_standard_error`;
    else replicates or free columns with ν of 1 or 2, or none.

    Args:
        settings: (N, factors) of +1 (high) and −1 (low).
        results: (N,) results of the runs.
        names: one for each factor.
        dummies: names of the columns without a factor.
        levels: (low, high) setting of each factor where it is a quantity; gives the controlled range.
        known_sd: standard deviation of a single result.
        known_degrees_of_freedom: of it.
        allowed_effect: largest effect allowed, unit of the results.
        confidence: 1 − α.

    Raises:
        NotEstimable: factors whose effects cannot be told apart, or fewer runs than effects.

    References:
        Y. Vander Heyden et al., J. Pharm. Biomed. Anal. 24 (2001) 723–753 (dummy effects, limit effect,
        non-significance interval of a setting); W. J. Youden and E. H. Steiner, Statistical Manual of the
        AOAC (1975), 33–36 (both from memory).
    """
    x = two_level(settings)
    y = vector(results, "results", size=x.shape[0])
    if len(names) != x.shape[1]:
        message = f"{len(names)} names for {x.shape[1]} factors"
        raise ValueError(message)
    real = [k for k, name in enumerate(names) if name not in dummies]
    d = y - y[0]
    contrasts, residual = _least_squares(x[:, real], d)
    effects = contrasts @ d
    known = _Pool(known_sd**2, known_degrees_of_freedom) if known_sd else None
    source, u, nu = _standard_error(
        contrasts,
        effects,
        _replicates(x, d),
        _Pool(residual, y.size - len(real) - 1),
        known,
        float(np.abs(y).max()),
    )
    mean = float(y[0] + d.mean())
    quantities = levels if levels is not None else [None] * len(names)
    judged = tuple(
        _effect(
            names[k],
            float(effect),
            float(u_k) if source != "none" else None,
            nu,
            mean=mean,
            levels=quantities[k],
            allowed=allowed_effect,
            confidence=confidence,
        )
        for k, effect, u_k in zip(real, effects, u, strict=True)
    )
    largest = float(u.max()) if source != "none" else None
    return RobustnessRecord(
        runs=np.unique(x, axis=0).shape[0],
        results=y.size,
        mean=mean,
        effects=judged,
        error_source=source,
        standard_error=largest,
        degrees_of_freedom=finite(nu) if largest is not None else None,
        margin=None if largest is None else t_two_sided(confidence, nu) * largest,
        to_control=_to_control(judged),
        orthogonal=is_orthogonal(x),
        reason="no replicates, no dummy factors and too few effects" if largest is None else None,
    )


def lenth_pseudo_standard_error(effects: ArrayLike) -> tuple[float, float]:
    r"""Standard error of effects from the effects themselves, most of them being null.

    .. math:: s_0 = 1.5\,\mathrm{median}|E_k|, \qquad
              PSE = 1.5\,\mathrm{median}\{|E_k| : |E_k| < 2.5\,s_0\}, \qquad \nu = m/3

    With t at this ν it is cautious: at a nominal 5 % it calls 2 to 4 % of null effects significant (own
    simulation, 7 to 15 effects).

    Returns:
        PSE, ν.

    Raises:
        NotEstimable: fewer than 5 effects, or more than half of them zero.

    References:
        R. V. Lenth, Technometrics 31 (1989) 469–473 (from memory).
    """
    size = np.abs(vector(effects, "effects"))
    if size.size < 5:
        raise NotEstimable(counted(size.size, "effect"), "at least 5 effects, replicates or 3 dummy factors")
    s_0 = 1.5 * float(np.median(size))
    if s_0 == 0:
        raise NotEstimable(
            "at least half of the effects are zero", "results recorded with higher resolution, or replicates"
        )
    return 1.5 * float(np.median(size[size < 2.5 * s_0])), size.size / 3


class _Pool(NamedTuple):
    """A variance of single results with its degrees of freedom."""

    variance: float
    nu: float


def _least_squares(x: NDArray[np.int64], d: Vector) -> tuple[Vector, float]:
    """(factors, N) weights of the results in each effect, twice the coefficients; residual variance."""
    n, k = x.shape
    if n < k + 1:
        raise NotEstimable(
            f"{counted(n, 'run')} for {counted(k, 'factor')}", f"at least {k + 1} different runs"
        )
    model = np.column_stack([np.ones(n), x])
    if np.linalg.matrix_rank(model) < k + 1:
        raise NotEstimable(
            "the settings do not allow all effects to be estimated separately", "an orthogonal set of runs"
        )
    solution = np.asarray(np.linalg.pinv(model), dtype=np.float64)
    residual = d - model @ (solution @ d)
    return 2 * solution[1:], float((residual**2).sum()) / max(n - k - 1, 1)


def _replicates(x: NDArray[np.int64], d: Vector) -> _Pool:
    """Pooled variance of results with the same settings."""
    runs, where, counts = np.unique(x, axis=0, return_inverse=True, return_counts=True)
    where = where.ravel()
    means = np.bincount(where, weights=d) / counts
    nu = d.size - runs.shape[0]
    return _Pool(float(((d - means[where]) ** 2).sum()) / max(nu, 1), nu)


def _standard_error(
    contrasts: Vector, effects: Vector, replicates: _Pool, free: _Pool, known: _Pool | None, scale: float
) -> tuple[ErrorSource, Vector, float]:
    """Source, standard error of each effect and ν, in the order of preference of :func:`factor_effects`."""
    pools: list[tuple[ErrorSource, _Pool]] = [("replicates", replicates), ("dummies", free)]
    usable = [(source, pool) for source, pool in pools if pool.nu and pool.variance > (1e-13 * scale) ** 2]
    good = [(source, pool) for source, pool in usable if pool.nu >= _FEWEST_DEGREES]
    if known is not None:
        good.insert(1 if good and good[0][0] == "replicates" else 0, ("known", known))
    if not good:
        try:
            pse, nu = lenth_pseudo_standard_error(np.where(np.abs(effects) > 1e-13 * scale, effects, 0.0))
        except NotEstimable:
            good = usable
        else:
            return "lenth", np.full(effects.size, pse), nu
    if not good:
        return "none", np.full(effects.size, np.nan), 0.0
    source, pool = good[0]
    return source, np.sqrt((contrasts**2).sum(axis=1) * pool.variance), pool.nu


def _effect(
    name: str,
    effect: float,
    u: float | None,
    nu: float,
    *,
    mean: float,
    levels: tuple[float, float] | None,
    allowed: float | None,
    confidence: float,
) -> FactorEffectRecord:
    estimate, t, p, significant, controlled = Estimate(value=effect), None, None, None, None
    if u is not None:
        margin = t_two_sided(confidence, nu) * u
        estimate = student(effect, u, nu, confidence)
        t = effect / u
        p = t_two_sided_p(t, nu)
        significant = abs(effect) > margin
        if significant and levels is not None:
            middle, reach = sum(levels) / 2, abs(levels[1] - levels[0]) / 2 * margin / abs(effect)
            controlled = Range(lower=middle - reach, upper=middle + reach)
    return FactorEffectRecord(
        factor=name,
        effect=estimate_record(estimate),
        effect_percent=_percent_of(mean, estimate),
        t=t,
        p=p,
        significant=significant,
        beyond_allowed=None if allowed is None else abs(effect) > allowed,
        controlled_range=controlled,
    )


def _percent_of(mean: float, effect: Estimate) -> EstimateRecord:
    return estimate_record(effect.scaled(100 / abs(mean))) if mean else NO_MEAN


def _to_control(effects: Sequence[FactorEffectRecord]) -> tuple[str, ...]:
    """Factors to keep by the size of their effect where an allowed one is stated, else by significance."""
    decided = (e.significant if e.beyond_allowed is None else e.beyond_allowed for e in effects)
    return tuple(dict.fromkeys(e.factor for e, keep in zip(effects, decided, strict=True) if keep))


# First rows of the cyclic designs; the last run has every factor low.
_GENERATORS = {
    8: "+++-+--",
    12: "++-+++---+-",
    16: "++++-+-++--+---",
    20: "++--++++-+-+----++-",
}
# One line per run, factors A to G.
_YOUDEN = ("+++++++", "++-+---", "+-+-+--", "+----++", "-++--+-", "-+--+-+", "--++--+", "---+++-")


def plackett_burman(runs: int) -> Design:
    """Settings (runs, runs − 1) of +1 and −1.

    Raises:
        ValueError: a number of runs other than 8, 12, 16 or 20.

    References:
        R. L. Plackett and J. P. Burman, Biometrika 33 (1946) 305–325; NIST/SEMATECH e-Handbook of
        Statistical Methods, 5.3.3.5.
    """
    if runs not in _GENERATORS:
        message = f"no design of {runs} runs here; there are {', '.join(map(str, _GENERATORS))}"
        raise ValueError(message)
    first = np.array(_signs(_GENERATORS[runs]), dtype=np.int64)
    rows = [np.roll(first, shift) for shift in range(runs - 1)]
    return np.vstack([*rows, -np.ones(runs - 1, dtype=np.int64)])


def youden() -> Design:
    """Settings (8, 7) of +1 (nominal) and −1 (changed) in Youden's arrangement.

    References:
        W. J. Youden and E. H. Steiner, Statistical Manual of the AOAC (1975), 33–36 (from memory).
    """
    return np.array([_signs(run) for run in _YOUDEN], dtype=np.int64)


def is_orthogonal(settings: ArrayLike) -> bool:
    """Whether the effects can be told apart: every factor is balanced, and no two are correlated.

    Args:
        settings: (runs, factors) of +1 and −1.
    """
    x = two_level(settings)
    centred = x - x.mean(axis=0)
    products = centred.T @ centred
    correlated = np.abs(products - np.diag(np.diag(products))) > 1e-9 * x.shape[0]
    return bool((x.sum(axis=0) == 0).all() and not correlated.any())


def two_level(settings: ArrayLike) -> Design:
    """*settings* as an integer matrix of +1 and −1.

    Raises:
        NotEstimable: any other setting, or a factor that never changes.
    """
    x = np.asarray(settings)
    if x.ndim != 2 or x.size == 0:
        message = "settings must be a matrix of runs by factors"
        raise ValueError(message)
    if not np.isin(x, (-1, 1)).all():
        raise NotEstimable("a setting is neither high (+) nor low (−)", "settings of + and − only")
    constant = [int(k) + 1 for k in np.flatnonzero(np.abs(x.sum(axis=0)) == x.shape[0])]
    if constant:
        raise NotEstimable(f"factor {constant[0]} was not varied", "both settings of every factor")
    return x.astype(np.int64)


def _signs(text: str) -> list[int]:
    return [1 if sign == "+" else -1 for sign in text]


def one_at_a_time(
    settings: ArrayLike,
    results: ArrayLike,
    names: Sequence[str],
    *,
    allowed_effect: float | None = None,
    confidence: float = 0.95,
) -> RobustnessRecord:
    r"""Each changed setting against the nominal procedure.

    .. math:: E = \bar y_{changed} - \bar y_{nominal}, \qquad
              u_E = s_p \sqrt{1/n_{changed} + 1/n_{nominal}}

    with s_p pooled over all settings.  Interactions of factors cannot be seen in this design.

    Args:
        settings: (N, factors) of 0 (nominal), +1 (high) and −1 (low); at most one change in a row.
        results: (N,) results.
        names: one for each factor.
        allowed_effect: largest effect allowed, unit of the results.
        confidence: level of the intervals.

    Raises:
        NotEstimable: no nominal run, nothing changed, or a run with two changes.

    References:
        Pooled two-sample comparison, NIST/SEMATECH e-Handbook of Statistical Methods, 1.3.5.3; Bonferroni
        adjustment, 7.4.7.3.
    """
    x = np.asarray(settings)
    y = vector(results, "results")
    if x.shape != (y.size, len(names)):
        message = f"settings of shape {x.shape} for {y.size} results and {len(names)} factors"
        raise ValueError(message)
    changes = (x != 0).sum(axis=1)
    if not np.isin(x, (-1, 0, 1)).all() or (changes > 1).any():
        raise NotEstimable(
            "more than one setting was changed in a run", "runs in which one setting is changed at a time"
        )
    if not (changes == 0).any():
        raise NotEstimable(
            "no run with the nominal settings was made", "at least one run with all settings at nominal"
        )
    nominal = summarise(y[changes == 0])
    changed = _changed(x, y, names)
    if not changed:
        raise NotEstimable("no setting was changed", "runs with changed settings")
    s, nu = _pooled([nominal, *(sample for _, _, sample in changed)])
    effects = tuple(
        _effect_of_setting(name, setting, sample, nominal, s, nu, len(changed), allowed_effect, confidence)
        for name, setting, sample in changed
    )
    largest = max((one.effect.standard_error or 0.0 for one in effects), default=0.0) or None
    reason = None
    if not s:
        reason = "no setting was run twice" if not nu else "replicates do not scatter"
    return RobustnessRecord(
        design="one_at_a_time",
        runs=np.unique(x, axis=0).shape[0],
        results=y.size,
        mean=nominal.mean,
        effects=effects,
        error_source="replicates" if s else "none",
        standard_error=largest,
        degrees_of_freedom=nu or None,
        margin=None if largest is None else t_two_sided(confidence, nu) * largest,
        to_control=_to_control(effects),
        reason=reason,
    )


Changed = tuple[str, Literal["low", "high"], Sample]


def _changed(x: Vector, y: Vector, names: Sequence[str]) -> list[Changed]:
    found: list[Changed] = []
    for k, name in enumerate(names):
        for sign, setting in ((-1, "low"), (1, "high")):
            rows = x[:, k] == sign
            if rows.any():
                found.append((name, "low" if setting == "low" else "high", summarise(y[rows])))
    return found


def _pooled(samples: Sequence[Sample]) -> tuple[float | None, int]:
    """Pooled standard deviation and its degrees of freedom."""
    nu = sum(sample.degrees_of_freedom for sample in samples)
    if nu == 0:
        return None, 0
    total = sum(s.degrees_of_freedom * s.variance for s in samples if s.variance is not None)
    return math.sqrt(total / nu), nu


def _effect_of_setting(
    name: str,
    setting: Literal["low", "high"],
    changed: Sample,
    nominal: Sample,
    s: float | None,
    nu: int,
    comparisons: int,
    allowed: float | None,
    confidence: float,
) -> FactorEffectRecord:
    effect = changed.mean - nominal.mean
    estimate, t, p, adjusted = Estimate(value=effect), None, None, None
    if s:
        u = s * math.sqrt(1 / changed.n + 1 / nominal.n)
        estimate = student(effect, u, nu, confidence, "Student t, pooled")
        t = effect / u
        p = t_two_sided_p(t, nu)
        adjusted = min(1.0, p * comparisons)
    return FactorEffectRecord(
        factor=name,
        setting=setting,
        effect=estimate_record(estimate),
        effect_percent=_percent_of(nominal.mean, estimate),
        t=t,
        p=p,
        p_adjusted=adjusted,
        significant=None if adjusted is None else adjusted < 1 - confidence,
        beyond_allowed=None if allowed is None else abs(effect) > allowed,
    )
