"""Figures on plain arrays: what is drawn is handed in, a Figure comes out. No study, no results, no files."""

from validator.dossier.figure_style import to_outlined_svg, to_pdf, to_png, to_svg
from validator.dossier.figures.calibration import (
    Line,
    calibration_and_residuals_figure,
    calibration_figure,
    residual_figure,
    response_factor_figure,
)
from validator.dossier.figures.comparison import (
    ConfigurationLine,
    difference_figure,
    method_comparison_figure,
    overlay_figure,
)
from validator.dossier.figures.curves import accuracy_profile_figure, trend_figure
from validator.dossier.figures.parts import AxisText, Measured
from validator.dossier.figures.precision import (
    ConsistencyLevel,
    PrecisionComponents,
    PrecisionLevel,
    consistency_figure,
    precision_components_figure,
    precision_figure,
)
from validator.dossier.figures.rows import (
    EffectRow,
    InterferenceRow,
    LimitRow,
    RatioRow,
    RecoveryLevel,
    contribution_figure,
    effects_figure,
    interference_figure,
    limits_figure,
    ratio_forest_figure,
    recovery_figure,
)

__all__ = [
    "AxisText",
    "ConfigurationLine",
    "ConsistencyLevel",
    "EffectRow",
    "InterferenceRow",
    "LimitRow",
    "Line",
    "Measured",
    "PrecisionComponents",
    "PrecisionLevel",
    "RatioRow",
    "RecoveryLevel",
    "accuracy_profile_figure",
    "calibration_and_residuals_figure",
    "calibration_figure",
    "consistency_figure",
    "contribution_figure",
    "difference_figure",
    "effects_figure",
    "interference_figure",
    "limits_figure",
    "method_comparison_figure",
    "overlay_figure",
    "precision_components_figure",
    "precision_figure",
    "ratio_forest_figure",
    "recovery_figure",
    "residual_figure",
    "response_factor_figure",
    "to_outlined_svg",
    "to_pdf",
    "to_png",
    "to_svg",
    "trend_figure",
]
