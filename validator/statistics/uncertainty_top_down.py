"""Top-down uncertainty from data of validation and quality control."""

from __future__ import annotations

from typing import TYPE_CHECKING

from msgspec import Struct

from validator.errors import NotEstimable
from validator.statistics.uncertainty_budget import UncertaintyBudget, combine

if TYPE_CHECKING:
    from validator.statistics.uncertainty_part import UncertaintyPart


class TopDownUncertainty(Struct, frozen=True, kw_only=True):
    """Measurement uncertainty of a method in one laboratory.

    Attributes:
        budget: u_c, U, k, ν and the rows with their shares; in percent where ``relative``.
        within_laboratory: u(Rw).
        bias: u(bias).
        relative: in percent of the level, else in its unit.
        lowest, highest: levels of the data behind it; outside, the figure is an extrapolation.
    """

    budget: UncertaintyBudget
    within_laboratory: UncertaintyPart
    bias: UncertaintyPart
    relative: bool
    lowest: float | None
    highest: float | None


def top_down(
    within_laboratory: UncertaintyPart,
    bias: UncertaintyPart,
    *,
    coverage_factor: float | None = 2.0,
    level: float = 0.95,
) -> TopDownUncertainty:
    r"""Combine within-laboratory reproducibility and bias.

    .. math:: u_c = \sqrt{u^2(R_w) + u^2(bias)}, \qquad U = k\,u_c

    Args:
        within_laboratory: from :mod:`validator.statistics.within_laboratory_uncertainty`.
        bias: from :mod:`validator.statistics.bias_uncertainty`, in the same form.
        coverage_factor: k, 2 in both documents; None takes Student's t of the effective ν at *level*.
        level: level of confidence where k is not fixed.

    Raises:
        NotEstimable: one part is relative and the other absolute, or both are 0.

    References:
        ISO 11352:2012, 8.1 and 9; Nordtest TR 537, ed. 3.1 (2012), 3.2 (from memory).  ν: JCGM 100:2008,
        G.4.1.
    """
    if within_laboratory.relative != bias.relative:
        raise NotEstimable(
            "u(Rw) and u(bias) are not both relative or both absolute",
            "both contributions in percent, or both in the unit of the analyte",
        )
    ends = (within_laboratory.lowest, within_laboratory.highest, bias.lowest, bias.highest)
    known = [end for end in ends if end is not None]
    return TopDownUncertainty(
        budget=combine(
            (*within_laboratory.rows, *bias.rows),
            level=level,
            coverage_factor=coverage_factor,
            relative=bias.relative,
            method="u(Rw) and u(bias)",
        ),
        within_laboratory=within_laboratory,
        bias=bias,
        relative=bias.relative,
        lowest=min(known, default=None),
        highest=max(known, default=None),
    )
