"""The figures an acceptance limit may be held against, with meaning, unit and place in the results."""

from __future__ import annotations

from enum import StrEnum
from types import MappingProxyType
from typing import TYPE_CHECKING

from msgspec import Struct

from validator.guidance.vocabulary import Characteristic

if TYPE_CHECKING:
    from collections.abc import Mapping


class Figure(StrEnum):
    """A figure that the results hold or that follows from them by one step of arithmetic."""

    BACK_CALCULATION_ERROR_PERCENT = "back_calculation_error_percent"
    CALIBRATORS_WITHIN_LIMIT_PERCENT = "calibrators_within_limit_percent"
    LACK_OF_FIT_P = "lack_of_fit_p"
    QUADRATIC_TEST_P = "quadratic_test_p"
    RUNS_TEST_P = "runs_test_p"
    RESIDUAL_NORMALITY_P = "residual_normality_p"
    VARIANCE_RATIO_P = "variance_ratio_p"
    INTERCEPT_P = "intercept_p"
    R_SQUARED = "r_squared"
    CORRELATION = "correlation"
    METHOD_STANDARD_DEVIATION_PERCENT = "method_standard_deviation_percent"
    RANGE_LOWER_PERCENT_OF_SPECIFICATION = "range_lower_percent_of_specification"
    RANGE_UPPER_PERCENT_OF_SPECIFICATION = "range_upper_percent_of_specification"
    DETECTION_LIMIT_PERCENT_OF_LEGAL_LIMIT = "detection_limit_percent_of_legal_limit"
    QUANTIFICATION_LIMIT_PERCENT_OF_LEGAL_LIMIT = "quantification_limit_percent_of_legal_limit"
    DECISION_LIMIT_PERCENT_OF_REFERENCE_POINT = "decision_limit_percent_of_reference_point"
    DETECTION_CAPABILITY_PERCENT_OF_LEVEL_OF_INTEREST = "detection_capability_percent_of_level_of_interest"
    SPIKE_OVER_DETECTION_LIMIT = "spike_over_detection_limit"
    REPEATABILITY_RSD_PERCENT = "repeatability_rsd_percent"
    INTERMEDIATE_RSD_PERCENT = "intermediate_rsd_percent"
    REPRODUCIBILITY_RSD_PERCENT = "reproducibility_rsd_percent"
    HORRAT_REPEATABILITY = "horrat_repeatability"
    HORRAT_REPRODUCIBILITY = "horrat_reproducibility"
    MEAN_RECOVERY_PERCENT = "mean_recovery_percent"
    RELATIVE_BIAS_PERCENT = "relative_bias_percent"
    BIAS_TEST_P = "bias_test_p"
    BLANK_RESPONSE_PERCENT_OF_QUANTIFICATION_LIMIT = "blank_response_percent_of_quantification_limit"
    RELATIVE_CHANGE_PERCENT = "relative_change_percent"
    TOLERANCE_RATIO = "tolerance_ratio"
    MATRIX_EFFECT_PERCENT = "matrix_effect_percent"
    MATRIX_SPREAD_RSD_PERCENT = "matrix_spread_rsd_percent"
    ROBUSTNESS_EFFECT_PERCENT = "robustness_effect_percent"
    REMAINING_RESPONSE_PERCENT = "remaining_response_percent"
    CARRY_OVER_PERCENT_OF_QUANTIFICATION_LIMIT = "carry_over_percent_of_quantification_limit"
    DEVICE_RSD_PERCENT = "device_rsd_percent"
    REPEATED_USE_RSD_PERCENT = "repeated_use_rsd_percent"
    EXPANDED_UNCERTAINTY_PERCENT = "expanded_uncertainty_percent"
    TOLERANCE_BOUND_PERCENT = "tolerance_bound_percent"
    MEAN_DIFFERENCE_PERCENT = "mean_difference_percent"
    MEAN_DIFFERENCE_P = "mean_difference_p"


