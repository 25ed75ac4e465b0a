"""How a standard deviation depends on the level: the three forms of ISO 5725-2."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Literal

import numpy as np
from msgspec import Struct

from validator.errors import NotEstimable
from validator.statistics.variance_components import FloatArray, checked_readings

if TYPE_CHECKING:
    from collections.abc import Sequence

Form = Literal["proportional", "linear", "power"]
_ROUNDS = 3
"""ISO 5725-2 stops after the weights have been renewed twice; the third line is its final one."""


class LevelForm(Struct, frozen=True, kw_only=True):
    """One form fitted to s against m.

    Attributes:
        form: ``proportional`` s = bm, ``linear`` s = a + bm, ``power`` lg s = c + d·lg m.
        intercept: a, or c; zero for ``proportional``.
        slope: b, or d.
        fitted: s at each level, shape (q,).
        relative_misfit: root mean square of (s - ŝ)/ŝ; chance alone gives about 1/√(2ν).
    """

    form: Form
    intercept: float
    slope: float
    fitted: tuple[float, ...]
    relative_misfit: float

    def at(self, level: float) -> float:
        """The standard deviation at a *level*."""
        if self.form == "power":
            return float(10.0 ** (self.intercept + self.slope * math.log10(level)))
        return self.intercept + self.slope * level


def level_dependence(
    means: Sequence[float] | FloatArray, sds: Sequence[float] | FloatArray
) -> tuple[LevelForm, ...]:
    r"""Standard deviations s (shape (q,)) against level means m (shape (q,)) in three forms.

    I: :math:`b = \frac1q\sum s_j/m_j`. II: weighted regression, weights :math:`1/\hat s_j^2` renewed
    from each fit, starting with :math:`1/s_j^2`, three fits in all. III: regression of lg s on lg m.
    A form that cannot be fitted (a standard deviation of zero, fitted values not positive) is left out;
    no form is preferred here.

    Raises:
        NotEstimable: fewer than three levels, a mean or standard deviation that is not positive.

    References:
        ISO 5725-2:1994, 7.5 (from memory; its worked example is a test).
    """
    m, s = checked_readings(means), checked_readings(sds)
    if len(m) != len(s):
        raise ValueError(f"{len(m)} means and {len(s)} standard deviations")
    if len(np.unique(m)) < 3:
        raise NotEstimable("fewer than three levels", "standard deviations at 3 or more levels")
    if m.min() <= 0 or s.min() <= 0:
        raise NotEstimable(
            "a mean or a standard deviation is zero or negative", "positive means and standard deviations"
        )
    forms = [_form("proportional", 0.0, float(np.mean(s / m)), m, s)]
    linear = _iterated(m, s)
    if linear is not None:
        forms.append(_form("linear", *linear, m, s))
    c, d = _weighted_line(np.log10(m), np.log10(s), np.ones_like(m))
    forms.append(_form("power", c, d, m, s))
    return tuple(forms)


def _iterated(m: FloatArray, s: FloatArray) -> tuple[float, float] | None:
    fitted, line = s, (0.0, 0.0)
    for _ in range(_ROUNDS):
        line = _weighted_line(m, s, 1 / fitted**2)
        fitted = line[0] + line[1] * m
        if fitted.min() <= 0:
            return None
    return line


def _weighted_line(x: FloatArray, y: FloatArray, w: FloatArray) -> tuple[float, float]:
    share = w / w.sum()
    x0, y0 = float(share @ x), float(share @ y)
    slope = float(share @ ((x - x0) * (y - y0))) / float(share @ (x - x0) ** 2)
    return y0 - slope * x0, slope


def _form(form: Form, intercept: float, slope: float, m: FloatArray, s: FloatArray) -> LevelForm:
    fitted = 10.0 ** (intercept + slope * np.log10(m)) if form == "power" else intercept + slope * m
    misfit = (s - fitted) / fitted
    return LevelForm(
        form=form,
        intercept=intercept,
        slope=slope,
        fitted=tuple(fitted.tolist()),
        relative_misfit=math.sqrt(float(misfit @ misfit) / len(m)),
    )
