"""Decision, identification and determination limits by DIN 32645, from blanks or from the calibration."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, NamedTuple

from validator.errors import NotEstimable
from validator.sources import Source
from validator.statistics.detection.intervals import doubt_of, increasing, proportional
from validator.statistics.detection.multiples import result_of
from validator.statistics.detection.result import CALIBRATION_TOO_HIGH
from validator.statistics.detection.scatter import (
    Scatter,
    blank_scatter,
    mean_factor,
    residual_scatter,
    straight_line,
)
from validator.statistics.distributions import t_quantile

if TYPE_CHECKING:
    from collections.abc import Callable

    from validator.statistics.detection.inputs import DetectionInputs
    from validator.statistics.detection.result import LimitResult
    from validator.statistics.interval import Estimate
    from validator.statistics.regression import CalibrationFit

DIN_32645 = Source("DIN 32645:2008-11, clause 6", "memory")
DIN_32645_QUICK = Source("DIN 32645:2008-11, 6.4, quick estimate", "memory")
ALPHA = 0.01
RELATIVE_DOUBT = 3.0
"""k: the determination limit is the level whose prediction interval has a half width of 1/k of it."""
HIGHEST_OVER_CRITICAL = 10.0
QUICK_FACTOR = 1.2
"""For the doubt of a line over equidistant levels up to ten times the decision limit (from memory)."""
TERMS = (
    "The decision limit x_NG (Nachweisgrenze), which many laboratories call detection limit, stands as "
    "critical value; the identification limit x_EG (Erfassungsgrenze) as detection limit."
)


def din_32645_blank(inputs: DetectionInputs) -> LimitResult:
    r"""Limits by the blank method.

    .. math:: x_{NG} = t_{1-\alpha,\nu}\, \frac{s_L}{|b|} \sqrt{\frac1m + \frac1{n_b}}, \quad
              x_{EG} = x_{NG} + t_{1-\beta,\nu}\, \frac{s_L}{|b|} \sqrt{\frac1m + \frac1{n_b}}

    .. math:: x_{BG} = k\, t_{1-\alpha/2,\nu}\, \frac{s_L}{|b|}
              \sqrt{\frac1m + \frac1n + \frac{(x_{BG}-\bar x)^2}{S_{xx}}}, \quad k = 3

    with ν = n_b − 1, n, x̄ and Sxx of the calibration.  α = 0.01 unless the study declares it, β = α likewise.
    Blanks that are results need no slope; without a calibration x_BG alone is missing.

    Raises:
        NotEstimable: blanks missing, censored or all equal; a calibration that is not an unweighted straight
            line; blanks that are signals without a calibration.

    References:
        DIN 32645:2008-11, 6.2 and 6.3.
    """
    needs_slope = inputs.fit is not None or inputs.blank_concentrations is None
    fit = _unweighted_line(inputs) if needs_slope else None
    scatter = blank_scatter(inputs)
    net = math.sqrt(mean_factor(inputs) + 1.0 / scatter.n)
    return _limits(inputs, fit, scatter, net, mean_factor(inputs), ())


def din_32645_calibration(inputs: DetectionInputs) -> LimitResult:
    r"""Limits by the calibration method.

    .. math:: x_{NG} = t_{1-\alpha,\nu}\, \frac{s}{|b|} \sqrt{\frac1m + \frac1n + \frac{\bar x^2}{S_{xx}}},
              \quad x_{EG} = x_{NG} + t_{1-\beta,\nu}\,(\dots) = 2 x_{NG} \text{ for } \alpha = \beta

    .. math:: x_{BG} = k\, t_{1-\alpha/2,\nu}\, \frac{s}{|b|}
              \sqrt{\frac1m + \frac1n + \frac{(x_{BG}-\bar x)^2}{S_{xx}}}, \quad k = 3

    with ν = n − 2.  α = 0.01 unless the study declares it, β = α likewise.

    Raises:
        NotEstimable: a calibration that is not an unweighted straight line, slope not told from zero,
            residuals all zero.

    References:
        DIN 32645:2008-11, 6.2 and 6.3.
    """
    fit = _unweighted_line(inputs)
    scatter = residual_scatter(inputs)
    single = 1.0 / inputs.replicates_for_sample
    net = math.sqrt(single + 1.0 / fit.n + fit.mean_x**2 / fit.s_xx)
    return _limits(inputs, fit, scatter, net, single, _height(fit, scatter, net, _risks(inputs).alpha))


def din_32645_quick(inputs: DetectionInputs) -> LimitResult:
    r"""The quick estimate of the calibration method.

    .. math:: x_{NG} = 1.2\, t_{1-\alpha,\nu}\, \frac{s}{|b|} \sqrt{\frac1m + \frac1n}, \quad
              x_{EG} = 2 x_{NG}, \quad x_{BG} = 3 x_{NG}

    with ν = n − 2, for equidistant levels up to about ten times x_NG.

    Raises:
        NotEstimable: as for :func:`din_32645_calibration`.

    References:
        DIN 32645:2008-11, 6.4 (from memory).
    """
    fit = _unweighted_line(inputs)
    scatter = residual_scatter(inputs)
    alpha = _risks(inputs).alpha
    net = math.sqrt(1.0 / inputs.replicates_for_sample + 1.0 / fit.n)
    factor = QUICK_FACTOR * t_quantile(1 - alpha, scatter.degrees_of_freedom) * net
    doubt = doubt_of(scatter, inputs.confidence, inputs.seed)
    critical, detection, quantification = (
        proportional(multiple * factor * scatter.concentration, doubt, scatter.degrees_of_freedom)
        for multiple in (1.0, 2.0, RELATIVE_DOUBT)
    )
    return result_of(
        scatter,
        critical_level=critical,
        detection_limit=detection,
        quantification_limit=quantification,
        k=2.0 * factor,
        quantification_k=RELATIVE_DOUBT * factor,
        source=DIN_32645_QUICK,
        notes=(TERMS,),
        numbers={"alpha": alpha, "net_factor": net, **_line_numbers(fit)},
        cautions=_height(fit, scatter, QUICK_FACTOR * net, alpha),
    )


class _Risks(NamedTuple):
    alpha: float
    beta: float


def _risks(inputs: DetectionInputs) -> _Risks:
    """α as declared, else that of the document; β = α, which makes x_EG = 2 x_NG, unless β is declared."""
    alpha = inputs.alpha if inputs.alpha_declared else ALPHA
    return _Risks(alpha, inputs.beta if inputs.beta_declared else alpha)


def _unweighted_line(inputs: DetectionInputs) -> CalibrationFit:
    fit = straight_line(inputs, "DIN 32645")
    if fit.is_weighted:
        raise NotEstimable(
            "DIN 32645 assumes homogeneous variances, but the calibration is weighted",
            "an unweighted calibration over a short range near the limit",
        )
    return fit


def _height(fit: CalibrationFit, scatter: Scatter, net: float, alpha: float) -> tuple[str, ...]:
    critical = t_quantile(1 - alpha, scatter.degrees_of_freedom) * scatter.concentration * net
    return (CALIBRATION_TOO_HIGH,) if fit.x.max() > HIGHEST_OVER_CRITICAL * critical else ()


def _limits(
    inputs: DetectionInputs,
    fit: CalibrationFit | None,
    scatter: Scatter,
    net: float,
    single: float,
    cautions: tuple[str, ...],
) -> LimitResult:
    nu = scatter.degrees_of_freedom
    alpha, beta = _risks(inputs)
    t_alpha, t_beta, t_two = (
        t_quantile(1 - alpha, nu),
        t_quantile(1 - beta, nu),
        t_quantile(1 - alpha / 2, nu),
    )
    q = scatter.concentration
    doubt = doubt_of(scatter, inputs.confidence, inputs.seed)
    quantification: Estimate | None = None
    notes = ["alpha is that of the study." if inputs.alpha_declared else "alpha is 0.01, as in the document."]
    notes.append(TERMS)
    try:
        determination = _determination_of(fit, RELATIVE_DOUBT * t_two * q, single)
        quantification = increasing(determination, doubt, nu)
    except NotEstimable as refusal:
        notes.append(f"No determination limit: {refusal.reason}.")
    return result_of(
        scatter,
        critical_level=proportional(t_alpha * q * net, doubt, nu),
        detection_limit=proportional((t_alpha + t_beta) * q * net, doubt, nu),
        quantification_limit=quantification,
        k=(t_alpha + t_beta) * net,
        quantification_k=None if quantification is None else quantification.value / q,
        source=DIN_32645,
        notes=tuple(notes),
        numbers={
            "alpha": alpha,
            "beta": beta,
            "replicates_for_sample": float(inputs.replicates_for_sample),
            "t": t_alpha,
            "t_beta": t_beta,
            "t_two_sided": t_two,
            "k_relative": RELATIVE_DOUBT,
            "net_factor": net,
            **_line_numbers(fit),
        },
        cautions=cautions,
    )


def _line_numbers(fit: CalibrationFit | None) -> dict[str, float]:
    return {} if fit is None else {"n_calibration": float(fit.n), "mean_x": fit.mean_x, "s_xx": fit.s_xx}


def _determination_of(fit: CalibrationFit | None, width: float, single: float) -> Callable[[float], float]:
    """The determination limit for a scatter that is a given factor times as large.

    Raises:
        NotEstimable: no calibration is available.
    """
    if fit is None:
        raise NotEstimable("no calibration is available", "an unweighted straight-line calibration")
    constant, mean_x, s_xx = single + 1.0 / fit.n, fit.mean_x, fit.s_xx
    return lambda factor: _determination(width * factor, constant, mean_x, s_xx)


def _determination(width: float, constant: float, mean_x: float, s_xx: float) -> float:
    r"""Positive root of :math:`x = K \sqrt{c + (x-\bar x)^2/S_{xx}}`, the limit of the document's iteration.

    Raises:
        NotEstimable: :math:`K^2 \ge S_{xx}`, where no level has so small a relative half width.
    """
    g = width * width / s_xx
    if g >= 1:
        raise NotEstimable(
            "the relative half-width of the interval of a result does not reach one third at any level",
            "a more precise calibration or a wider range",
        )
    # (1 − g) x² + 2 g x̄ x − K² (c + x̄²/Sxx) = 0
    half, last = g * mean_x, width * width * constant + g * mean_x * mean_x
    return last / (half + math.sqrt(half * half + (1 - g) * last))
