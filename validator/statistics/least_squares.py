"""Weighted least squares in a centred and scaled level: the arithmetic under the calibration functions."""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from validator.errors import NotEstimable

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from validator.statistics.sample import Vector

EPS = float(np.finfo(np.float64).eps)


class Solution(NamedTuple):
    """Coefficients in u = (x − centre)/scale, their covariance per unit s², leverages, residuals."""

    coefficients: NDArray[np.float64]
    covariance: NDArray[np.float64]
    leverage: NDArray[np.float64]
    residuals: NDArray[np.float64]


def solve_line(u: Vector, dy: Vector, mean_y: float, w: Vector, through_origin: bool) -> Solution:
    """Line in u; u is centred (or counted from the origin) and has mean square 1."""
    s_uu = float(w @ (u * u))
    slope = float(w @ (u * dy)) / s_uu
    constant = 0.0 if through_origin else 1.0 / u.size
    return Solution(
        coefficients=np.array([mean_y, slope, 0.0]),
        covariance=np.diag([constant, 1.0 / s_uu, 0.0]),
        leverage=w * (constant + u * u / s_uu),
        residuals=dy - slope * u,
    )


def solve_parabola(u: Vector, dy: Vector, mean_y: float, w: Vector) -> Solution:
    """Parabola in the centred and scaled u by QR of the weighted design matrix.

    Raises:
        NotEstimable: but for one level, all coincide to the digits of a double: no curvature can be told.
    """
    root = np.sqrt(w)
    design = np.stack([np.ones_like(u), u, u * u], axis=1)
    q, r = np.linalg.qr(root[:, None] * design)
    pivots = np.abs(np.diag(r))
    if pivots.min() <= u.size * EPS * pivots.max():
        raise NotEstimable(
            "the levels are spaced too unevenly for curvature to be estimated",
            "at least 3 different levels within one range",
        )
    r_inverse = np.linalg.inv(r)
    coefficients = r_inverse @ (q.T @ (root * dy))
    residuals = dy - design @ coefficients
    coefficients[0] += mean_y
    return Solution(coefficients, r_inverse @ r_inverse.T, np.einsum("ij,ij->i", q, q), residuals)


def back_transformation(centre: float, scale: float) -> NDArray[np.float64]:
    """Matrix that takes coefficients in u = (x − centre)/scale to coefficients in x."""
    ratio = centre / scale
    return np.array(
        [
            [1.0, -ratio, ratio * ratio],
            [0.0, 1.0 / scale, -2.0 * ratio / scale],
            [0.0, 0.0, 1.0 / scale / scale],
        ]
    )


def standardised(residuals: Vector, w: Vector, leverage: Vector, s: float) -> Vector:
    """Internally studentised residuals, 0 where the denominator vanishes."""
    free = 1.0 - leverage
    usable = free > 64 * EPS
    if s == 0:
        return np.zeros_like(residuals)
    return np.where(usable, np.sqrt(w) * residuals / (s * np.sqrt(np.where(usable, free, 1.0))), 0.0)
