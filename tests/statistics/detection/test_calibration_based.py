"""Limits from residuals and from the intercept."""

import numpy as np
import pytest
from msgspec.structs import replace

from validator.errors import NotEstimable
from validator.statistics.detection import VARIANTS, DetectionInputs
from validator.statistics.regression import fit
from validator.statistics.variance_function import fit_variance_function

WEIGHTED_LEVELS = np.repeat([1.0, 2.0, 5.0, 10.0], 3)
WEIGHTED_SIGNALS = 0.1 + 0.8 * WEIGHTED_LEVELS * (1 + 0.02 * np.tile([1.0, -1.0, 0.3], 4))


def limits(variant, inputs):
    return VARIANTS[variant].limits(inputs)


def test_multiples_of_the_residual_standard_deviation(study):
    """3.3 and 10 times s_y/x over the slope."""
    result = limits("residual_3.3", study)
    s, b = study.fit.residual_standard_deviation, study.fit.slope.value

    assert result.detection_limit.value == pytest.approx(3.3 * s / b)
    assert result.quantification_limit.value == pytest.approx(10 * s / b)
    assert result.degrees_of_freedom == 8
    assert result.sigma_source == "residuals"


def test_multiples_of_the_standard_deviation_of_the_intercept(study):
    """3.3 and 10 times s_a over the slope."""
    result = limits("intercept_3.3", study)

    assert result.detection_limit.value == pytest.approx(
        3.3 * study.fit.intercept.standard_error / study.fit.slope.value
    )
    assert result.quantification_limit.value == pytest.approx(result.detection_limit.value / 0.33)


def test_multiples_of_the_standard_deviation_of_the_intercepts_of_several_lines(study):
    """3.3 and 10 times s(a) over the slope, ν one less than the lines (ICH Q2(R2), 3.2.3)."""
    intercepts = np.array([0.10, 0.13, 0.08, 0.12])
    result = limits("intercepts_3.3", replace(study, series_intercepts=intercepts))

    assert result.detection_limit.value == pytest.approx(
        3.3 * np.std(intercepts, ddof=1) / study.fit.slope.value
    )
    assert result.quantification_limit.value == pytest.approx(result.detection_limit.value / 0.33)
    assert result.degrees_of_freedom == 3


@pytest.mark.parametrize(
    ("intercepts", "reason"),
    [
        (None, "fewer than three series"),
        ([0.1, 0.2], "fewer than three series"),
        ([0.1, 0.1, 0.1], "identical"),
    ],
)
def test_intercepts_of_too_few_lines_are_no_scatter(study, intercepts, reason):
    """Two lines, or lines that agree to the last digit, give no standard deviation."""
    values = None if intercepts is None else np.array(intercepts)
    with pytest.raises(NotEstimable, match=reason):
        limits("intercepts_3.3", replace(study, series_intercepts=values))


def test_weighted_fit_takes_the_scatter_at_the_lowest_level():
    """Without a variance function sigma is that of a single signal at the lowest level, as the note says."""
    line = fit(WEIGHTED_LEVELS, WEIGHTED_SIGNALS, weights=1 / WEIGHTED_LEVELS**2)
    result = limits("residual_3.3", DetectionInputs(fit=line))

    assert result.sigma == pytest.approx(line.residual_standard_deviation / np.sqrt(line.weights.max()))
    assert "at the lowest level" in result.note
    assert "low_end_weight_assumed" in result.cautions


def test_weighted_fit_takes_the_scatter_at_zero_by_the_variance_function():
    """With a variance function sigma is s_y/x carried from the lowest level down to level 0."""
    levels = np.array([1.0, 2.0, 5.0, 10.0])
    function = fit_variance_function(levels, (0.01**2 + (0.02 * levels) ** 2), np.full(4, 5.0))
    line = fit(WEIGHTED_LEVELS, WEIGHTED_SIGNALS, weights=1 / function.variance(WEIGHTED_LEVELS))
    result = limits("residual_3.3", DetectionInputs(fit=line, variance_function=function))
    at_lowest = line.residual_standard_deviation / np.sqrt(line.weights[0])

    assert result.sigma == pytest.approx(at_lowest * float(function.sd(0.0) / function.sd(1.0)))
    assert "by the variance function" in result.note
    assert "low_end_weight_assumed" not in result.cautions


@pytest.mark.parametrize("variant", ["residual_3.3", "iso_11843", "hubaux_vos"])
@pytest.mark.parametrize("power", [1, 2])
def test_weights_that_vanish_at_zero_hold_at_the_lowest_level(variant, power):
    """A variance that falls to nothing at level 0 counts as that of the lowest level below it."""

    class Power:
        def variance(self, level):
            return np.asarray(level, dtype=float) ** power

    class Held:
        def variance(self, level):
            return np.maximum(level, WEIGHTED_LEVELS.min()) ** power

    line = fit(WEIGHTED_LEVELS, WEIGHTED_SIGNALS, weights=1 / WEIGHTED_LEVELS**power)
    result = limits(variant, DetectionInputs(fit=line, variance_function=Power()))
    held = limits(variant, DetectionInputs(fit=line, variance_function=Held()))

    assert result.sigma == pytest.approx(line.residual_standard_deviation / np.sqrt(line.weights.max()))
    assert result.detection_limit.value == held.detection_limit.value
    assert "low_end_weight_assumed" in result.cautions
    assert "taken to hold at level 0" in result.note


def test_intercept_needs_no_scatter_at_zero():
    """s_a of a line with weights 1/x² is known; nothing is assumed of the scatter below the lowest level."""
    line = fit(WEIGHTED_LEVELS, WEIGHTED_SIGNALS, weights=1 / WEIGHTED_LEVELS**2)
    result = limits("intercept_3.3", DetectionInputs(fit=line))

    assert result.detection_limit.value == pytest.approx(
        3.3 * line.intercept.standard_error / line.slope.value
    )
    assert "low_end_weight_assumed" not in result.cautions


@pytest.mark.parametrize(
    "variant", ["residual_3.3", "intercept_3.3", "iso_11843", "hubaux_vos", "din_32645_calibration"]
)
def test_points_exactly_on_the_line(variant):
    """Residuals of zero give a reason, not a limit of zero."""
    with pytest.raises(
        NotEstimable, match=("all calibration signals lie exactly on the fitted function")
    ) as refusal:
        limits(variant, DetectionInputs(fit=fit([0.0, 1.0, 2.0, 3.0], [1.0, 3.0, 5.0, 7.0])))
    assert refusal.value.needs == "unrounded signals of independent preparations"


@pytest.mark.parametrize(
    "variant", ["intercept_3.3", "iso_11843", "din_32645_calibration", "din_32645_blank"]
)
@pytest.mark.parametrize("model", ["linear_through_origin", "quadratic"])
def test_documents_for_straight_lines_refuse_others(study, variant, model):
    """Variants defined for a line with an intercept say so for other models."""
    other = replace(study, fit=fit(study.fit.x, study.fit.y, model=model))
    with pytest.raises(NotEstimable, match="straight line with an intercept"):
        limits(variant, other)


def test_through_the_origin(study):
    """Residuals about a line through the origin give limits as well."""
    line = fit(study.fit.x, study.fit.y, model="linear_through_origin")
    result = limits("residual_3.3", replace(study, fit=line))

    assert result.detection_limit.value == pytest.approx(
        3.3 * line.residual_standard_deviation / line.slope.value
    )
