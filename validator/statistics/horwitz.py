"""Predicted precision as a function of the mass fraction alone: Horwitz and Thompson, and HorRat."""

from __future__ import annotations

import math

from msgspec import Struct

from validator.errors import NotEstimable

THOMPSON_LOWER = 1.2e-7
THOMPSON_UPPER = 0.138
REPEATABILITY_SHARE = 0.66
"""RSD_r expected within one laboratory as a part of RSD_R (Codex Procedural Manual; from memory)."""


class HorwitzResult(Struct, frozen=True, kw_only=True):
    """Predicted reproducibility and the ratio of what was found to it.

    Attributes:
        mass_fraction: C, dimensionless.
        horwitz_rsd: predicted RSD_R by Horwitz, percent.
        thompson_rsd: predicted RSD_R as modified by Thompson, percent; the one HorRat uses.
        predicted_repeatability_rsd: 0.66 times ``thompson_rsd``, percent.
        horrat_r: found RSD_r over the predicted one; None where no RSD_r was given.
        horrat: found RSD_R over the predicted one; None where no RSD_R was given.
    """

    mass_fraction: float
    horwitz_rsd: float
    thompson_rsd: float
    predicted_repeatability_rsd: float
    horrat_r: float | None
    horrat: float | None


def horwitz_rsd(mass_fraction: float) -> float:
    """Horwitz' predicted RSD_R in percent, 2^(1 - 0.5·lg C).

    Raises:
        NotEstimable: a mass fraction outside 0 to 1.

    References:
        W. Horwitz, Anal. Chem. 54 (1982) 67A (from memory).
    """
    return float(2.0 ** (1 - 0.5 * math.log10(_checked(mass_fraction))))


def thompson_rsd(mass_fraction: float) -> float:
    r"""Predicted RSD_R in percent with Thompson's limbs at both ends.

    .. math:: \sigma = 0.22c \;(c < 1.2\cdot10^{-7}), \qquad 0.02c^{0.8495}, \qquad
        0.01c^{0.5} \;(c > 0.138)

    Raises:
        NotEstimable: a mass fraction outside 0 to 1.

    References:
        M. Thompson, Analyst 125 (2000) 385 (from memory).
    """
    c = _checked(mass_fraction)
    if c < THOMPSON_LOWER:
        return 22.0
    if c > THOMPSON_UPPER:
        return 100 * 0.01 * math.sqrt(c) / c
    return float(100 * 0.02 * c**0.8495 / c)


def horrat(
    mass_fraction: float,
    *,
    repeatability_rsd: float | None = None,
    reproducibility_rsd: float | None = None,
) -> HorwitzResult:
    """Predicted RSDs at a mass fraction and the HorRat of found ones (percent).

    Satisfactory as a rule: 0.5 to 2 between laboratories, 0.3 to 1.3 within one (AOAC; from memory).
    AOAC itself predicts RSD_r as C^-0.15, half of RSD_R; this follows the Codex share of 0.66.

    Raises:
        NotEstimable: a mass fraction outside 0 to 1.
    """
    predicted = thompson_rsd(mass_fraction)
    within = REPEATABILITY_SHARE * predicted
    return HorwitzResult(
        mass_fraction=mass_fraction,
        horwitz_rsd=horwitz_rsd(mass_fraction),
        thompson_rsd=predicted,
        predicted_repeatability_rsd=within,
        horrat_r=None if repeatability_rsd is None else repeatability_rsd / within,
        horrat=None if reproducibility_rsd is None else reproducibility_rsd / predicted,
    )


def _checked(mass_fraction: float) -> float:
    if not 0 < mass_fraction <= 1:
        raise NotEstimable(
            f"the mass fraction, {mass_fraction:g}, is outside the range 0 to 1",
            "a level and unit that can be converted to a mass fraction",
        )
    return mass_fraction
