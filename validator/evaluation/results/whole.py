"""The whole results file."""

from __future__ import annotations

from typing import Any, ClassVar, Literal

from msgspec import field

from validator.characteristics.order import PACKAGES
from validator.evaluation.results.accuracy_profile import AccuracyProfileRecord
from validator.evaluation.results.assessment import Assessment
from validator.evaluation.results.calibration import CalibrationRecord
from validator.evaluation.results.detection import BlankResponseRecord, DetectionRecord, ResidueLimitRecord
from validator.evaluation.results.plan import PlanComparison
from validator.evaluation.results.precision import (
    DeviceToDeviceRecord,
    DuplicatesRecord,
    LevelDependenceRecord,
    PrecisionRecord,
    RepeatedUseRecord,
)
from validator.evaluation.results.recordings import RecordingsRecord
from validator.evaluation.results.trueness import (
    ComparisonRecord,
    FoundOnAddedRecord,
    InterferenceRecord,
    MatrixEffectRecord,
    RecoveryRecord,
    StandardAdditionRecord,
)
from validator.evaluation.results.uncertainty import UncertaintyRecord
from validator.records import EstimateRecord, FTest, NotAssessed, Record, TTest

FORMAT = "validation-results/2"


class ConfigurationRecord(Record, frozen=True, kw_only=True):
    """Everything found for one analyte with one configuration."""

    calibration: CalibrationRecord | NotAssessed
    detection: DetectionRecord | NotAssessed
    precision: tuple[PrecisionRecord, ...] | NotAssessed
    recovery: tuple[RecoveryRecord, ...] | NotAssessed
    interference: tuple[InterferenceRecord, ...] | NotAssessed
    standard_addition: tuple[StandardAdditionRecord, ...] | NotAssessed
    matrix_effect: tuple[MatrixEffectRecord, ...] | NotAssessed
    comparison: ComparisonRecord | NotAssessed
    for _one in PACKAGES:
        __annotations__[_one.name] = _one.part("results").RECORD | NotAssessed
    del _one
    repeated_use: RepeatedUseRecord | NotAssessed
    device_to_device: tuple[DeviceToDeviceRecord, ...] | NotAssessed
    uncertainty: UncertaintyRecord | NotAssessed
    accuracy_profile: AccuracyProfileRecord | NotAssessed
    decision_limit: ResidueLimitRecord | NotAssessed | None = None
    detection_capability: ResidueLimitRecord | NotAssessed | None = None
    duplicates: DuplicatesRecord | None = None
    level_dependence: LevelDependenceRecord | None = None
    found_on_added: tuple[FoundOnAddedRecord, ...] | None = None
    blank_response: BlankResponseRecord | None = None
    recordings: RecordingsRecord | None = None

    def of(self, characteristic: str) -> Any:  # noqa: ANN401 (each has a record of its own)
        """What was found of a characteristic that has a package of its own."""
        return getattr(self, characteristic)


class AnalyteRecord(Record, frozen=True, kw_only=True):
    """One analyte."""

    unit: str
    signal_unit: str
    confidence: float
    configurations: dict[str, ConfigurationRecord]


class SignalGain(Record, frozen=True, kw_only=True):
    """Ratio of the signals of two configurations at one level."""

    level: float
    gain: EstimateRecord


class ComparedConfiguration(Record, frozen=True, kw_only=True):
    """One configuration against the reference.

    ``slope_difference`` is Welch's test, which decides; ``slope_difference_pooled`` stands beside it, with
    the ``variance_ratio`` of the residuals on which pooling rests. Intervals are simultaneous as
    ``adjustment`` says.
    """

    configuration: str
    slope_ratio: EstimateRecord | NotAssessed
    slope_difference: TTest | NotAssessed
    slope_difference_pooled: TTest | NotAssessed | None = None
    variance_ratio: FTest | NotAssessed | None = None
    sensitivity_per_area: EstimateRecord | None = None
    detection_limit_ratio: EstimateRecord | NotAssessed
    signal_gain: SignalGain | NotAssessed
    adjusted_p: float | None = None
    adjustment: str = ""


class ConfigurationComparison(Record, frozen=True, kw_only=True):
    """Configurations compared for one analyte; ``common_slope`` asks whether three or more have one slope."""

    reference: str
    compared: tuple[ComparedConfiguration, ...]
    common_slope: FTest | NotAssessed | None = None


class Software(Record, frozen=True, kw_only=True):
    """What computed the numbers."""

    name: str
    version: str
    numpy: str
    scipy: str


class StudyIdentity(Record, frozen=True, kw_only=True):
    """Which study this is."""

    always: ClassVar[tuple[str, ...]] = ("id", "version", "matrix", "intended_use")
    title: str
    id: str | None = None
    version: str | None = None
    matrix: str | None = None
    intended_use: str | None = None
    guidance: tuple[str, ...] = ()


class InputRecord(Record, frozen=True, kw_only=True):
    """A file that was read; ``remarks`` say how what was not certain in it was taken."""

    path: str
    sha256: str
    role: str
    remarks: tuple[str, ...] | None = None


class Results(Record, frozen=True, kw_only=True):
    """The whole results file; ``assessment`` is added by the assessment room."""

    format: Literal["validation-results/2"] = "validation-results/2"
    software: Software
    study: StudyIdentity
    inputs: tuple[InputRecord, ...]
    analytes: dict[str, AnalyteRecord]
    comparison_of_configurations: dict[str, ConfigurationComparison] = field(default_factory=dict)
    plan: PlanComparison | None = None
    censored: dict[str, int] | None = None
    assessment: Assessment | None = None
