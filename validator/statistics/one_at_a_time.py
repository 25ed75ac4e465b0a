"""Robustness by changing one setting at a time from the nominal procedure."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Literal

import numpy as np
from msgspec import Struct

from validator.errors import NotEstimable
from validator.statistics.distributions import student, t_two_sided, t_two_sided_p
from validator.statistics.interval import Estimate
from validator.statistics.sample import Sample, Vector, summarise, vector

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import ArrayLike


class SettingEffect(Struct, frozen=True, kw_only=True):
    """Effect of one changed setting.

    Attributes:
        name: of the factor.
        setting: which way it was changed.
        effect: mean with the change minus mean of the nominal procedure, unit of the results.
        percent: the effect in percent of the nominal mean; None when that is zero.
        t: effect/standard error; None without replicates.
        p: two-sided probability of t, for this comparison alone.
        p_adjusted: p times the number of comparisons (Bonferroni), at most 1.
        margin: t·standard error.
        beyond_allowed: |effect| is beyond the largest effect allowed; None when none was stated.
    """

    name: str
    setting: Literal["low", "high"]
    effect: Estimate
    percent: float | None
    t: float | None
    p: float | None
    p_adjusted: float | None
    margin: float | None
    beyond_allowed: bool | None


class OneAtATime(Struct, frozen=True, kw_only=True):
    """Effects of settings changed one at a time.

    Attributes:
        nominal_mean: mean result of the nominal procedure.
        effects: one for each setting that was run.
        pooled_sd: standard deviation of replicates, all settings pooled; None without replicates.
        degrees_of_freedom: of it.
        to_control: names of factors with an effect beyond the allowed one where it was stated, else with a
            significant effect after adjustment.
        reason: why there is no standard error, when there is none.
    """

    nominal_mean: float
    effects: tuple[SettingEffect, ...]
    pooled_sd: float | None
    degrees_of_freedom: int | None
    to_control: tuple[str, ...]
    reason: str | None


def one_at_a_time(
    settings: ArrayLike,
    results: ArrayLike,
    names: Sequence[str],
    *,
    allowed_effect: float | None = None,
    confidence: float = 0.95,
) -> OneAtATime:
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
        _effect(name, setting, sample, nominal, s, nu, len(changed), allowed_effect, confidence)
        for name, setting, sample in changed
    )
    alpha = 1 - confidence
    control = [e.name for e in effects if _must_be_controlled(e, alpha)]
    reason = None
    if not s:
        reason = "no setting was run twice" if not nu else "replicates do not scatter"
    return OneAtATime(
        nominal_mean=nominal.mean,
        effects=effects,
        pooled_sd=s,
        degrees_of_freedom=nu or None,
        to_control=tuple(dict.fromkeys(control)),
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


def _effect(
    name: str,
    setting: Literal["low", "high"],
    changed: Sample,
    nominal: Sample,
    s: float | None,
    nu: int,
    comparisons: int,
    allowed: float | None,
    confidence: float,
) -> SettingEffect:
    effect = changed.mean - nominal.mean
    estimate, t, p, margin = Estimate(value=effect), None, None, None
    if s:
        u = s * math.sqrt(1 / changed.n + 1 / nominal.n)
        margin = t_two_sided(confidence, nu) * u
        estimate = student(effect, u, nu, confidence, "Student t, pooled")
        t = effect / u
        p = t_two_sided_p(t, nu)
    return SettingEffect(
        name=name,
        setting=setting,
        effect=estimate,
        percent=100 * effect / nominal.mean if nominal.mean else None,
        t=t,
        p=p,
        p_adjusted=None if p is None else min(1.0, p * comparisons),
        margin=margin,
        beyond_allowed=None if allowed is None else abs(effect) > allowed,
    )


def _must_be_controlled(effect: SettingEffect, alpha: float) -> bool:
    """By size where an allowed effect is stated, else by adjusted significance."""
    if effect.beyond_allowed is not None:
        return effect.beyond_allowed
    return effect.p_adjusted is not None and effect.p_adjusted < alpha
