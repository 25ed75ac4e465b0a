"""What an evaluation yields: the records of ``results.json`` (format ``validation-results/1``).

Field names and their order are the keys and the order of the file; ``validator.evaluation.serialise`` writes
and reads them. A record drops what is None, except the fields in ``always``, written as ``null``.
"""

from __future__ import annotations

from validator.evaluation.results.assessment import (
    Assessment,
    Caveat,
    DesignFinding,
    Finding,
    Outcome,
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
    TestRecord,
    TTest,
)
from validator.evaluation.results.calibration import (
    CalibrationPoint,
    CalibrationRecord,
    CalibrationSummary,
    Homoscedasticity,
    Influence,
    LevelUncertainty,
    LinearRange,
    LinearRangeStep,
    Normality,
    Range,
    ReadingScatter,
    RunsTest,
    WeightingStep,
)
from validator.evaluation.results.detection import (
    DeclaredLimit,
    DetectionRecord,
    LimitValue,
    LimitVariant,
)
from validator.evaluation.results.precision import (
    OutlierRecord,
    PrecisionRecord,
)
from validator.evaluation.results.selectivity import (
    InterferenceRecord,
)
from validator.evaluation.results.trueness import (
    Equivalence,
    RecoveryRecord,
)
from validator.evaluation.results.whole import (
    FORMAT,
    AnalyteRecord,
    ComparedConfiguration,
    ConfigurationComparison,
    ConfigurationRecord,
    InputRecord,
    Results,
    Software,
    StudyIdentity,
)

__all__ = [
    "FORMAT",
    "AnalyteRecord",
    "Assessment",
    "CalibrationPoint",
    "CalibrationRecord",
    "CalibrationSummary",
    "Caveat",
    "ComparedConfiguration",
    "ConfigurationComparison",
    "ConfigurationRecord",
    "DeclaredLimit",
    "DesignFinding",
    "DetectionRecord",
    "Equivalence",
    "EstimateRecord",
    "ExcludedPoint",
    "FTest",
    "Finding",
    "Homoscedasticity",
    "Influence",
    "InputRecord",
    "InterferenceRecord",
    "Interval",
    "LevelUncertainty",
    "LimitValue",
    "LimitVariant",
    "LinearRange",
    "LinearRangeStep",
    "Normality",
    "NotAssessed",
    "Outcome",
    "OutlierRecord",
    "PrecisionRecord",
    "Range",
    "ReadingScatter",
    "Record",
    "RecoveryRecord",
    "Results",
    "RunsTest",
    "Severity",
    "Software",
    "StudyIdentity",
    "TTest",
    "TestRecord",
    "Verdict",
    "WeightingStep",
]
