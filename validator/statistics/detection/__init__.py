"""Detection and quantification limits by every variant the data allow. No study, no files, no verdicts."""

from validator.statistics.detection.inputs import (
    DetectionInputs,
    LowLevelSample,
    NoiseReading,
    PrecisionLevel,
    RecoveryLevel,
)
from validator.statistics.detection.intervals import ratio_of_limits
from validator.statistics.detection.registry import (
    QUANTIFICATION_ALIASES,
    VARIANTS,
    Variant,
    all_limits,
    limits_by,
    resolve_detection,
    resolve_quantification,
)
from validator.statistics.detection.result import LimitResult

__all__ = [
    "QUANTIFICATION_ALIASES",
    "VARIANTS",
    "DetectionInputs",
    "LimitResult",
    "LowLevelSample",
    "NoiseReading",
    "PrecisionLevel",
    "RecoveryLevel",
    "Variant",
    "all_limits",
    "limits_by",
    "ratio_of_limits",
    "resolve_detection",
    "resolve_quantification",
]
