"""Decision limit CCα and detection capability CCβ of residue control (EU 2021/808)."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from validator.errors import NotEstimable
from validator.sources import Source
from validator.statistics.detection.multiples import multiples_of_sigma
from validator.statistics.detection.result import LEVEL_FAR_FROM_LIMIT, LimitResult
from validator.statistics.detection.scatter import blank_scatter
from validator.statistics.distributions import standard_deviation_interval
from validator.statistics.interval import Estimate, Interval

if TYPE_CHECKING:
    from validator.statistics.detection.inputs import DetectionInputs, PrecisionLevel

EU_2021_808 = Source(
    "Commission Implementing Regulation (EU) 2021/808, Article 5 and Annex I, 2.6 and 2.7", "memory"
)
ONE_PERCENT = 2.33
FIVE_PERCENT = 1.64
"""Normal deviates for 1 % and 5 %, with the digits of the Regulation."""
CUSTOMARY_BLANKS = 20
NEAR = 2.0
"""Factor within which the precision data must lie of the legal limit."""


def decision_limit(inputs: DetectionInputs) -> LimitResult:
    r"""CCα and CCβ.

    Permitted substances, with s at the legal limit L (α = β = 5 %):

    .. math:: CC_\alpha = L + 1.64\,s, \qquad CC_\beta = CC_\alpha + 1.64\,s

    Prohibited substances, with s of the blank (α = 1 %, β = 5 %):

    .. math:: CC_\alpha = 2.33\,s_B/|b|, \qquad CC_\beta = CC_\alpha + 1.64\,s_B/|b|

    Raises:
        NotEstimable: neither a legal limit nor a prohibition is stated; no precision within a factor 2 of the
            legal limit; for the prohibited, blanks missing, censored or all equal.

    References:
        Commission Implementing Regulation (EU) 2021/808, Annex I, 2.6 and 2.7 (from memory).
    """
    if inputs.prohibited:
        return _prohibited(inputs)
    if inputs.legal_limit is None:
        raise NotEstimable(
            "no legal limit is stated",
            "the legal limit; for a substance that is not permitted, this variant declared, and blanks",
        )
    return _permitted(inputs, inputs.legal_limit)


def _prohibited(inputs: DetectionInputs) -> LimitResult:
    scatter = blank_scatter(inputs)
    notes = ["No legal limit is stated; σ is that of the blank, as for a substance that is not permitted."]
    if scatter.n < CUSTOMARY_BLANKS:
        notes.append("The Regulation asks for at least 20 blanks.")
    return multiples_of_sigma(
        inputs,
        scatter,
        critical=ONE_PERCENT,
        detection=ONE_PERCENT + FIVE_PERCENT,
        source=EU_2021_808,
        notes=tuple(notes),
        numbers={"alpha": 0.01, "beta": 0.05},
    )


def _permitted(inputs: DetectionInputs, limit: float) -> LimitResult:
    nearest = _nearest(inputs, limit)
    sigma = standard_deviation_interval(nearest.sd, nearest.degrees_of_freedom, inputs.confidence)

    def above(k: float) -> Estimate:
        return Estimate(
            value=limit + k * nearest.sd,
            standard_error=k * nearest.sd / math.sqrt(2.0 * nearest.degrees_of_freedom),
            interval=Interval(limit + k * sigma.lower, limit + k * sigma.upper, sigma.level, sigma.method),
            degrees_of_freedom=nearest.degrees_of_freedom,
        )

    return LimitResult(
        critical_level=above(FIVE_PERCENT),
        detection_limit=above(2 * FIVE_PERCENT),
        sigma=nearest.sd,
        sigma_unit="concentration",
        sigma_source="precision at the legal limit",
        sigma_concentration=nearest.sd,
        degrees_of_freedom=nearest.degrees_of_freedom,
        k=2 * FIVE_PERCENT,
        inputs={"legal_limit": limit, "level": nearest.level, "alpha": 0.05, "beta": 0.05},
        source=EU_2021_808,
        note="CCα and CCβ lie above the legal limit; they are not detection limits.",
        cautions=() if math.isclose(nearest.level, limit, rel_tol=0.25) else (LEVEL_FAR_FROM_LIMIT,),
    )


def _nearest(inputs: DetectionInputs, limit: float) -> PrecisionLevel:
    near = [p for p in inputs.precision_levels if limit / NEAR <= p.level <= limit * NEAR and p.sd > 0]
    if not near:
        raise NotEstimable(
            "no precision data are available near the legal limit",
            "replicates at the legal limit on several days",
        )
    return min(near, key=lambda p: abs(math.log(p.level / limit)))
