"""YAML and tables in, a frozen ``Study`` out. No statistics, no guidance, no text for reports."""

from validator.study.curves import Curve
from validator.study.files import InputFile
from validator.study.models.analysis import Analysis, AnalysisChoices, CalibrationChoices
from validator.study.models.base import LessThan
from validator.study.models.blanks import BlankRun, LowLevelRun, NoiseRun
from validator.study.models.calibration import CalibrationRun, MatrixCalibrationRun, StandardAdditionRun
from validator.study.models.criteria import Criterion
from validator.study.models.method import Analyte, Configuration
from validator.study.models.precision import PrecisionRun, RepeatedUseRun
from validator.study.models.recordings import Peak, RecordedRun, RecordingsBlock
from validator.study.models.robustness import RobustnessBlock, RobustnessRun
from validator.study.models.runs import Block, Run
from validator.study.models.selectivity import InterferenceRun
from validator.study.models.stability import CarryOverRun, StabilityRun
from validator.study.models.study import DEFAULT_CONFIGURATION, FORMAT, Study
from validator.study.models.trueness import ComparisonRun, RecoveryRun
from validator.study.models.uncertainty import Bias, Component, UncertaintyBlock
from validator.study.reading import read_study

__all__ = [
    "DEFAULT_CONFIGURATION",
    "FORMAT",
    "Analysis",
    "AnalysisChoices",
    "Analyte",
    "Bias",
    "BlankRun",
    "Block",
    "CalibrationChoices",
    "CalibrationRun",
    "CarryOverRun",
    "ComparisonRun",
    "Component",
    "Configuration",
    "Criterion",
    "Curve",
    "InputFile",
    "InterferenceRun",
    "LessThan",
    "LowLevelRun",
    "MatrixCalibrationRun",
    "NoiseRun",
    "Peak",
    "PrecisionRun",
    "RecordedRun",
    "RecordingsBlock",
    "RecoveryRun",
    "RepeatedUseRun",
    "RobustnessBlock",
    "RobustnessRun",
    "Run",
    "StabilityRun",
    "StandardAdditionRun",
    "Study",
    "UncertaintyBlock",
    "read_study",
]
