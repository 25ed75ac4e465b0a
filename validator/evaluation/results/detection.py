"""Records of detection and quantification limits, decision limits, blanks."""

from __future__ import annotations

from typing import Literal

from validator.records import EstimateRecord, Interval, NotAssessed, Record
from validator.sources import SourceStatus

DeclaredBy = Literal["study", "guidance", "rule"]


class DeclaredLimit(Record, frozen=True, kw_only=True):
    """The limit by the variant that decides."""

    variant: str
    value: float
    ci: Interval | None = None
    one_sided: Interval | None = None
    unit: str


class LimitValue(Record, frozen=True, kw_only=True):
    """One limit with its interval; ``one_sided`` where nobody chose an approach and all are judged."""

    value: float
    ci: Interval | None = None
    one_sided: Interval | None = None


class LimitVariant(Record, frozen=True, kw_only=True):
    """What one variant yields and what entered it; ``reason`` says why its limits have no interval."""

    detection_limit: LimitValue | None = None
    quantification_limit: LimitValue | None = None
    critical_level: LimitValue | None = None
    sigma: float | None = None
    sigma_source: str
    degrees_of_freedom: float | None = None
    k: float | None = None
    inputs: dict[str, float]
    source: str
    source_status: SourceStatus
    note: str = ""
    sigma_unit: str | None = None
    sigma_concentration: float | None = None
    quantification_k: float | None = None
    cautions: tuple[str, ...] = ()
    reason: str | None = None


class DetectionRecord(Record, frozen=True, kw_only=True):
    """Limits by the declared variants, and by every other the data allow.

    Attributes:
        declared_by: who chose the variants that decide.
        declared_in: the same for the reader: the study, a document, or the rule.
    """

    critical_level: DeclaredLimit | NotAssessed
    detection_limit: DeclaredLimit | NotAssessed
    quantification_limit: DeclaredLimit | NotAssessed
    declared_by: DeclaredBy
    declared_in: str
    variants: dict[str, LimitVariant | NotAssessed]


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


class BlankResponseRecord(Record, frozen=True, kw_only=True):
    """Results of blanks in percent of the quantification limit, by the declared variant.

    Attributes:
        kind: "matrix" where the study holds matrix blanks, which then count alone; else "any".
        n: independent blanks.
        censored: how many were reported as below a limit; that limit stands in for them.
        percent_of_limit: the mean.
        largest_percent: the largest single one.
    """

    kind: str
    n: int
    censored: int = 0
    percent_of_limit: EstimateRecord
    largest_percent: float
