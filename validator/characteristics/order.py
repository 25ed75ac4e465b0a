"""The list of performance characteristics, in the order of study, results and guidance."""

from __future__ import annotations

from functools import partial
from typing import TYPE_CHECKING, Literal

from validator.characteristics import Characteristic, Figure
from validator.characteristics.carry_over import CARRY_OVER
from validator.characteristics.robustness import ROBUSTNESS
from validator.characteristics.stability import STABILITY

if TYPE_CHECKING:
    from collections.abc import Mapping

_OF_LINE = {
    "back_calculation_error_percent": Figure(
        "absolute relative error of the mean back-calculated value of a calibration level",
        "%",
        per_level=True,
    ),
    "calibrators_within_limit_percent": Figure(
        "proportion of calibration standards within the back-calculation limits", "%"
    ),
    "lack_of_fit_p": Figure(
        "p (F test of lack of fit against pure error)", criterion=("lack_of_fit", "p_min")
    ),
    "quadratic_test_p": Figure(
        "p (Mandel's test, straight line against second-order function)", criterion=("linearity", "p_min")
    ),
    "runs_test_p": Figure("p (runs test of the residual signs)", criterion=("residual_pattern", "p_min")),
    "residual_normality_p": Figure("p (Shapiro–Wilk test of the residuals)"),
    "variance_ratio_p": Figure("p (F test of the variances at the lowest and highest level, two-sided)"),
    "intercept_p": Figure("p (t test of the intercept against zero, two-sided)"),
    "r_squared": Figure("coefficient of determination (for information)", information_only=True),
    "correlation": Figure("correlation coefficient (for information)", information_only=True),
    "method_standard_deviation_percent": Figure(
        "method coefficient of variation (residual standard deviation / slope / mean level)", "%"
    ),
}
_of_calibration = partial(
    Characteristic,
    ideal=None,
    found=("calibration",),
    figures=_OF_LINE,
    block="calibration",
    section="calibration",
    family="calibration",
    counters=frozenset(
        {
            *("levels", "levels_above_zero", "replicates_per_level", "replicates_at_lowest_level"),
            *("replicates_at_highest_level", "determinations", "series", "dates"),
        }
    ),
)
_of_limits = partial(
    Characteristic,
    takes=("max",),
    unit="level",
    block="blanks",
    section="limits",
    family="limits",
    of=("independent blank or preparation", "independent blanks or preparations"),
    counters=frozenset(
        {
            *("blanks", "low_level_samples", "batches", "dates", "instruments"),
            *("levels", "levels_above_zero", "replicates_per_level"),
        }
    ),
)
_COUNTED_FOR_PRECISION = frozenset(
    {
        *("levels", "replicates_per_level", "determinations", "series", "replicates_per_series", "dates"),
        *("operators", "instruments", "samples"),
    }
)
_of_residues = partial(
    Characteristic,
    takes=("min", "max"),
    unit="level",
    ideal=None,
    block="precision",
    section="decision-limits",
    of=("series", "series"),
    counters=_COUNTED_FOR_PRECISION,
)
_of_precision = partial(
    Characteristic,
    takes=("rsd_max", "max"),
    unit="level",
    block="precision",
    section="precision",
    family="precision",
    deviation_in=("precision",),
    counters=_COUNTED_FOR_PRECISION,
)
_of_trueness = partial(
    Characteristic,
    block="recovery",
    section="trueness",
    family="trueness",
    tolerates="bias",
    of=("independent result or series", "independent results or series"),
    planned_in="recovery",
    counters=_COUNTED_FOR_PRECISION | {"reference_materials", "recoveries", "matrices"},
    figures={
        "mean_recovery_percent": Figure("mean recovery", "%", ("recovery", "min"), per_level=True),
        "relative_bias_percent": Figure(
            "relative bias (mean recovery − 100 %)", "%", ("trueness", "max"), per_level=True
        ),
        "bias_test_p": Figure(
            "p (t test of the bias against zero, two-sided)", criterion=("trueness", "p_min"), per_level=True
        ),
    },
)
_of_interference = partial(
    Characteristic,
    takes=("min", "max", "tolerated_ratio_min"),
    quantity="change",
    is_change=True,
    block="interference",
    section="selectivity",
    family="selectivity",
)
_RATIOS = {
    "relative_change_percent": Figure(
        "absolute relative change of the result or signal caused by an interferent", "%"
    ),
    "tolerance_ratio": Figure("largest ratio of interferent to analyte tested within the permitted change"),
}