class FigureMeaning(Struct, frozen=True):
    """What a figure is.

    Attributes:
        meaning: in words, precise enough to implement.
        unit: "%", "" for a plain ratio or a probability.
        characteristics: those it may be asked for.
        found_in: path in the results, or the step that leads from them to the figure.
        per_level: one value per level; such a limit may say at which levels it holds.
        information_only: shown, never decisive.
    """

    meaning: str
    unit: str
    characteristics: frozenset[Characteristic]
    found_in: str
    per_level: bool = False
    information_only: bool = False


_LINE = frozenset(
    {
        Characteristic.LINEARITY,
        Characteristic.LACK_OF_FIT,
        Characteristic.RESIDUAL_PATTERN,
        Characteristic.WORKING_RANGE,
        Characteristic.SENSITIVITY,
    }
)
_TRUE = frozenset({Characteristic.TRUENESS, Characteristic.RECOVERY})


def _only(characteristic: Characteristic) -> frozenset[Characteristic]:
    return frozenset({characteristic})


FIGURE_MEANINGS: Mapping[Figure, FigureMeaning] = MappingProxyType(
    {
        Figure.BACK_CALCULATION_ERROR_PERCENT: FigureMeaning(
            "absolute relative error of the mean back-calculated value of a calibration level",
            "%",
            _LINE,
            "calibration.points: mean of back_calculated by level against level",
            per_level=True,
        ),
        Figure.CALIBRATORS_WITHIN_LIMIT_PERCENT: FigureMeaning(
            "proportion of calibration standards within the back-calculation limits",
            "%",
            _LINE,
            "calibration.points: relative_error_percent against back_calculation_error_percent",
        ),
        Figure.LACK_OF_FIT_P: FigureMeaning(
            "p (F test of lack of fit against pure error)", "", _LINE, "calibration.lack_of_fit.p"
        ),
        Figure.QUADRATIC_TEST_P: FigureMeaning(
            "p (Mandel's test, straight line against second-order function)",
            "",
            _LINE,
            "calibration.quadratic_test.p",
        ),
        Figure.RUNS_TEST_P: FigureMeaning(
            "p (runs test of the residual signs)", "", _LINE, "calibration.runs_test.p"
        ),
        Figure.RESIDUAL_NORMALITY_P: FigureMeaning(
            "p (Shapiro–Wilk test of the residuals)", "", _LINE, "calibration.normality.p"
        ),
        Figure.VARIANCE_RATIO_P: FigureMeaning(
            "p (F test of the variances at the lowest and highest level, two-sided)",
            "",
            _LINE,
            "calibration.homoscedasticity.variance_ratio.p",
        ),
        Figure.INTERCEPT_P: FigureMeaning(
            "p (t test of the intercept against zero, two-sided)", "", _LINE, "calibration.intercept_test.p"
        ),
        Figure.R_SQUARED: FigureMeaning(
            "coefficient of determination (for information)",
            "",
            _LINE,
            "calibration.r_squared",
            information_only=True,
        ),
        Figure.CORRELATION: FigureMeaning(
            "correlation coefficient (for information)",
            "",
            _LINE,
            "calibration.correlation",
            information_only=True,
        ),
        Figure.METHOD_STANDARD_DEVIATION_PERCENT: FigureMeaning(
            "method coefficient of variation (residual standard deviation / slope / mean level)",
            "%",
            _LINE,
            "calibration.method_standard_deviation_percent",
        ),
        Figure.RANGE_LOWER_PERCENT_OF_SPECIFICATION: FigureMeaning(
            "lower end of the working range, relative to the lower specification limit",
            "%",
            _only(Characteristic.WORKING_RANGE),
            "calibration.working_range.lower against the analyte's specification.lower",
        ),
        Figure.RANGE_UPPER_PERCENT_OF_SPECIFICATION: FigureMeaning(
            "upper end of the working range relative to the upper specification limit",
            "%",
            _only(Characteristic.WORKING_RANGE),
            "calibration.working_range.upper against the analyte's specification.upper",
        ),
        Figure.DETECTION_LIMIT_PERCENT_OF_LEGAL_LIMIT: FigureMeaning(
            "declared detection limit relative to the legal limit",
            "%",
            _only(Characteristic.DETECTION_LIMIT),
            "detection.detection_limit against the analyte's legal_limit",
        ),
        Figure.DECISION_LIMIT_PERCENT_OF_REFERENCE_POINT: FigureMeaning(
            "decision limit CCα of an unauthorised substance relative to the reference point for action",
            "%",
            _only(Characteristic.DECISION_LIMIT),
            "decision_limit.value against the analyte's reference_point_for_action",
        ),
        Figure.DETECTION_CAPABILITY_PERCENT_OF_LEVEL_OF_INTEREST: FigureMeaning(
            "detection capability CCβ relative to the legal limit, or to the reference point for action",
            "%",
            _only(Characteristic.DETECTION_CAPABILITY),
            "detection_capability.value against the analyte's legal_limit or reference_point_for_action",
        ),
        Figure.QUANTIFICATION_LIMIT_PERCENT_OF_LEGAL_LIMIT: FigureMeaning(
            "declared quantification limit relative to the legal limit",
            "%",
            _only(Characteristic.QUANTIFICATION_LIMIT),
            "detection.quantification_limit against the analyte's legal_limit",
        ),
        Figure.SPIKE_OVER_DETECTION_LIMIT: FigureMeaning(
            "ratio of the low-level spike to the detection limit obtained from it",
            "",
            _only(Characteristic.DETECTION_LIMIT),
            "low-level level against detection.variants.epa_mdl.detection_limit",
        ),
        Figure.REPEATABILITY_RSD_PERCENT: FigureMeaning(
            "repeatability RSD",
            "%",
            _only(Characteristic.REPEATABILITY),
            "precision[].repeatability_rsd",
            per_level=True,
        ),
        Figure.INTERMEDIATE_RSD_PERCENT: FigureMeaning(
            "intermediate precision RSD",
            "%",
            _only(Characteristic.INTERMEDIATE_PRECISION),
            "precision[].intermediate_rsd",
            per_level=True,
        ),
        Figure.REPRODUCIBILITY_RSD_PERCENT: FigureMeaning(
            "reproducibility RSD",
            "%",
            _only(Characteristic.REPRODUCIBILITY),
            "precision[].reproducibility_rsd",
            per_level=True,
        ),
        Figure.HORRAT_REPEATABILITY: FigureMeaning(
            "HorRat (r): repeatability RSD / share of the Horwitz prediction named in the document",
            "",
            _only(Characteristic.REPEATABILITY),
            "precision[].repeatability_rsd over the profile's horrat_share of precision[].thompson_rsd",
            per_level=True,
        ),
        Figure.HORRAT_REPRODUCIBILITY: FigureMeaning(
            "HorRat: reproducibility RSD / Horwitz prediction",
            "",
            _only(Characteristic.REPRODUCIBILITY),
            "precision[].reproducibility_rsd over precision[].thompson_rsd",
            per_level=True,
        ),
        Figure.MEAN_RECOVERY_PERCENT: FigureMeaning(
            "mean recovery", "%", _TRUE, "recovery[].mean_recovery", per_level=True
        ),
        Figure.RELATIVE_BIAS_PERCENT: FigureMeaning(
            "relative bias (mean recovery − 100 %)",
            "%",
            _TRUE,
            "recovery[].mean_recovery - 100",
            per_level=True,
        ),
        Figure.BIAS_TEST_P: FigureMeaning(
            "p (t test of the bias against zero, two-sided)", "", _TRUE, "recovery[].p_bias", per_level=True
        ),
        Figure.BLANK_RESPONSE_PERCENT_OF_QUANTIFICATION_LIMIT: FigureMeaning(
            "largest blank result relative to the quantification (reporting) limit",
            "%",
            _only(Characteristic.SELECTIVITY),
            "blanks in concentration against detection.quantification_limit",
        ),
        Figure.RELATIVE_CHANGE_PERCENT: FigureMeaning(
            "absolute relative change of the result or signal caused by an interferent",
            "%",
            frozenset({Characteristic.INTERFERENCE, Characteristic.SELECTIVITY}),
            "interference[].relative_change_percent",
        ),
        Figure.TOLERANCE_RATIO: FigureMeaning(
            "largest ratio of interferent to analyte tested within the permitted change",
            "",
            frozenset({Characteristic.INTERFERENCE, Characteristic.SELECTIVITY}),
            "interference[].tolerance_ratio",
        ),
        Figure.MATRIX_EFFECT_PERCENT: FigureMeaning(
            "matrix effect, 100 (slope in matrix / slope in solvent − 1)",
            "%",
            _only(Characteristic.MATRIX_EFFECT),
            "matrix_effect[].effect_percent",
        ),
        Figure.MATRIX_SPREAD_RSD_PERCENT: FigureMeaning(
            "RSD of the slope ratio between matrices or lots",
            "%",
            _only(Characteristic.MATRIX_EFFECT),
            "standard deviation over mean of matrix_effect[].slope_ratio; its level is the analyte's "
            "legal_limit or reference_point_for_action",
        ),
        Figure.ROBUSTNESS_EFFECT_PERCENT: FigureMeaning(
            "largest absolute effect of a factor, relative to the mean result",
            "%",
            _only(Characteristic.ROBUSTNESS),
            "robustness: effects against the mean",
        ),
        Figure.REMAINING_RESPONSE_PERCENT: FigureMeaning(
            "result at the last time or use, relative to the initial or nominal value",
            "%",
            frozenset({Characteristic.STABILITY, Characteristic.REPEATED_USE}),
            "stability or repeated_use: last against first",
        ),
        Figure.CARRY_OVER_PERCENT_OF_QUANTIFICATION_LIMIT: FigureMeaning(
            "blank after the highest level, relative to the signal at the quantification limit",
            "%",
            _only(Characteristic.CARRY_OVER),
            "carry_over",
        ),
        Figure.DEVICE_RSD_PERCENT: FigureMeaning(
            "between-device RSD",
            "%",
            _only(Characteristic.DEVICE_TO_DEVICE),
            "device_to_device",
            per_level=True,
        ),
        Figure.REPEATED_USE_RSD_PERCENT: FigureMeaning(
            "RSD over repeated use of one device",
            "%",
            _only(Characteristic.REPEATED_USE),
            "repeated_use",
        ),
        Figure.EXPANDED_UNCERTAINTY_PERCENT: FigureMeaning(
            "relative expanded uncertainty (k = 2)",
            "%",
            _only(Characteristic.UNCERTAINTY),
            "uncertainty",
            per_level=True,
        ),
        Figure.TOLERANCE_BOUND_PERCENT: FigureMeaning(
            "larger absolute limit of the β-expectation tolerance interval of the relative error",
            "%",
            _only(Characteristic.ACCURACY_PROFILE),
            "accuracy_profile",
            per_level=True,
        ),
        Figure.MEAN_DIFFERENCE_PERCENT: FigureMeaning(
            "mean difference from the reference method, relative to the mean of both methods",
            "%",
            _only(Characteristic.METHOD_COMPARISON),
            "comparison.paired.mean_difference",
        ),
        Figure.MEAN_DIFFERENCE_P: FigureMeaning(
            "p (paired t test against the reference method, two-sided)",
            "",
            _only(Characteristic.METHOD_COMPARISON),
            "comparison.paired.test.p",
        ),
    }
)
"""The meaning of each figure."""


def limited_by(figure: Figure) -> tuple[str, ...]:
    """The words a limit on *figure* is written with, those of the criteria of a study."""
    if figure.endswith("_p"):
        return ("p_min",)
    if figure.endswith("_rsd_percent"):
        return ("rsd_max",)
    return ("min", "max", "within")
