"""Limits with stated probabilities of false positives and negatives: Currie, ISO 11843, Hubaux–Vos."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np

from validator.errors import NotEstimable
from validator.sources import Source
from validator.statistics.detection.intervals import doubt_of, increasing, proportional
from validator.statistics.detection.multiples import multiples_of_sigma, result_of
from validator.statistics.detection.result import NOT_CALIBRATED_AT_ZERO
from validator.statistics.detection.scatter import (
    blank_mean_factor,
    blank_scatter,
    calibration,
    levels_of,
    mean_factor,
    number_in_correction,
    relative_variance,
    residual_scatter,
    straight_line,
)
from validator.statistics.distributions import noncentrality_for, t_quantile
from validator.statistics.roots import crossing

if TYPE_CHECKING:
    from collections.abc import Callable

    from numpy.typing import ArrayLike

    from validator.statistics.detection.inputs import Array, DetectionInputs
    from validator.statistics.detection.result import LimitResult
    from validator.statistics.regression import CalibrationFit

CURRIE = Source(
    "L. A. Currie, IUPAC Recommendations 1995, Pure Appl. Chem. 67, 1699-1723, section 3.7", "memory"
)
ISO_11843 = Source("ISO 11843-2:2000, clause 5", "memory")
HUBAUX_VOS = Source("A. Hubaux, G. Vos, Anal. Chem. 42 (1970) 849-855", "memory")


def currie(inputs: DetectionInputs) -> LimitResult:
    r"""Critical level and detection limit of the net signal, from blanks.

    .. math:: x_C = t_{1-\alpha,\nu}\, \frac{s_0}{|b|} \sqrt{\frac1m + \frac1{n_c}}, \qquad
              x_D = \delta_{\alpha,\beta,\nu}\, \frac{s_0}{|b|} \sqrt{\frac1m + \frac1{n_c}}, \qquad
              x_Q = 10\, \frac{s_0}{|b|} \sqrt{\frac1m + \frac1{n_c}}

    with n_c the blanks averaged in a routine correction, and no such term where results are stated not to be
    blank-corrected.  δ is the noncentrality at which a t test at α with ν = n_b − 1 misses with probability
    β; it is a little less than 2t.  x_C belongs to the net result, the reading less the blank.  The standard
    deviation is taken to be the same at x_D as at the blank.

    Raises:
        NotEstimable: see :func:`~validator.statistics.detection.scatter.blank_scatter`.

    References:
        L. A. Currie, Pure Appl. Chem. 67 (1995) 1699.
    """
    scatter = blank_scatter(inputs)
    t = t_quantile(1 - inputs.alpha, scatter.degrees_of_freedom)
    delta = noncentrality_for(inputs.alpha, inputs.beta, scatter.degrees_of_freedom)
    correction = 0.0 if inputs.blanks_blank_corrected is False else blank_mean_factor(inputs, scatter.n)
    net = math.sqrt(mean_factor(inputs) + correction)
    return multiples_of_sigma(
        inputs,
        scatter,
        critical=t * net,
        detection=delta * net,
        quantification=10.0 * net,
        source=CURRIE,
        notes=(
            "The standard deviation is assumed to be constant up to the detection limit.",
            "The critical value applies to the net result, the reading less the blank.",
            *(number_in_correction(inputs, scatter.n) if correction else ()),
        ),
        numbers={**_risks(inputs), "t": t, "delta": delta, "net_factor": net},
    )


def iso_11843(inputs: DetectionInputs) -> LimitResult:
    r"""Critical value and minimum detectable value from a straight-line calibration.

    .. math:: x_C = t_{1-\alpha,\nu}\, \frac{s}{|b|}
                    \sqrt{\frac1{m w_0} + \frac1n + \frac{\bar x^2}{S_{xx}}}, \qquad
              x_D = \delta_{\alpha,\beta,\nu}\, \frac{s}{|b|}
                    \sqrt{\frac1{m w(x_D)} + \frac1n + \frac{\bar x^2}{S_{xx}}}

    ν = n − 2, or that of σ(0) where the weights were estimated; weighted means and sums with Σw = n.  The
    weighted x_D is the fixed point of the second equation, to which the document's iteration leads; w(x_D)
    comes from the variance function or, without one, from between the levels.

    Raises:
        NotEstimable: no straight line with an intercept, slope not told from zero, residuals all zero, or
            scatter that grows so fast with the level that no level is detected with 1 − β.

    References:
        ISO 11843-2:2000, 5.2 (constant) and 5.3 (varying standard deviation).
    """
    fit = straight_line(inputs, "ISO 11843-2")
    scatter = residual_scatter(inputs)
    nu = scatter.degrees_of_freedom
    t = t_quantile(1 - inputs.alpha, nu)
    delta = noncentrality_for(inputs.alpha, inputs.beta, nu)
    variance = relative_variance(inputs, fit)
    q = fit.residual_standard_deviation / scatter.slope
    line = _line_variance(fit, 0.0)
    doubt = doubt_of(scatter, inputs.confidence, inputs.seed)

    def net(x: ArrayLike) -> Array:
        return np.sqrt(variance(x) / inputs.replicates_for_sample + line)

    at_zero = float(net(0.0))

    def detection(factor: float) -> float:
        scale = delta * factor * q
        if not fit.is_weighted:
            return scale * at_zero
        return _first_root(lambda x: x - scale * net(x), _reach(fit))

    detection_limit = increasing(detection, doubt, nu)
    missing_blank = fit.x.min() > 0
    notes = ("The calibration includes no preparation at level 0.",) if missing_blank else ()
    if fit.is_weighted and inputs.variance_function is not None:
        notes = (
            *notes,
            "The document takes the standard deviation as linear in the level; here it is modelled.",
        )
    return result_of(
        scatter,
        critical_level=proportional(t * q * at_zero, doubt, nu),
        detection_limit=detection_limit,
        k=detection_limit.value / scatter.concentration,
        source=ISO_11843,
        notes=notes,
        numbers={**_risks(inputs), **_line_numbers(fit), "t": t, "delta": delta, "net_factor": at_zero},
        cautions=(NOT_CALIBRATED_AT_ZERO,) if missing_blank else (),
    )


def hubaux_vos(inputs: DetectionInputs) -> LimitResult:
    r"""Limits from the prediction bands of the calibration.

    y_C is the upper one-sided prediction limit at level 0 at 1 − α, x_C the level whose fitted signal is y_C;
    x_D is the level where the lower one-sided prediction limit at 1 − β equals y_C:

    .. math:: |b|\,x_D - t_{1-\beta}\, s\,h(x_D) = t_{1-\alpha}\, s\,h(0), \qquad
              h(x)^2 = \frac1{m w(x)} + \frac1n + \frac{(x-\bar x)^2}{S_{xx}}

    For a straight line of constant variance the root is closed; weighted lines, lines through the origin and
    curves are solved numerically with their own h and their own function.

    Raises:
        NotEstimable: no calibration, slope not told from zero, residuals all zero, or a lower band that never
            rises above y_C.

    References:
        A. Hubaux, G. Vos, Anal. Chem. 42 (1970) 849.
    """
    fit = calibration(inputs)
    scatter = residual_scatter(inputs)
    nu = scatter.degrees_of_freedom
    t_alpha, t_beta = t_quantile(1 - inputs.alpha, nu), t_quantile(1 - inputs.beta, nu)
    doubt = doubt_of(scatter, inputs.confidence, inputs.seed)
    if fit.model == "linear" and not fit.is_weighted:
        critical, detection = _closed_bands(fit, inputs.replicates_for_sample, t_alpha, t_beta)
    else:
        critical, detection = _solved_bands(inputs, fit, t_alpha, t_beta)
    detection_limit = increasing(detection, doubt, nu)
    return result_of(
        scatter,
        critical_level=increasing(critical, doubt, nu),
        detection_limit=detection_limit,
        k=detection_limit.value / scatter.concentration,
        source=HUBAUX_VOS,
        numbers={**_risks(inputs), **_line_numbers(fit), "t_alpha": t_alpha, "t_beta": t_beta},
    )


def band_limits(
    q: ArrayLike, *, m: int, n: int, mean_x: float, s_xx: float, t_alpha: float, t_beta: float
) -> tuple[Array, Array]:
    r"""x_C and x_D from prediction bands of an unweighted line with s/|b| = q, of any shape.

    With :math:`g = q^2 t_\beta^2/S_{xx}` and :math:`P = q t_\alpha h(0) - q^2 t_\beta^2 \bar x/S_{xx}`

    .. math:: (1-g)\, x_D^2 - 2 P x_D + q^2 h(0)^2 (t_\alpha^2 - t_\beta^2) = 0

    Returns:
        x_C and x_D; x_D is infinite for g ≥ 1, where the lower band never catches up.
    """
    q = np.asarray(q, dtype=np.float64)
    h0 = math.sqrt(1 / m + 1 / n + mean_x * mean_x / s_xx)
    free = 1.0 - q * q * t_beta * t_beta / s_xx
    p = q * (t_alpha * h0 - q * t_beta * t_beta * mean_x / s_xx)
    discriminant = p * p - free * q * q * h0 * h0 * (t_alpha * t_alpha - t_beta * t_beta)
    root = p + np.sqrt(np.maximum(discriminant, 0.0))
    detection = np.divide(root, free, out=np.full(root.shape, np.inf), where=free > 0)
    return t_alpha * q * h0, detection


def _closed_bands(
    fit: CalibrationFit, m: int, t_alpha: float, t_beta: float
) -> tuple[Callable[[float], float], Callable[[float], float]]:
    q = fit.residual_standard_deviation / abs(fit.slope.value)

    def limits(factor: float) -> tuple[float, float]:
        critical, detection = band_limits(
            factor * q, m=m, n=fit.n, mean_x=fit.mean_x, s_xx=fit.s_xx, t_alpha=t_alpha, t_beta=t_beta
        )
        if not math.isfinite(detection):
            raise _never_detected()
        return float(critical), float(detection)

    return lambda factor: limits(factor)[0], lambda factor: limits(factor)[1]


def _solved_bands(
    inputs: DetectionInputs, fit: CalibrationFit, t_alpha: float, t_beta: float
) -> tuple[Callable[[float], float], Callable[[float], float]]:
    """The same two limits by root finding on the bands, with scatter *factor* times as large."""
    variance = relative_variance(inputs, fit)
    s = fit.residual_standard_deviation
    direction = math.copysign(1.0, fit.slope.value)
    b, c = fit.slope.value, fit.quadratic.value if fit.quadratic else 0.0

    def half_width(x: ArrayLike) -> Array:
        return s * np.sqrt(variance(x) / inputs.replicates_for_sample + _line_variance(fit, x))

    margin = t_alpha * float(half_width(0.0))

    def critical(factor: float) -> float:
        return float(levels_of(fit, fit.intercept.value + direction * factor * margin))

    def detection(factor: float) -> float:
        def above_critical(x: Array) -> Array:
            return direction * (b + c * x) * x - factor * (t_beta * half_width(x) + margin)

        return _first_root(above_critical, _reach(fit))

    return critical, detection


def _first_root(function: Callable[[Array], Array], reach: float) -> float:
    """Smallest level at which an at first negative *function* becomes zero, up to *reach*."""
    grid = reach * np.concatenate([[0.0], np.geomspace(1e-9, 1.0, 400)])
    passed = np.flatnonzero(function(grid) >= 0)
    if passed.size == 0:
        raise _never_detected()
    return crossing(function, float(grid[max(passed[0] - 1, 0)]), float(grid[passed[0]]))


def _reach(fit: CalibrationFit) -> float:
    """Ten times the highest level: beyond it the calibration function says nothing."""
    return 10.0 * float(np.abs(fit.x).max())


def _line_variance(fit: CalibrationFit, x: ArrayLike) -> Array:
    """Variance of the fitted function at levels x in units of s_y/x²; 1/n + (x − x̄)²/Sxx for a line."""
    return (fit.standard_error_at(x) / fit.residual_standard_deviation) ** 2


def _never_detected() -> NotEstimable:
    return NotEstimable(
        "the prediction band is too wide for any level to be detected with the stated probability",
        "a more sensitive or more precise calibration with more preparations",
    )


def _risks(inputs: DetectionInputs) -> dict[str, float]:
    return {
        "alpha": inputs.alpha,
        "beta": inputs.beta,
        "replicates_for_sample": float(inputs.replicates_for_sample),
    }


def _line_numbers(fit: CalibrationFit) -> dict[str, float]:
    return {
        "residual_standard_deviation": fit.residual_standard_deviation,
        "mean_x": fit.mean_x,
        "s_xx": fit.s_xx,
    }
