"""Decision limit and detection capability of residue control: a level and a multiple of its uncertainty."""

from __future__ import annotations

import math

from msgspec import Struct

from validator.errors import NotEstimable
from validator.statistics.distributions import standard_deviation_interval
from validator.statistics.interval import Estimate

ONE_PERCENT = 2.33
FIVE_PERCENT = 1.64
"""One-sided normal deviates for errors of 1 % and 5 %, with the digits of Regulation (EU) 2021/808."""


class LevelUncertainty(Struct, frozen=True, kw_only=True):
    r"""Combined standard uncertainty of a result at one level, in the unit of the level.

    .. math:: u = \sqrt{s_{wR}^2 + b^2 + u^2(b)}

    Attributes:
        reproducibility_sd: :math:`s_{wR}`, within-laboratory reproducibility.
        degrees_of_freedom: of it.
        bias: b, mean deviation from the known content.
        bias_uncertainty: standard uncertainty of b.

    References:
        Regulation (EU) 2021/808, Annex I 2.6: "The within-laboratory reproducibility and the trueness are
        suitable to define" it (seen in a reprint); the squares added as in Nordtest TR 537 (from memory).
    """

    reproducibility_sd: float
    degrees_of_freedom: float
    bias: float
    bias_uncertainty: float

    @property
    def of_bias(self) -> float:
        """The part of trueness."""
        return math.hypot(self.bias, self.bias_uncertainty)

    @property
    def combined(self) -> float:
        """U."""
        return math.hypot(self.reproducibility_sd, self.of_bias)


def limit_above(level: float, factor: float, u: LevelUncertainty, confidence: float) -> Estimate:
    r"""The *level* and *factor* times the uncertainty there.

    .. math:: CC = L + k\,u

    The interval is that of :math:`s_{wR}` (chi-squared); the part of trueness stays as it was found.

    Raises:
        NotEstimable: the results do not differ, so that no uncertainty is known.

    References:
        Regulation (EU) 2021/808, consolidated 20 August 2024, Annex I 2.6 and 2.7 (seen in a reprint).
    """
    if u.reproducibility_sd <= 0:
        raise NotEstimable(
            "the within-laboratory reproducibility is zero", "results recorded with more digits"
        )
    sd = standard_deviation_interval(u.reproducibility_sd, u.degrees_of_freedom, confidence)
    return Estimate(
        value=level + factor * u.combined,
        standard_error=factor
        * u.reproducibility_sd**2
        / (u.combined * math.sqrt(2.0 * u.degrees_of_freedom)),
        interval=sd.through(lambda s: level + factor * math.hypot(s, u.of_bias)),
        degrees_of_freedom=u.degrees_of_freedom,
    )
