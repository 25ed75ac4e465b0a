"""Least-squares calibration functions: a line, a line through the origin, a parabola; weighted or not."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Literal, NamedTuple

import numpy as np
from msgspec import Struct

from validator.errors import NotEstimable
from validator.statistics.distributions import student, t_two_sided
from validator.statistics.interval import Estimate
from validator.statistics.sample import Vector, vector

if TYPE_CHECKING:
    from numpy.typing import ArrayLike, NDArray


EPS = float(np.finfo(np.float64).eps)

Model = Literal["linear", "linear_through_origin", "quadratic"]

PARAMETERS: dict[str, int] = {"linear": 2, "linear_through_origin": 1, "quadratic": 3}

# Residuals this small beside the signals are the rounding of the arithmetic, not scatter.
_ROUNDING = 16 * EPS


class CalibrationFunction(Struct, frozen=True, kw_only=True, eq=False):
    """What predictions, bands and readings need of a fitted calibration function.

    Attributes:
        model: "linear" y = a + b x, "linear_through_origin" y = b x, "quadratic" y = a + b x + c x².
        x: (n,) levels of the independent preparations, in the order given.
        weights: (n,) weights w with Σw = n; ones for an ordinary fit.
        residual_standard_deviation: s_y/x = sqrt(Σ w r² / ν), the standard deviation at w = 1.
        degrees_of_freedom: ν = n − p.
        confidence: level of the intervals.
        centre, scale, scaled_coefficients, scaled_covariance: the function as a polynomial in
            u = (x − centre) / scale, in which predictions do not lose digits when the levels are far
            from zero; (3,) and (3, 3), zeros where a coefficient is absent.
    """

    model: Model
    x: NDArray[np.float64]
    weights: NDArray[np.float64]
    residual_standard_deviation: float
    degrees_of_freedom: int
    confidence: float
    centre: float
    scale: float
    scaled_coefficients: NDArray[np.float64]
    scaled_covariance: NDArray[np.float64]

    def predict(self, x: ArrayLike) -> NDArray[np.float64]:
        """Signal at the levels *x*, any shape."""
        u = (np.asarray(x, dtype=np.float64) - self.centre) / self.scale
        c0, c1, c2 = self.scaled_coefficients
        return np.asarray(c0 + u * (c1 + u * c2))

    def slope_at(self, x: ArrayLike) -> NDArray[np.float64]:
        """Derivative dy/dx of the function at the levels *x*: the sensitivity there."""
        u = (np.asarray(x, dtype=np.float64) - self.centre) / self.scale
        _, c1, c2 = self.scaled_coefficients
        return np.asarray((c1 + 2 * c2 * u) / self.scale)

    def standard_error_at(self, x: ArrayLike) -> NDArray[np.float64]:
        r"""Standard error of the fitted function at the levels *x*.

        For a line :math:`s\,[1/n + (x - \bar x)^2 / S_{xx}]^{1/2}`.
        """
        u = (np.asarray(x, dtype=np.float64) - self.centre) / self.scale
        g = np.stack([np.ones_like(u), u, u * u], axis=-1)
        variance = np.einsum("...i,ij,...j->...", g, self.scaled_covariance, g)
        return np.asarray(np.sqrt(np.maximum(variance, 0.0)))

    def weight_at(self, x: ArrayLike) -> NDArray[np.float64]:
        """Weight at the levels *x* when no variance function is at hand.

        The variance 1/w is interpolated linearly between the fitted levels and held constant beyond.
        """
        levels, first = np.unique(self.x, return_index=True)
        return np.asarray(1.0 / np.interp(np.asarray(x, dtype=np.float64), levels, 1.0 / self.weights[first]))

    def band(
        self,
        x: ArrayLike,
        kind: Literal["confidence", "prediction"] = "confidence",
        m: int = 1,
        level: float | None = None,
        weights: ArrayLike | None = None,
    ) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
        r"""Limits about the function at the levels *x*.

        .. math:: \hat y \pm t_{\nu}\, [\operatorname{var}(\hat y) + s^2/(m w)]^{1/2}

        where the second term, the scatter of a future mean of m signals, belongs to the prediction band only.

        Args:
            x: levels.
            kind: "confidence" for the function itself, "prediction" for the mean of *m* future signals.
            m: number of future signals.
            level: two-sided level of confidence; that of the fit by default.
            weights: weights at *x* on the scale of ``weights``; ``weight_at(x)`` by default.

        Returns:
            Lower and upper limits, of the shape of *x*.
        """
        centre = self.predict(x)
        variance = self.standard_error_at(x) ** 2
        if kind == "prediction":
            w = self.weight_at(x) if weights is None else np.asarray(weights, dtype=np.float64)
            variance = variance + self.residual_standard_deviation**2 / (m * w)
        half_width = t_two_sided(
            self.confidence if level is None else level, self.degrees_of_freedom
        ) * np.sqrt(variance)
        return centre - half_width, centre + half_width


class CalibrationFit(CalibrationFunction, frozen=True, kw_only=True, eq=False):
    """A fitted calibration function, signal as a function of level.

    Attributes:
        y: (n,) signals.
        slope: b, signal unit per level unit.
        intercept: a, signal unit; value and standard error 0 through the origin.
        quadratic: c; None unless the model is quadratic.
        covariance: (3, 3) of (a, b, c); zeros where a coefficient is absent.
        fitted: (n,) values of the function at x.
        residuals: (n,) r = y − fitted, not weighted.
        standardised_residuals: (n,) sqrt(w) r / (s sqrt(1 − h)), the internally studentised residuals;
            0 where the point determines its own fitted value (h = 1) or nothing scatters.
        leverage: (n,) h, diagonal of the weighted hat matrix; sums to p.
        r_squared: 1 − Σ w r² / Σ w (y − ȳ)²; about zero instead of ȳ through the origin.
        correlation: (weighted) correlation of x and y.
        mean_x: weighted mean of x.
        s_xx: Σ w (x − mean_x)².
        mean_y: weighted mean of y.
    """

    y: NDArray[np.float64]
    slope: Estimate
    intercept: Estimate
    quadratic: Estimate | None
    covariance: NDArray[np.float64]
    fitted: NDArray[np.float64]
    residuals: NDArray[np.float64]
    standardised_residuals: NDArray[np.float64]
    leverage: NDArray[np.float64]
    r_squared: float
    correlation: float
    mean_x: float
    s_xx: float
    mean_y: float

    @property
    def n(self) -> int:
        """Number of points."""
        return int(self.x.size)

    @property
    def parameters(self) -> int:
        """Number of fitted coefficients p."""
        return PARAMETERS[self.model]

    @property
    def is_weighted(self) -> bool:
        """True when the weights differ from point to point."""
        return bool(np.ptp(self.weights) > 0)


def fit(
    x: ArrayLike,
    y: ArrayLike,
    *,
    model: Model = "linear",
    weights: ArrayLike | None = None,
    confidence: float = 0.95,
) -> CalibrationFit:
    r"""Fit a calibration function by (weighted) least squares.

    .. math:: b = \frac{\sum w (x-\bar x)(y-\bar y)}{S_{xx}}, \quad a = \bar y - b \bar x, \quad
              s^2 = \frac{\sum w r^2}{\nu}, \quad s_b = s/\sqrt{S_{xx}}, \quad
              s_a = s\,[1/n + \bar x^2/S_{xx}]^{1/2}

    with weighted means; a parabola is solved by QR on centred and scaled levels, and its coefficients and
    covariance are transformed back.

    Args:
        x: (n,) levels, one per independent preparation.
        y: (n,) signals.
        model: form of the function.
        weights: (n,) positive weights, of any scale (inverse variances); None for an ordinary fit.
        confidence: level of the coefficients' intervals.

    Raises:
        NotEstimable: too few points or levels, or signals that are all equal.
        ValueError: unknown model; arrays that do not match, are not finite, or weights that are not positive.

    References:
        ISO 8466-1:1990, clause 4 (line); ISO 8466-2:2001 (parabola); N. R. Draper, H. Smith, Applied
        Regression Analysis, 3rd ed. 1998, chapters 1, 5 and 9 (weighted) (all from memory).
    """
    if model not in PARAMETERS:
        message = f"unknown model '{model}'"
        raise ValueError(message)
    x, y, w = _checked(x, y, weights)
    _refuse_too_little(x, y, model)
    n = x.size
    nu = n - PARAMETERS[model]
    mean_x, mean_y = float(w @ x) / n, float(w @ y) / n
    dx, dy = x - mean_x, y - mean_y
    s_xx, s_xy, s_yy = float(w @ (dx * dx)), float(w @ (dx * dy)), float(w @ (dy * dy))

    through_origin = model == "linear_through_origin"
    centre, scale = (
        (0.0, math.sqrt(float(w @ (x * x)) / n)) if through_origin else (mean_x, math.sqrt(s_xx / n))
    )
    u = (x if through_origin else dx) / scale
    if model == "quadratic":
        solution = solve_parabola(u, dy, mean_y, w)
    else:
        solution = solve_line(
            u, y if through_origin else dy, 0.0 if through_origin else mean_y, w, through_origin
        )

    residuals = solution.residuals
    if np.abs(residuals).max() <= _ROUNDING * np.abs(y).max():
        residuals = np.zeros(n)
    sum_of_squares = float(w @ (residuals * residuals))
    s = math.sqrt(sum_of_squares / nu)
    scaled_covariance = s * s * solution.covariance
    back = back_transformation(centre, scale)
    a, b, c = (float(value) for value in back @ solution.coefficients)
    covariance = back @ scaled_covariance @ back.T

    def estimate(value: float, index: int) -> Estimate:
        error = math.sqrt(max(covariance[index, index], 0.0))
        return student(value, error, nu, confidence)

    total = float(w @ (y * y)) if through_origin else s_yy
    return CalibrationFit(
        model=model,
        x=x,
        y=y,
        weights=w,
        slope=estimate(b, 1),
        intercept=Estimate(value=0.0, standard_error=0.0) if through_origin else estimate(a, 0),
        quadratic=estimate(c, 2) if model == "quadratic" else None,
        covariance=covariance,
        residual_standard_deviation=s,
        degrees_of_freedom=nu,
        fitted=y - residuals,
        residuals=residuals,
        standardised_residuals=standardised(residuals, w, solution.leverage, s),
        leverage=solution.leverage,
        r_squared=1.0 - sum_of_squares / total,
        correlation=s_xy / math.sqrt(s_xx) / math.sqrt(s_yy) if s_xx > 0 and s_yy > 0 else 0.0,
        mean_x=mean_x,
        s_xx=s_xx,
        mean_y=mean_y,
        confidence=confidence,
        centre=centre,
        scale=scale,
        scaled_coefficients=solution.coefficients,
        scaled_covariance=scaled_covariance,
    )


def _checked(x: ArrayLike, y: ArrayLike, weights: ArrayLike | None) -> tuple[Vector, Vector, Vector]:
    """Arrays of one length, weights normalised to Σw = n."""
    levels = vector(x, "x")
    signals = vector(y, "y", size=levels.size)
    if weights is None or levels.size == 0:
        return levels, signals, np.ones(levels.size)
    w = vector(weights, "weights", size=levels.size)
    if not (w > 0).all():
        message = "weights must be positive"
        raise ValueError(message)
    w = w / w.max()
    return levels, signals, w * (w.size / w.sum())


def _refuse_too_little(x: Vector, y: Vector, model: Model) -> None:
    """Raise NotEstimable unless the coefficients and their standard errors exist."""
    p = PARAMETERS[model]
    if x.size <= p:
        found = "no points" if x.size == 0 else f"only {x.size} point{'s' if x.size > 1 else ''}"
        raise NotEstimable(found, f"at least {p + 1} independent preparations")
    if model == "linear_through_origin":
        if not x.any():
            raise NotEstimable("all levels are zero", "a level above 0")
        if not y.any():
            raise NotEstimable("all signals are zero", "signals that vary with the level")
        return
    if _is_constant(x):
        raise NotEstimable("only 1 level", f"at least {p} distinct levels")
    if model == "quadratic" and np.unique(x).size < p:
        raise NotEstimable("only 2 levels", "at least 3 distinct levels")
    if _is_constant(y):
        raise NotEstimable("the signal is the same at every level", "signals that vary with the level")


def _is_constant(values: Vector) -> bool:
    """Equal but for the last bits."""
    lowest, highest = float(values.min()), float(values.max())
    return highest - lowest <= 8 * EPS * max(abs(lowest), abs(highest))


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
