"""Records of detection and quantification limits."""

from __future__ import annotations

from typing import Literal

from validator.records import Interval, NotAssessed, Record
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
    """What one variant yields and what entered it."""

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