ORDER: tuple[Characteristic, ...] = (
    _of_calibration(
        name="linearity",
        takes=("min", "p_min"),
        quantity="correlation coefficient",
        unit="1",
        ideal=1.0,
        excluded_in=("calibration",),
    ),
    _of_calibration(
        name="lack_of_fit",
        takes=("p_min",),
        found=("calibration.lack_of_fit",),
    ),
    _of_calibration(
        name="residual_pattern",
        takes=("p_min",),
    ),
    _of_calibration(
        name="working_range",
        takes=("min", "max"),
        quantity="end of the calibrated range",
        unit="level",
        figures={
            **_OF_LINE,
            "range_lower_percent_of_specification": Figure(
                "lower end of the working range, relative to the lower specification limit", "%"
            ),
            "range_upper_percent_of_specification": Figure(
                "upper end of the working range relative to the upper specification limit", "%"
            ),
        },
    ),
    _of_calibration(
        name="sensitivity",
        takes=("min", "max"),
        quantity="slope",
        unit="slope",
        planned_in="calibration",
    ),
    _of_limits(
        name="detection_limit",
        quantity="detection limit",
        found=("detection.detection_limit",),
        excluded_in=("blanks", "low_level"),
        figures={
            "detection_limit_percent_of_legal_limit": Figure(
                "declared detection limit relative to the legal limit", "%"
            ),
            "spike_over_detection_limit": Figure(
                "ratio of the low-level spike to the detection limit obtained from it"
            ),
        },
    ),
    _of_limits(
        name="quantification_limit",
        quantity="quantification limit",
        found=("detection.quantification_limit",),
        figures={
            "quantification_limit_percent_of_legal_limit": Figure(
                "declared quantification limit relative to the legal limit", "%"
            ),
        },
    ),
    _of_residues(
        name="decision_limit",
        quantity="decision limit",
        figures={
            "decision_limit_percent_of_reference_point": Figure(
                "decision limit CCα of an unauthorised substance relative to the reference point for action",
                "%",
            ),
        },
    ),
    _of_residues(
        name="detection_capability",
        quantity="detection capability",
        figures={
            "detection_capability_percent_of_level_of_interest": Figure(
                "detection capability CCβ relative to the legal limit, or to the reference point for action",
                "%",
            ),
        },
    ),
    _of_precision(
        name="repeatability",
        quantity="repeatability standard deviation",
        found=("precision.repeatability_sd",),
        excluded_in=("precision",),
        planned_in="precision",
        figures={
            "repeatability_rsd_percent": Figure(
                "repeatability RSD", "%", ("repeatability", "rsd_max"), per_level=True
            ),
            "horrat_repeatability": Figure(
                "HorRat (r): repeatability RSD / share of the Horwitz prediction named in the document",
                per_level=True,
            ),
        },
    ),
    _of_precision(
        name="intermediate_precision",
        quantity="intermediate standard deviation",
        found=("precision.intermediate_sd",),
        of=("series", "series"),
        planned_in="precision",
        figures={
            "intermediate_rsd_percent": Figure(
                "intermediate precision RSD", "%", ("intermediate_precision", "rsd_max"), per_level=True
            ),
        },
    ),
    _of_precision(
        name="reproducibility",
        quantity="reproducibility standard deviation",
        found=("precision.reproducibility_sd",),
        told_by="laboratory",
        of=("laboratory", "laboratories"),
        counters=frozenset(
            {"levels", "samples", "laboratories", "replicates_per_laboratory", "determinations"}
        ),
        figures={
            "reproducibility_rsd_percent": Figure(
                "reproducibility RSD", "%", ("reproducibility", "rsd_max"), per_level=True
            ),
            "horrat_reproducibility": Figure(
                "HorRat: reproducibility RSD / Horwitz prediction", per_level=True
            ),
        },
    ),
    _of_trueness(
        name="trueness",
        takes=("min", "max", "p_min"),
        quantity="bias",
        is_change=True,
        found=("recovery", "comparison"),
        excluded_in=("standard_addition",),
    ),
    _of_trueness(
        name="recovery",
        takes=("min", "max"),
        quantity="recovery",
        ideal=100.0,
    ),
    _of_interference(
        name="selectivity",
        found=("interference", "blank_response"),
        counters=frozenset({"blanks", "matrices", "samples", "interferents"}),
        figures={
            "blank_response_percent_of_quantification_limit": Figure(
                "largest blank result relative to the quantification (reporting) limit", "%"
            ),
            **_RATIOS,
        },
    ),
    _of_interference(
        name="interference",
        counters=frozenset({"interferents", "ratios", "replicates_per_ratio"}),
        figures=_RATIOS,
    ),
    Characteristic(
        name="matrix_effect",
        takes=("min", "max"),
        quantity="change of the slope",
        is_change=True,
        block="matrix_calibration",
        excluded_in=("matrix_calibration",),
        section="matrix",
        names_things=True,
        counters=frozenset({"matrices", "levels", "replicates_per_level", "additions"}),
        figures={
            "matrix_effect_percent": Figure(
                "matrix effect, 100 (slope in matrix / slope in solvent − 1)", "%", ("matrix_effect", "max")
            ),
            "matrix_spread_rsd_percent": Figure("RSD of the slope ratio between matrices or lots", "%"),
        },
    ),
    ROBUSTNESS,
    STABILITY,
    CARRY_OVER,
    Characteristic(
        name="device_to_device",
        takes=("rsd_max", "max"),
        quantity="standard deviation between devices",
        unit="signal",
        block="precision",
        told_by="device",
        section="devices",
        of=("device", "devices"),
        deviation_in=("precision", "repeated_use"),
        counters=frozenset({"devices", "replicates_per_device", "batches"}),
        figures={
            "device_rsd_percent": Figure(
                "between-device RSD", "%", ("device_to_device", "rsd_max"), per_level=True
            ),
        },
    ),
    Characteristic(
        name="repeated_use",
        takes=("rsd_max", "min", "max", "max_change"),
        quantity="remaining part",
        ideal=100.0,
        section="devices",
        deviation_in=("repeated_use",),
        names_things=True,
        counters=frozenset({"devices", "uses"}),
        figures={
            "remaining_response_percent": Figure(
                "result at the last time or use, relative to the initial or nominal value",
                "%",
                ("repeated_use", "min"),
            ),
            "repeated_use_rsd_percent": Figure(
                "RSD over repeated use of one device", "%", ("repeated_use", "rsd_max")
            ),
        },
    ),
    Characteristic(
        name="uncertainty",
        takes=("rsd_max", "max"),
        quantity="expanded uncertainty",
        unit="level",
        block="precision",
        planned_in="precision",
        counters=frozenset(
            {"control_results", "laboratory_comparisons", "reference_materials", "recoveries", "levels"}
        ),
        figures={
            "expanded_uncertainty_percent": Figure(
                "relative expanded uncertainty (k = 2)", "%", per_level=True
            ),
        },
    ),
    Characteristic(
        name="accuracy_profile",
        ideal=None,
        takes=("min", "max"),
        quantity="end of the range of the profile",
        unit="level",
        block="precision",
        planned_in="precision",
        counters=frozenset({"levels", "series", "replicates_per_series"}),
        figures={
            "tolerance_bound_percent": Figure(
                "larger absolute limit of the β-expectation tolerance interval of the relative error",
                "%",
                per_level=True,
            ),
        },
    ),
    Characteristic(
        name="method_comparison",
        takes=("min", "max", "p_min"),
        quantity="mean difference",
        is_change=True,
        block="comparison",
        found=("comparison",),
        excluded_in=("comparison",),
        of=("sample", "samples"),
        tolerates="difference",
        counters=frozenset({"samples"}),
        figures={
            "mean_difference_percent": Figure(
                "mean difference from the reference method, relative to the mean of both methods",
                "%",
                ("method_comparison", "max"),
            ),
            "mean_difference_p": Figure(
                "p (paired t test against the reference method, two-sided)",
                criterion=("method_comparison", "p_min"),
            ),
        },
    ),
)

PACKAGES = tuple(one for one in ORDER if one.home)
"""Those with a package of their own: their blocks, records, figures and caveats are found there."""

FIRST_OF: dict[str, str] = {}
for _one in PACKAGES:
    FIRST_OF.setdefault(_one.section, _one.name)
"""Sections that packages make, in order, and the first of each, under whose words it stands."""

CHARACTERISTICS: Mapping[str, Characteristic] = {one.name: one for one in ORDER}
FIGURES: Mapping[str, Figure] = {
    name: figure for one in reversed(ORDER) for name, figure in one.figures.items()
}
"""Every figure by its name; the same name means the same of the first characteristic that has it."""

if TYPE_CHECKING:
    CharacteristicName = str
    FigureName = str
else:  # pydantic checks the names, and the schemas list them
    CharacteristicName = Literal[tuple(CHARACTERISTICS)]
    FigureName = Literal[tuple(FIGURES)]


def family(name: str) -> frozenset[str]:
    """The characteristics of one family."""
    return frozenset(one.name for one in ORDER if one.family == name)
