"""What a detection or quantification variant returns, and the cautions it can carry."""

from __future__ import annotations

from typing import TYPE_CHECKING, Literal

from msgspec import Struct, field

if TYPE_CHECKING:
    from collections.abc import Mapping

    from validator.errors import NotEstimable
    from validator.sources import Source
    from validator.statistics.interval import Estimate

SigmaUnit = Literal["signal", "concentration"]

PSEUDO_REPLICATES = "pseudo_replicates"
"""The standard deviation comes from repeated readings of one preparation."""
FEW_BLANKS = "few_blanks"
"""Fewer blanks than the ten that are customary."""
ONE_SERIES = "one_series"
"""Series are not given, or there is only one: scatter between days is not in the limit."""
BELOW_CALIBRATION = "below_lowest_calibrator"
"""The limit lies more than a factor 3 below the lowest calibrator above zero."""
SLOPE_AT_ZERO = "slope_of_curve_at_zero"
"""The calibration is a curve; its slope at level 0 stands for the slope of a line."""
LEVEL_FAR_FROM_LIMIT = "level_far_from_limit"
"""The level that gave the standard deviation is not near the limit: below it, or more than ten times
above."""
CALIBRATION_TOO_HIGH = "calibration_far_above_limit"
"""The highest calibrator is more than ten times the critical level."""
BLANKS_NOT_NORMAL = "blanks_not_normal"
"""The limit of blank was taken by rank: the blanks are not normal, or some gave no value."""
EXTRAPOLATED = "extrapolated"
"""The limit lies outside the levels that were tested."""
NOT_MONOTONE = "higher_level_fails"
"""A level above the one reported does not meet the criteria."""
NO_PRECISION = "no_precision_at_limit"
"""The limit says where the function holds, nothing of the precision of a result there."""
SCATTER_BETWEEN_LEVELS_ASSUMED = "low_end_weight_assumed"
"""The scatter below the lowest level is not known: the weight of that level was taken to hold there."""
DESIGN_NOT_MET = "design_below_document"
"""There are fewer samples or batches than the document that the variant follows asks for."""
NOT_CALIBRATED_AT_ZERO = "no_blank_in_calibration"
"""The calibration holds no preparation at level 0, the basic state of the document followed."""


class LimitResult(Struct, frozen=True, kw_only=True):
    """Limits by one variant, in the unit of the analyte, with everything that made them.

    Attributes:
        critical_level: result above which the analyte counts as detected.
        detection_limit: smallest true level that is detected with the stated (or implied) probability.
        quantification_limit: smallest level that is reported as a number.
        sigma: the standard deviation used, in the unit named by ``sigma_unit``; None where none enters.
        sigma_unit: "signal" or "concentration".
        sigma_source: where it comes from ("blanks", "residuals", …).
        sigma_concentration: the same standard deviation in the unit of the analyte.
        degrees_of_freedom: ν of sigma.
        k: factor on sigma for the detection limit (for the only limit where there is no detection limit).
        quantification_k: factor on sigma for the quantification limit.
        inputs: every number that entered, by name.
        source: published source of the formula.
        note: assumptions and choices, in sentences.
        cautions: ids from this module for what weakens the limit.
        refusal: why the limits have no interval, where the doubt of sigma is not known.
    """

    critical_level: Estimate | None = None
    detection_limit: Estimate | None = None
    quantification_limit: Estimate | None = None
    sigma: float | None = None
    sigma_unit: SigmaUnit | None = None
    sigma_source: str
    sigma_concentration: float | None = None
    degrees_of_freedom: float | None = None
    k: float | None = None
    quantification_k: float | None = None
    inputs: Mapping[str, float] = field(default_factory=dict)
    source: Source
    note: str = ""
    cautions: tuple[str, ...] = ()
    refusal: NotEstimable | None = None

    @property
    def lowest(self) -> Estimate:
        """The detection limit, or the first limit there is: what comparisons between variants use."""
        for limit in (self.detection_limit, self.quantification_limit, self.critical_level):
            if limit is not None:
                return limit
        message = "a result without any limit"
        raise ValueError(message)
