"""Weights of the calibration points, and what they become at any other level."""

from __future__ import annotations

from typing import TYPE_CHECKING, Literal

import numpy as np
from msgspec import Struct

from validator.errors import NotEstimable
from validator.statistics.levels import by_level
from validator.statistics.regression import Model, fit
from validator.statistics.sample import vector
from validator.statistics.variance_function import VarianceFunction, fit_variance_function

if TYPE_CHECKING:
    from numpy.typing import ArrayLike, NDArray

Scheme = Literal["none", "1/x", "1/x^2", "1/s^2", "1/s^2 smoothed"]

SCHEMES: tuple[Scheme, ...] = ("none", "1/x", "1/x^2", "1/s^2", "1/s^2 smoothed")

# Declared standard deviations weigh alike, as if each came from ten signals.  The fitted function does not
# depend on this number; only the strictness of the comparison of its forms does.
_DECLARED_FREEDOM = 9.0


class Weighting(Struct, frozen=True, kw_only=True, eq=False):
    """Weights of a calibration and what they become at any other level.

    Attributes:
        scheme: how the weights depend on the level.
        weights: (n,) normalised, Σw = n.
        normalisation: K in w = K / v(x), v the variance up to a factor.
        variance_function: of the smoothed scheme.
        levels, level_variances: (k,) of the scheme 1/s²; empty otherwise.
    """

    scheme: Scheme
    weights: NDArray[np.float64]
    normalisation: float
    variance_function: VarianceFunction | None
    levels: NDArray[np.float64]
    level_variances: NDArray[np.float64]

    def relative_variance(self, x: ArrayLike) -> NDArray[np.float64]:
        """1/w at the levels *x*, any shape: variance there over the variance at w = 1.

        With 1/s² per level the variance is interpolated linearly between the levels and held constant
        beyond; with 1/x and 1/x² it is 0 at level 0.
        """
        return np.asarray(self._variance(np.asarray(x, dtype=np.float64)) / self.normalisation)

    def _variance(self, x: NDArray[np.float64]) -> NDArray[np.float64]:
        if self.variance_function is not None:
            return self.variance_function.variance(x)
        match self.scheme:
            case "none":
                return np.ones_like(x)
            case "1/x":
                return np.maximum(x, 0.0)
            case "1/x^2":
                return x * x
            case _:
                return np.asarray(np.interp(x, self.levels, self.level_variances))


def weights_for(
    x: ArrayLike,
    y: ArrayLike,
    scheme: Scheme,
    *,
    signal_sd: ArrayLike | None = None,
    model: Model = "linear",
) -> Weighting:
    """Weights of a declared scheme.

    Args:
        x: (n,) levels of independent preparations.
        y: (n,) signals.
        scheme: "none", "1/x", "1/x^2", "1/s^2" (level variances or *signal_sd*), "1/s^2 smoothed" (by the
            variance function s0² + (θx)² fitted to them).
        signal_sd: (n,) declared standard deviation of the signal at each point, instead of replicates.
        model: of the calibration; residuals about it stand in for replicates where these are lacking.

    Raises:
        NotEstimable: a level of 0 with 1/x or 1/x²; no scatter known at some level with 1/s².
        ValueError: unknown scheme, or arrays that do not match.
    """
    if scheme not in SCHEMES:
        message = f"unknown weighting '{scheme}'"
        raise ValueError(message)
    levels, signals = vector(x, "x"), vector(y, "y", size=np.size(x))
    if levels.size == 0:
        raise NotEstimable("no points", "calibration points")
    match scheme:
        case "none":
            return _weighting(scheme, np.ones(levels.size))
        case "1/x" | "1/x^2":
            if (levels <= 0).any():
                raise NotEstimable(
                    f"weights {scheme} are not defined at level 0",
                    "a calibration without level 0, or weights '1/s^2 smoothed', '1/s^2' or 'none'",
                )
            return _weighting(scheme, levels if scheme == "1/x" else levels**2)
        case "1/s^2":
            return _per_level(levels, signals, signal_sd)
        case "1/s^2 smoothed":
            data = level_variances_of(levels, signals, signal_sd, model)
            return smoothed(levels, fit_variance_function(*data))


def _weighting(
    scheme: Scheme,
    variance: NDArray[np.float64],
    *,
    function: VarianceFunction | None = None,
    levels: NDArray[np.float64] | None = None,
    level_variances: NDArray[np.float64] | None = None,
) -> Weighting:
    """Normalise w = K/v; relative to the smallest variance first, so that nothing overflows."""
    smallest = float(variance.min())
    raw = smallest / variance
    factor = variance.size / float(raw.sum())
    empty = np.zeros(0)
    return Weighting(
        scheme=scheme,
        weights=raw * factor,
        normalisation=smallest * factor,
        variance_function=function,
        levels=empty if levels is None else levels,
        level_variances=empty if level_variances is None else level_variances,
    )


def _per_level(x: NDArray[np.float64], y: NDArray[np.float64], signal_sd: ArrayLike | None) -> Weighting:
    levels = by_level(x, y)
    if signal_sd is not None:
        s2 = vector(signal_sd, "signal_sd", size=x.size) ** 2
        at_level = np.bincount(levels.index, weights=s2) / levels.n
    else:
        if (levels.n < 2).any():
            single = float(levels.level[levels.n < 2][0])
            raise NotEstimable(
                f"level {single:g} was not measured in replicate",
                "at least 2 independent preparations at every level, or declared standard deviations",
            )
        at_level = levels.variance
    if not (at_level > 0).all():
        raise NotEstimable(
            f"the signals at level {float(levels.level[at_level <= 0][0]):g} are identical",
            "signals recorded with sufficient resolution, or weights '1/s^2 smoothed'",
        )
    return _weighting("1/s^2", at_level[levels.index], levels=levels.level, level_variances=at_level)


def smoothed(x: NDArray[np.float64], function: VarianceFunction) -> Weighting:
    """Weights 1/s² by a fitted variance function at the levels *x*, (n,)."""
    variance = function.variance(x)
    if not (variance > 0).all():
        raise NotEstimable("the variance function is zero at level 0", "replicates at level 0")
    return _weighting("1/s^2 smoothed", variance, function=function)


def level_variances_of(
    x: NDArray[np.float64], y: NDArray[np.float64], signal_sd: ArrayLike | None, model: Model
) -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.float64]]:
    """Levels, variances and their degrees of freedom: declared, else from replicates, else from residuals."""
    levels = by_level(x, y)
    if signal_sd is not None:
        s2 = vector(signal_sd, "signal_sd", size=x.size) ** 2
        declared = np.bincount(levels.index, weights=s2) / levels.n
        return levels.level, declared, np.full(levels.k, _DECLARED_FREEDOM)
    nu = levels.degrees_of_freedom.astype(np.float64)
    blank_is_silent = bool((nu[levels.level == 0] == 0).any())
    if (nu > 0).sum() >= min(3, levels.k) and not blank_is_silent:
        return levels.level, levels.variance, nu
    ordinary = fit(x, y, model=model)
    # A point that determines its own fitted value says nothing of the scatter.
    free = np.maximum(1.0 - ordinary.leverage, 0.0)
    told = free > 1e-9
    s2 = np.where(told, ordinary.residuals**2 / np.where(told, free, 1.0), 0.0)
    return x, s2, told.astype(np.float64)
