"""Records of precision."""

from __future__ import annotations

from validator.evaluation.results.base import EstimateRecord, ExcludedPoint, NotAssessed, Record


class OutlierRecord(Record):
    """An outlier test: reported, never acted upon."""

    test: str
    statistic: float
    critical: float | None = None
    p: float | None = None
    suspect: float | None = None
    flagged: bool


class PrecisionRecord(Record):
    """Precision at one level; percent for the relative figures."""

    level: float | None
    n: int
    groups: int
    factor: str | None = None
    mean: EstimateRecord
    repeatability_sd: EstimateRecord | NotAssessed
    repeatability_rsd: EstimateRecord | NotAssessed
    between_sd: EstimateRecord | NotAssessed
    intermediate_sd: EstimateRecord | NotAssessed | None = None
    intermediate_rsd: EstimateRecord | NotAssessed | None = None
    reproducibility_sd: EstimateRecord | NotAssessed | None = None
    reproducibility_rsd: EstimateRecord | NotAssessed | None = None
    repeatability_limit: float | None = None
    reproducibility_limit: float | None = None
    horwitz_rsd: float | None = None
    horrat: float | None = None
    outlier_tests: tuple[OutlierRecord, ...] = ()
    method: str
    excluded: tuple[ExcludedPoint, ...] = ()
    with_excluded: PrecisionRecord | None = None
