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
from validator.evaluation.results.calibration import (
    CalibrationPoint,
    CalibrationRecord,
    CalibrationSummary,
    FittedFunction,
    Homoscedasticity,
    Influence,
    LevelMisfit,
    LevelUncertainty,
    LinearRange,
    Normality,
    ReadingScatter,
    RunsTest,
    SeriesLine,
    SeriesOfLines,
)
from validator.evaluation.results.detection import (
    BlankResponseRecord,
    DeclaredLimit,
    DetectionRecord,
    LimitValue,
    LimitVariant,
    ResidueLimitRecord,
)
from validator.evaluation.results.plan import (
    PlanComparison,
    PlanDifference,
)
from validator.evaluation.results.precision import (
    AnalysisOfVarianceRecord,
    ConsistencyRecord,
    DeviceMean,
    DeviceToDeviceRecord,
    DeviceUses,
    DuplicatesRecord,
    LaboratoryRecord,
    LevelDependenceRecord,
    OutlierRecord,
    PrecisionRecord,
    RemovalRecord,
    RepeatedUseRecord,
    VarianceComponentRecord,
)
from validator.evaluation.results.recordings import (
    BaselineRecord,
    MaximaRecord,
    NoiseRecord,
    OtherBaselineRecord,
    RecordingsRecord,
    ReducedCurve,
    ReductionSettings,
)
from validator.evaluation.results.trueness import (
    AdditionLinearity,
    AdditionPoint,
    BlandAltmanRecord,
    ComparedSample,
    ComparisonRecord,
    DemingRecord,
    FoundOnAddedRecord,
    InterferenceRecord,
    LinePoint,
    MatrixEffectRecord,
    PairedRecord,
    PassingBablokRecord,
    RecoveryRecord,
    ReplicateScatter,
    StandardAdditionRecord,
    YorkRecord,
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
from validator.records import (
    Equivalence,
    EstimateRecord,
    ExcludedPoint,
    FTest,
    Interval,
    NotAssessed,
    Range,
    Record,
    SignificanceRecord,
    TestRecord,
    TTest,
    value_of,
)
from validator.statistics.found_on_added import CorrectionAdvice
from validator.statistics.interlaboratory import RobustPrecision
from validator.statistics.level_dependence import LevelForm
from validator.statistics.linearity import LinearRangeStep
from validator.statistics.monte_carlo import SimulationCheck
from validator.statistics.repeated_use import DeclineRecord
from validator.statistics.trueness import ReferenceScores
from validator.statistics.weighting import WeightingStep
