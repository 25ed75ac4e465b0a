"""DIN 32645 by its own equations."""

import math

import numpy as np
import pytest
import statsmodels.api as sm
from msgspec.structs import replace
from scipy import stats

from validator.errors import NotEstimable
from validator.statistics.detection import VARIANTS, DetectionInputs
from validator.statistics.regression import fit


def limits(variant, inputs):
    return VARIANTS[variant].limits(inputs)


def test_calibration_method_agrees_with_statsmodels(study):
    """x_NG is t(0.99) times the prediction error at level 0 over the slope; x_EG is twice that."""
    model = sm.OLS(study.fit.y, sm.add_constant(study.fit.x)).fit()
    expected = stats.t.ppf(0.99, 8) * model.get_prediction([[1.0, 0.0]]).se_obs[0] / model.params[1]
    result = limits("din_32645_calibration", study)

    assert result.critical_level.value == pytest.approx(expected, rel=1e-9)
    assert result.detection_limit.value == pytest.approx(2 * expected, rel=1e-9)
    assert result.inputs["alpha"] == 0.01


def test_blank_method(study):
    """x_NG is t(0.99, n−1)·(s_L/b)·sqrt(1/m + 1/n)."""
    result = limits("din_32645_blank", replace(study, replicates_for_sample=2))
    s, b = np.std(study.blank_signals, ddof=1), study.fit.slope.value

    assert result.critical_level.value == pytest.approx(stats.t.ppf(0.99, 9) * s / b * math.sqrt(0.5 + 0.1))


@pytest.mark.parametrize("variant", ["din_32645_blank", "din_32645_calibration"])
def test_alpha_of_the_study_takes_the_place_of_that_of_the_document(study, variant):
    """0.01 holds until the study declares its own alpha and beta."""
    undeclared = limits(variant, replace(study, alpha=0.05, beta=0.1))
    declared = limits(variant, replace(study, alpha=0.05, beta=0.1, alpha_declared=True, beta_declared=True))
    nu = declared.degrees_of_freedom

    assert declared.critical_level.value / undeclared.critical_level.value == pytest.approx(
        stats.t.ppf(0.95, nu) / stats.t.ppf(0.99, nu)
    )
    assert declared.detection_limit.value / declared.critical_level.value == pytest.approx(
        1 + stats.t.ppf(0.9, nu) / stats.t.ppf(0.95, nu)
    )
    assert "that of the study" in declared.note


@pytest.mark.parametrize("variant", ["din_32645_blank", "din_32645_calibration"])
@pytest.mark.parametrize("alpha", [None, 0.01, 0.05, 0.1])
def test_identification_limit_is_twice_the_decision_limit(study, variant, alpha):
    """x_EG = 2 x_NG unless the study declares a beta of its own; the default beta is none."""
    stated = {} if alpha is None else {"alpha": alpha, "alpha_declared": True}
    result = limits(variant, replace(study, beta=0.05, **stated))

    assert result.detection_limit.value == pytest.approx(2 * result.critical_level.value, rel=1e-12)


def test_blanks_that_are_results_need_no_calibration(study):
    """x_NG = t(0.99, n−1)·s_L·sqrt(1 + 1/n); the determination limit, which needs the line, says so."""
    blanks = study.blank_signals / study.fit.slope.value
    result = limits("din_32645_blank", DetectionInputs(blank_concentrations=blanks))
    with_line = limits("din_32645_blank", study)

    assert result.critical_level.value == pytest.approx(
        stats.t.ppf(0.99, 9) * np.std(blanks, ddof=1) * math.sqrt(1 + 0.1), rel=1e-12
    )
    assert result.critical_level.value == pytest.approx(with_line.critical_level.value, rel=1e-12)
    assert result.quantification_limit is None
    assert "No determination limit: no calibration is available" in result.note


@pytest.mark.parametrize("variant", ["din_32645_blank", "din_32645_calibration"])
@pytest.mark.parametrize("m", [1, 4])
def test_determination_limit_is_where_the_iteration_ends(study, variant, m):
    """Iterating x ← k·t·(s/b)·sqrt(1/m + 1/n + (x − x̄)²/Sxx) from 0 leads to the closed form."""
    result = limits(variant, replace(study, replicates_for_sample=m))
    line, nu = study.fit, result.degrees_of_freedom
    width = 3 * stats.t.ppf(0.995, nu) * result.sigma_concentration
    x = 0.0
    for _ in range(200):
        x = width * math.sqrt(1 / m + 1 / line.n + (x - line.mean_x) ** 2 / line.s_xx)

    assert result.quantification_limit.value == pytest.approx(x, rel=1e-9)


def test_relative_half_width_at_the_determination_limit_is_one_third(study):
    """The two-sided 99 % prediction interval of a result at x_BG spans ± one third of it."""
    result = limits("din_32645_calibration", study)
    x = result.quantification_limit.value
    lower, upper = study.fit.band(x, "prediction", level=0.99)
    half = (float(upper) - float(lower)) / 2 / study.fit.slope.value

    assert x / half == pytest.approx(3.0, rel=1e-9)


def test_no_determination_limit_on_an_imprecise_line(study):
    """Where the relative half width never falls to a third the other limits stand and the note says why."""
    line = fit([0.0, 1.0, 2.0, 3.0, 4.0], [0.0, 1.3, 1.8, 3.4, 3.7])
    result = limits("din_32645_calibration", DetectionInputs(fit=line))

    assert result.quantification_limit is None
    assert result.critical_level.value > 0
    assert "does not reach one third at any level" in result.note


def test_weighted_calibration_is_refused(study):
    """The document assumes constant variance."""
    weighted = fit(study.fit.x, study.fit.y, weights=1 / (0.1 + study.fit.x))
    for variant in ("din_32645_blank", "din_32645_calibration"):
        with pytest.raises(
            NotEstimable, match=("DIN 32645 assumes homogeneous variances, but the calibration is weighted")
        ):
            limits(variant, replace(study, fit=weighted))


def test_calibration_far_above_the_limit_is_flagged(study):
    """The document wants the highest calibrator at most ten times the critical level."""
    low = fit([0.0, 0.02, 0.04, 0.06, 0.08], [0.011, 0.020, 0.029, 0.042, 0.050])

    assert "calibration_far_above_limit" in limits("din_32645_calibration", study).cautions
    assert (
        "calibration_far_above_limit" not in limits("din_32645_calibration", replace(study, fit=low)).cautions
    )


def test_the_quick_estimate_is_near_the_calibration_method_over_a_short_range():
    """Ten equidistant levels up to about ten times the decision limit: what the factor 1.2 was made for."""
    levels = np.arange(1.0, 11.0)
    noise = np.array([0.3, -0.4, 0.2, 0.1, -0.3, 0.4, -0.2, -0.1, 0.3, -0.3])
    inputs = DetectionInputs(fit=fit(levels, 2 * levels + noise))
    quick, exact = (limits(name, inputs) for name in ("din_32645_quick", "din_32645_calibration"))

    assert quick.critical_level.value == pytest.approx(exact.critical_level.value, rel=0.06)
    assert quick.detection_limit.value == pytest.approx(2 * quick.critical_level.value)
    assert quick.quantification_limit.value == pytest.approx(3 * quick.critical_level.value)
    assert quick.quantification_limit.value == pytest.approx(exact.quantification_limit.value, rel=0.15)
