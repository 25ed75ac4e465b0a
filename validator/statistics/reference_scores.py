"""Scores of a mean beside a reference value: the 2u check, zeta and En."""

from __future__ import annotations

import math

from msgspec import Struct

from validator.statistics.distributions import t_two_sided


class ReferenceScores(Struct, frozen=True, kw_only=True):
    """A mean beside a reference value, both with their uncertainty, in the unit of the data.

    Attributes:
        difference: Δ = mean − reference.
        standard_uncertainty: u_Δ = sqrt(u_mean² + u_ref²).
        within_two_u: |Δ| ≤ 2·u_Δ: no bias is shown (ERM Application Note 1; from memory).
        zeta: Δ/u_Δ (ISO 13528:2015, 9.6; from memory).
        en: Δ/sqrt(U_mean² + U_ref²), U_mean = t(confidence, ν)·u_mean and U_ref = 2·u_ref
            (ISO 13528:2015, 9.7; from memory).
    """

    difference: float
    standard_uncertainty: float
    within_two_u: bool
    zeta: float
    en: float


def reference_scores(
    mean_recovery: float,
    u_scatter: float | None,
    nu: float | None,
    reference: float,
    u_ref: float | None,
    confidence: float,
) -> ReferenceScores | None:
    """Scores of a mean recovery with standard error *u_scatter*, both in percent, and its *nu*.

    Returns:
        None where the reference's standard uncertainty *u_ref* or the scatter is not known.
    """
    if u_ref is None or u_scatter is None or nu is None:
        return None
    difference = (mean_recovery - 100) / 100 * reference
    u_mean = u_scatter / 100 * reference
    u_difference = math.hypot(u_mean, u_ref)
    expanded = math.hypot(t_two_sided(confidence, nu) * u_mean, 2 * u_ref)
    return ReferenceScores(
        difference=difference,
        standard_uncertainty=u_difference,
        within_two_u=abs(difference) <= 2 * u_difference,
        zeta=difference / u_difference,
        en=difference / expanded,
    )
