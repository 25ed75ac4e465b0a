"""Risks of inspecting many items: how often a wrong one is accepted and a right one rejected."""

from __future__ import annotations

import math

import numpy as np
from msgspec import Struct
from numpy.typing import NDArray
from scipy import special

FloatArray = NDArray[np.float64]

_NODES, _WEIGHTS = np.polynomial.legendre.leggauss(16)
_REACH = 12.0  # standard deviations: the normal density beyond them is below 1e-32


class GlobalRisks(Struct, frozen=True, kw_only=True):
    """Probabilities for an item taken at random and measured.

    Attributes:
        consumers_risk: it does not conform and is accepted.
        producers_risk: it conforms and is rejected.
        conforming: it conforms.
        accepted: it is accepted.
    """

    consumers_risk: float
    producers_risk: float
    conforming: float
    accepted: float


def global_risks(
    *,
    mean: float,
    sd: float,
    standard_uncertainty: float,
    lower: float = -math.inf,
    upper: float = math.inf,
    guard_band: float = 0.0,
) -> GlobalRisks:
    r"""Global consumer's and producer's risk for normal items measured with a normal error.

    .. math::
        R_C = \int_{\tilde C} \int_A g_0(\eta)\,h(y \mid \eta)\,dy\,d\eta, \qquad
        R_P = \int_{C} \int_{\tilde A} g_0(\eta)\,h(y \mid \eta)\,dy\,d\eta

    with the items' distribution g_0, the distribution h of a measured value, the conforming values C and
    the accepted measured values A = [T_L + w, T_U − w].

    Args:
        mean: of the items' true values.
        sd: standard deviation of the items' true values.
        standard_uncertainty: of a measured value.
        lower: tolerance limit T_L.
        upper: tolerance limit T_U.
        guard_band: w; negative for guarded rejection.

    Raises:
        ValueError: standard deviations that are not positive, no limit, limits in the wrong order, or a guard
            band that leaves nothing to accept.

    References:
        JCGM 106:2012, 9.4 and 9.5, equations (17) to (19) (from memory).
    """
    numbers = (mean, sd, standard_uncertainty, guard_band)
    if not all(map(math.isfinite, numbers)) or sd <= 0 or standard_uncertainty <= 0:
        message = "mean and guard band must be finite, standard deviation and uncertainty positive"
        raise ValueError(message)
    if not lower < upper or not (math.isfinite(lower) or math.isfinite(upper)):
        message = "there must be a limit, and the lower one below the upper one"
        raise ValueError(message)
    accept_from, accept_to = lower + guard_band, upper - guard_band
    if not accept_from < accept_to:
        message = "the guard band leaves nothing to accept"
        raise ValueError(message)
    # In standard deviations of the items.
    limits = (np.array([lower, upper]) - mean) / sd
    window = (np.array([accept_from, accept_to]) - mean) / sd
    u = standard_uncertainty / sd
    z, weight = _grid(limits, window, u)
    density = weight * np.exp(-0.5 * z * z) / math.sqrt(2 * math.pi)
    inside = (z > limits[0]) & (z < limits[1])
    below, above = special.ndtr((window[0] - z) / u), special.ndtr((z - window[1]) / u)
    rejected = below + above
    # 1 − rejected, without the loss of digits where nearly everything is rejected.
    accepted = np.where(
        below > above,
        special.ndtr((z - window[0]) / u) - above,
        special.ndtr((window[1] - z) / u) - below,
    )
    return GlobalRisks(
        consumers_risk=float((density * accepted)[~inside].sum()),
        producers_risk=float((density * rejected)[inside].sum()),
        conforming=float(special.ndtr(limits[1]) - special.ndtr(limits[0])),
        accepted=float((density * accepted).sum()),
    )


def _grid(limits: FloatArray, window: FloatArray, u: float) -> tuple[FloatArray, FloatArray]:
    """Gauss–Legendre nodes and weights on panels that end at the limits and are as fine as either density."""
    steps = np.arange(-_REACH, _REACH + 0.25, 0.5)
    edges = [steps, limits]
    edges += [edge + u * steps for edge in window if math.isfinite(edge)]
    points = np.concatenate(edges)
    points = np.unique(points[np.isfinite(points) & (np.abs(points) <= _REACH)])
    half = np.diff(points)[:, None] / 2
    middle = (points[:-1] + points[1:])[:, None] / 2
    return (middle + half * _NODES).ravel(), (half * _WEIGHTS).ravel()
