"""Records of the decision limit and the detection capability of residue control."""

from __future__ import annotations

from typing import Literal

from validator.records import EstimateRecord, Record


class ResidueLimitRecord(Record, frozen=True, kw_only=True):
    """A level and a multiple of the combined standard uncertainty there, in the unit of the analyte.

    Attributes:
        value: the limit with its interval.
        base: the level that the multiple is added to, ``base_is`` says which one it is.
        factor: the multiple; ``error`` is the probability of error it stands for.
        standard_uncertainty: combined, from the parts below.
        reproducibility_sd: within-laboratory reproducibility at ``precision_level``, from ``n`` results.
        bias, bias_uncertainty: mean deviation found at ``trueness_level`` and its standard uncertainty.
    """

    value: EstimateRecord
    base: float
    base_is: Literal["legal_limit", "lowest_calibrated_level", "screening_target"]
    factor: float
    error: float
    standard_uncertainty: float
    reproducibility_sd: float
    precision_level: float
    n: int
    groups: int
    bias: float
    bias_uncertainty: float
    trueness_level: float
    source: str
