"""What an evaluation yields: the records of ``results.json`` (format ``validation-results/2``).

Field names and their order are the keys and the order of the file; ``validator.evaluation.serialise`` writes
and reads them. A record drops what is None, except the fields in ``always``, written as ``null``.
"""

from __future__ import annotations

from validator.evaluation.results.accuracy_profile import (
    AccuracyLevelRecord,
    AccuracyProfileRecord,
    RefusedLevel,
)
from validator.evaluation.results.assessment import (
    AnalyteVerdict,
    Assessment,
    Caveat,
    CaveatSource,
    ClauseRecord,
    DesignFinding,
    Finding,
    Outcome,
    RangeRecord,
    Severity,
    Verdict,
)
from validator.evaluation.results.base import (
    EstimateRecord,
    ExcludedPoint,
    FTest,
    Interval,
    NotAssessed,
    Record,
    SignificanceRecord,
    TestRecord,
    TTest,
    value_of,
)
from validator.evaluation.results.blank_response import (
    BlankResponseRecord,
)
from validator.evaluation.results.calibration import (
    CalibrationPoint,
    CalibrationRecord,
    CalibrationSummary,
    Homoscedasticity,
    Influence,
    LevelMisfit,
    LevelUncertainty,
    LinearRange,
    LinearRangeStep,
    Normality,
    Range,
    ReadingScatter,
    RunsTest,
    WeightingStep,
)
from validator.evaluation.results.carry_over import (
    CarryOverRecord,
)
from validator.evaluation.results.comparison import (
    BlandAltmanRecord,
    ComparedSample,
    ComparisonRecord,
    DemingRecord,
    PairedRecord,
    PassingBablokRecord,
    ReplicateScatter,
    YorkRecord,
)
from validator.evaluation.results.decision_limits import ResidueLimitRecord
from validator.evaluation.results.detection import (
    DeclaredLimit,
    DetectionRecord,
    LimitValue,
    LimitVariant,
)
from validator.evaluation.results.device_to_device import (
    DeviceMean,
    DeviceToDeviceRecord,
)
from validator.evaluation.results.interlaboratory import (
    ConsistencyRecord,
    LaboratoryRecord,
    RobustRecord,
)
from validator.evaluation.results.matrix_effect import (
    LinePoint,
    MatrixEffectRecord,
)
from validator.evaluation.results.plan import (
    PlanComparison,
    PlanDifference,
)
from validator.evaluation.results.precision import (
    AnalysisOfVarianceRecord,
    DuplicatesRecord,
    LevelDependenceRecord,
    LevelFormRecord,
    OutlierRecord,
    PrecisionRecord,
    RemovalRecord,
    VarianceComponentRecord,
)
from validator.evaluation.results.recordings import (
    BaselineRecord,
    RecordingsRecord,
    ReducedCurve,
    ReductionSettings,
)
from validator.evaluation.results.repeated_use import (
    DeclineRecord,
    DeviceUses,
    RepeatedUseRecord,
)
from validator.evaluation.results.robustness import (
    FactorEffectRecord,
    RobustnessRecord,
)
from validator.evaluation.results.selectivity import (
    InterferenceRecord,
)
from validator.evaluation.results.stability import (
    StabilityRecord,
    StabilityTrendRecord,
    TimePoint,
)
from validator.evaluation.results.standard_addition import (
    AdditionLinearity,
    AdditionPoint,
    StandardAdditionRecord,
)
from validator.evaluation.results.trueness import (
    CorrectionRecord,
    Equivalence,
    FoundOnAddedRecord,
    RecoveryRecord,
    ReferenceScoresRecord,
)
from validator.evaluation.results.uncertainty import (
    BudgetRecord,
    ConformityRecord,
    ContributionRecord,
    FormulaRecord,
    GlobalRiskRecord,
    LevelUncertaintyRecord,
    PartRecord,
    ResultConformity,
    SimulatedLevel,
    SimulationCheck,
    SimulationRecord,
    UncertaintyFunction,
    UncertaintyRecord,
)
from validator.evaluation.results.whole import (
    FORMAT,
    AnalyteRecord,
    ComparedConfiguration,
    ConfigurationComparison,
    ConfigurationRecord,
    InputRecord,
    Results,
    SignalGain,
    Software,
    StudyIdentity,
)

__all__ = [
    "FORMAT",
    "AccuracyLevelRecord",
    "AccuracyProfileRecord",
    "AdditionLinearity",
    "AdditionPoint",
    "AnalysisOfVarianceRecord",
    "AnalyteRecord",
    "AnalyteVerdict",
    "Assessment",
    "BaselineRecord",
    "BlandAltmanRecord",
    "BlankResponseRecord",
    "BudgetRecord",
    "CalibrationPoint",
    "CalibrationRecord",
    "CalibrationSummary",
    "CarryOverRecord",
    "Caveat",
    "CaveatSource",
    "ClauseRecord",
    "ComparedConfiguration",
    "ComparedSample",
    "ComparisonRecord",
    "ConfigurationComparison",
    "ConfigurationRecord",
    "ConformityRecord",
    "ConsistencyRecord",
    "ContributionRecord",
    "CorrectionRecord",
    "DeclaredLimit",
    "DeclineRecord",
    "DemingRecord",
    "DesignFinding",
    "DetectionRecord",
    "DeviceMean",
    "DeviceToDeviceRecord",
    "DeviceUses",
    "DuplicatesRecord",
    "Equivalence",
    "EstimateRecord",
    "ExcludedPoint",
    "FTest",
    "FactorEffectRecord",
    "Finding",
    "FormulaRecord",
    "FoundOnAddedRecord",
    "GlobalRiskRecord",
    "Homoscedasticity",
    "Influence",
    "InputRecord",
    "InterferenceRecord",
    "Interval",
    "LaboratoryRecord",
    "LevelDependenceRecord",
    "LevelFormRecord",
    "LevelMisfit",
    "LevelUncertainty",
    "LevelUncertaintyRecord",
    "LimitValue",
    "LimitVariant",
    "LinePoint",
    "LinearRange",
    "LinearRangeStep",
    "MatrixEffectRecord",
    "Normality",
    "NotAssessed",
    "Outcome",
    "OutlierRecord",
    "PairedRecord",
    "PartRecord",
    "PassingBablokRecord",
    "PlanComparison",
    "PlanDifference",
    "PrecisionRecord",
    "Range",
    "RangeRecord",
    "ReadingScatter",
    "Record",
    "RecordingsRecord",
    "RecoveryRecord",
    "ReducedCurve",
    "ReductionSettings",
    "ReferenceScoresRecord",
    "RefusedLevel",
    "RemovalRecord",
    "RepeatedUseRecord",
    "ReplicateScatter",
    "ResidueLimitRecord",
    "ResultConformity",
    "Results",
    "RobustRecord",
    "RobustnessRecord",
    "RunsTest",
    "Severity",
    "SignalGain",
    "SignificanceRecord",
    "SimulatedLevel",
    "SimulationCheck",
    "SimulationRecord",
    "Software",
    "StabilityRecord",
    "StabilityTrendRecord",
    "StandardAdditionRecord",
    "StudyIdentity",
    "TTest",
    "TestRecord",
    "TimePoint",
    "UncertaintyFunction",
    "UncertaintyRecord",
    "VarianceComponentRecord",
    "Verdict",
    "WeightingStep",
    "YorkRecord",
    "value_of",
]
