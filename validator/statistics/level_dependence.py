"""How standard deviation and uncertainty depend on the level: the forms of ISO 5725-2 and of Eurachem E.5."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Literal

import numpy as np
from msgspec import Struct

from validator.errors import NotEstimable
from validator.records import Record
from validator.statistics.sample import Vector, vector
from validator.statistics.variance_components import FloatArray, checked_readings
from validator.statistics.variance_function import Form as VarianceForm
from validator.statistics.variance_function import fit_variance_function

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import ArrayLike


Form = Literal["proportional", "linear", "power"]
_ROUNDS = 3
"""ISO 5725-2 stops after the weights have been renewed twice; the third line is its final one."""


class LevelForm(Record, frozen=True, kw_only=True):
    """One form fitted to s against m.

    Attributes:
        form: ``proportional`` s = bm, ``linear`` s = a + bm, ``power`` lg s = c + d·lg m.
        intercept: a, or c; zero for ``proportional``.
        slope: b, or d.
        relative_misfit: root mean square of (s - ŝ)/ŝ; chance alone gives about 1/√(2ν).
    """

    form: Form
    intercept: float
    slope: float
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
        relative_misfit=math.sqrt(float(misfit @ misfit) / len(m)),
    )


class LevelDependentUncertainty(Struct, frozen=True, kw_only=True):
    """Standard uncertainty as a function of the level.

    Attributes:
        s0: absolute part, in the unit of the level.
        s1: relative part, a share (0.05 for 5 %).
        lowest, highest: levels between which it is supported; None where it was only stated.
    """

    s0: float
    s1: float
    lowest: float | None = None
    highest: float | None = None

    def __post_init__(self) -> None:
        parts = (self.s0, self.s1)
        if not all(math.isfinite(part) and part >= 0 for part in parts) or not any(parts):
            message = "s0 and s1 must be finite and not negative, and not both 0"
            raise ValueError(message)

    def at(self, levels: ArrayLike) -> Vector:
        """Standard uncertainty u(x) = sqrt(s0² + (s1·x)²) at the levels, any shape."""
        return np.asarray(np.hypot(self.s0, self.s1 * np.asarray(levels, dtype=np.float64)))

    @property
    def crossover(self) -> float | None:
        """Level s0/s1 where both parts are equal: below it state u as absolute, above it as relative."""
        return self.s0 / self.s1 if self.s1 > 0 else None

    def level_of_relative_uncertainty(self, percent: float) -> float:
        """Lowest level at which u is at most *percent* of it, s0/sqrt(R² − s1²).

        Raises:
            NotEstimable: the relative part alone is as large.
        """
        target = percent / 100
        if target <= self.s1:
            raise NotEstimable(
                "the relative uncertainty does not reach the target at any level",
                "a smaller proportional component, or a less stringent target",
            )
        return self.s0 / math.sqrt((target - self.s1) * (target + self.s1))


class LevelDependenceFit(Struct, frozen=True, kw_only=True, eq=False):
    """A function fitted to uncertainties at several levels.

    Attributes:
        function: the fitted function.
    """

    function: LevelDependentUncertainty


def fit_level_dependence(
    levels: ArrayLike,
    uncertainties: ArrayLike,
    *,
    degrees_of_freedom: ArrayLike | None = None,
    form: VarianceForm = "both",
) -> LevelDependenceFit:
    r"""Fit :math:`u^2(x) = s_0^2 + (s_1 x)^2` to standard uncertainties at several levels.

    Each u² counts with its ν as a variance that is gamma distributed about u²(x) (maximum likelihood), that
    is by its relative deviation: a plain least-squares fit of u² would see the highest level only.

    Args:
        levels: (k,) levels, not negative.
        uncertainties: (k,) standard uncertainties, in the unit of the levels.
        degrees_of_freedom: (k,) ν; infinite ones count like 10⁶; all the same by default.
        form: "both", "constant" (s1 = 0) or "proportional" (s0 = 0).

    Raises:
        NotEstimable: fewer than two levels for both parts, or no uncertainty above 0.
        ValueError: arrays that do not match, negative entries.

    References:
        Eurachem/CITAC CG 4, 3rd ed. 2012, Appendix E.5 (form, from memory);
        :func:`validator.statistics.variance_function.fit_variance_function` (fit).
    """
    x = vector(levels, "levels")
    u = vector(uncertainties, "uncertainties", size=x.size)
    if (u < 0).any():
        message = "uncertainties must not be negative"
        raise ValueError(message)
    nu = None
    if degrees_of_freedom is not None:
        nu = vector(np.minimum(degrees_of_freedom, 1e6), "degrees_of_freedom", size=x.size)
    fit = fit_variance_function(x, u**2, np.ones(x.size) if nu is None else nu, form=form)
    function = LevelDependentUncertainty(
        s0=fit.s0, s1=fit.theta, lowest=float(x.min()), highest=float(x.max())
    )
    return LevelDependenceFit(
        function=function,
    )
