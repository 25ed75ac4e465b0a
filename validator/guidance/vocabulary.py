"""The closed lists a guidance profile may draw on, each entry with its meaning in one line.

What a profile can ask for is exactly what stands here: characteristics, design counters, acceptance figures.
The assessment implements every counter and every figure; nothing about a single document is written in code.
"""

from __future__ import annotations

from enum import StrEnum


class Binding(StrEnum):
    """What gives a document its force."""

    LAW = "law"
    CONTRACT = "contract"
    GUIDANCE = "guidance"


class JudgedBy(StrEnum):
    """What of a figure the document holds against its limits."""

    ESTIMATE = "estimate"
    INTERVAL = "interval"


class Status(StrEnum):
    """Weight of an acceptance limit."""

    REQUIRED = "required"
    RECOMMENDED = "recommended"
    CUSTOMARY = "customary"
    """No document demands it; the dossier says so and the user may override it."""


class Place(StrEnum):
    """The levels at which an acceptance limit is held against the figure."""

    EVERY_LEVEL = "every_level"
    LOWEST_LEVEL = "lowest_level"
    OTHER_LEVELS = "other_levels"
    """Every level but the lowest."""
    LEGAL_LIMIT = "legal_limit"
    """The level nearest to, or the value interpolated at, the analyte's legal limit."""


class Kind(StrEnum):
    """What a method is for, where a document asks for different things."""

    ANY = "any"
    ASSAY = "assay"
    IMPURITY_QUANTITATIVE = "impurity_quantitative"
    IMPURITY_LIMIT = "impurity_limit"
    IDENTIFICATION = "identification"
    TRACE = "trace"
    SCREENING = "screening"


class Topic(StrEnum):
    """Subject of a rule about how the work is done and reported, where no figure is judged."""

    PLANNING = "planning"
    REPORTING = "reporting"
    DECISION_RULE = "decision_rule"
    DATA_CONTROL = "data_control"
    QUALITY_CONTROL = "quality_control"
    OUTLIER_TREATMENT = "outlier_treatment"
    SYSTEM_SUITABILITY = "system_suitability"
    CHANGE_CONTROL = "change_control"


class Characteristic(StrEnum):
    """The performance characteristics, by the ids of the study description."""

    LINEARITY = "linearity"
    LACK_OF_FIT = "lack_of_fit"
    RESIDUAL_PATTERN = "residual_pattern"
    WORKING_RANGE = "working_range"
    SENSITIVITY = "sensitivity"
    DETECTION_LIMIT = "detection_limit"
    QUANTIFICATION_LIMIT = "quantification_limit"
    DECISION_LIMIT = "decision_limit"
    DETECTION_CAPABILITY = "detection_capability"
    REPEATABILITY = "repeatability"
    INTERMEDIATE_PRECISION = "intermediate_precision"
    REPRODUCIBILITY = "reproducibility"
    TRUENESS = "trueness"
    RECOVERY = "recovery"
    SELECTIVITY = "selectivity"
    INTERFERENCE = "interference"
    MATRIX_EFFECT = "matrix_effect"
    ROBUSTNESS = "robustness"
    STABILITY = "stability"
    CARRY_OVER = "carry_over"
    DEVICE_TO_DEVICE = "device_to_device"
    REPEATED_USE = "repeated_use"
    UNCERTAINTY = "uncertainty"
    ACCURACY_PROFILE = "accuracy_profile"
    METHOD_COMPARISON = "method_comparison"
