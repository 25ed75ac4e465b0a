"""Uncertainty over a range of levels: u² = s0² + (s1·x)²."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np
from msgspec import Struct

from validator.errors import NotEstimable
from validator.statistics.sample import Vector, vector
from validator.statistics.variance_function import Form, fit_variance_function

if TYPE_CHECKING:
    from numpy.typing import ArrayLike


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
        form: which parts it has.
        levels: (k,) levels.
        uncertainties: (k,) standard uncertainties there.
        fitted: (k,) the function there.
        degrees_of_freedom: (k,) ν of each uncertainty; None where they were taken as equally well known.
    """

    function: LevelDependentUncertainty
    form: Form
    levels: Vector
    uncertainties: Vector
    fitted: Vector
    degrees_of_freedom: Vector | None


def fit_level_dependence(
    levels: ArrayLike,
    uncertainties: ArrayLike,
    *,
    degrees_of_freedom: ArrayLike | None = None,
    form: Form = "both",
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
        form=form,
        levels=x,
        uncertainties=u,
        fitted=function.at(x),
        degrees_of_freedom=nu,
    )
