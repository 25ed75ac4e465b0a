"""Detection limit from how often samples of known content are detected."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np
from scipy import special

from validator.errors import NotEstimable
from validator.sources import Source
from validator.statistics.detection.result import EXTRAPOLATED, LimitResult
from validator.statistics.detection.scatter import low_level_samples
from validator.statistics.distributions import normal_quantile
from validator.statistics.interval import Estimate, Interval
from validator.statistics.inverse_prediction import fieller

if TYPE_CHECKING:
    from validator.statistics.detection.inputs import Array, DetectionInputs

DETECTION_RATE = Source(
    "Probit analysis: D. J. Finney, Probit Analysis, 3rd ed. 1971; rates of detection at stated levels as in "
    "ISO 11843-4:2003",
    "memory",
)
FEWEST_LEVELS = 3
STEPS = 100


def detection_rate(inputs: DetectionInputs) -> LimitResult:
    r"""Level that is detected with probability 1 − β, from a probit line on the logarithm of the level.

    .. math:: P(\text{detected} \mid x) = \Phi(a + b \ln x), \qquad \ln x_D = (z_{1-\beta} - a)/b

    by maximum likelihood; a result reported as less than a limit is one not detected.  The interval is
    Fieller's with normal quantiles.

    Raises:
        NotEstimable: fewer than three levels above zero, no overlap of the levels with and without
            detections, or a rate that does not increase with the level.

    References:
        D. J. Finney, Probit Analysis, 3rd ed. 1971 (from memory).
    """
    needs = "low-level samples at 3 or more levels, some results detected and some not at neighbouring levels"
    samples = [one for one in low_level_samples(inputs, needs) if one.level > 0]
    if len(samples) < FEWEST_LEVELS:
        raise NotEstimable(f"there are low-level samples at fewer than {FEWEST_LEVELS} levels", needs)
    x = np.array([float(one.level) for one in samples])
    n = np.array([float(one.n) for one in samples])
    detected = n - np.array([float(one.censored) for one in samples])
    if not x[detected < n].max(initial=0.0) > x[detected > 0].min(initial=math.inf):
        raise NotEstimable("no level below a level with undetected results gave detections", needs)
    centre, a, b, var_a, var_b = _probit_line(np.log(x), detected, n)
    z = normal_quantile(1 - inputs.beta)
    u = (z - a) / b
    if fieller(u, normal_quantile((1 + inputs.confidence) / 2), var_a / b**2, var_b / b**2)[1] >= 1:
        raise NotEstimable("the rate of detection does not increase significantly with the level", needs)

    def limits(level: float) -> tuple[float, float]:
        ends = fieller(u, normal_quantile((1 + level) / 2), var_a / b**2, var_b / b**2)[0]
        # beyond e^700 a double overflows: such a limit is not bounded by the data
        return tuple(math.exp(centre + end) if centre + end < 700 else math.inf for end in ends)  # type: ignore[return-value]

    value = math.exp(centre + u)
    return LimitResult(
        detection_limit=Estimate(
            value=value,
            standard_error=value * math.sqrt(var_a + u * u * var_b) / b,
            interval=Interval.by(limits, inputs.confidence, "Fieller, probit"),
        ),
        sigma_source="rates of detection",
        inputs={
            "levels": float(x.size),
            "n": float(n.sum()),
            "detected": float(detected.sum()),
            "rate": 1 - inputs.beta,
        },
        source=DETECTION_RATE,
        note="Results reported as less than a limit count as not detected.",
        cautions=() if x.min() <= value <= x.max() else (EXTRAPOLATED,),
    )


def _probit_line(u: Array, detected: Array, n: Array) -> tuple[float, float, float, float, float]:
    """Centre of u, a and b about it, and their variances, by Fisher scoring; both are then independent."""
    a = b = centre = middle = 0.0
    w = n
    for _ in range(STEPS):
        eta = a + b * u
        density = np.exp(-0.5 * eta * eta) / math.sqrt(2 * math.pi)
        rate = special.ndtr(eta)
        w = n * density * density / np.maximum(rate * special.ndtr(-eta), 1e-300)
        work = eta + (detected / n - rate) / np.maximum(density, 1e-300)
        centre = float(w @ u / w.sum())
        before = (a + b * centre, b)
        b = float(w @ ((u - centre) * work) / (w @ (u - centre) ** 2))
        middle = float(w @ work / w.sum())
        a = middle - b * centre
        if max(abs(middle - before[0]), abs(b - before[1])) < 1e-12 * (1 + abs(b) + abs(middle)):
            break
    if b <= 0:
        raise NotEstimable(
            "the rate of detection does not increase with the level", "levels below and above the limit"
        )
    return centre, middle, b, 1 / float(w.sum()), 1 / float(w @ (u - centre) ** 2)
