"""YAML and tables in, a frozen ``Study`` out. No statistics, no guidance, no text for reports."""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING

if TYPE_CHECKING:
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
    from validator.study.models.stability import StabilityRun
    from validator.study.models.study import DEFAULT_CONFIGURATION, FORMAT, Study
    from validator.study.models.trueness import ComparisonRun, RecoveryRun
    from validator.study.models.uncertainty import Bias, Component, UncertaintyBlock
    from validator.study.reading import read_study

_HOMES = {
    "curves": "Curve",
    "files": "InputFile",
    "models.analysis": "Analysis AnalysisChoices CalibrationChoices",
    "models.base": "LessThan",
    "models.blanks": "BlankRun LowLevelRun NoiseRun",
    "models.calibration": "CalibrationRun MatrixCalibrationRun StandardAdditionRun",
    "models.criteria": "Criterion",
    "models.method": "Analyte Configuration",
    "models.precision": "PrecisionRun RepeatedUseRun",
    "models.recordings": "Peak RecordedRun RecordingsBlock",
    "models.robustness": "RobustnessBlock RobustnessRun",
    "models.runs": "Block Run",
    "models.selectivity": "InterferenceRun",
    "models.stability": "StabilityRun",
    "models.study": "DEFAULT_CONFIGURATION FORMAT Study",
    "models.trueness": "ComparisonRun RecoveryRun",
    "models.uncertainty": "Bias Component UncertaintyBlock",
    "reading": "read_study",
}
_HOME_OF = {name: home for home, names in _HOMES.items() for name in names.split()}
"""Loaded when asked for: a toolkit of this room can be had without the models of every block."""

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


def __getattr__(name: str) -> object:
    if name in _HOME_OF:
        return getattr(import_module(f"{__name__}.{_HOME_OF[name]}"), name)
    raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
