"""Limits from blanks."""

import math

import numpy as np
import pytest
import statsmodels.api as sm
from msgspec.structs import replace
from scipy import stats

from validator.errors import NotEstimable
from validator.statistics.detection import VARIANTS, DetectionInputs
from validator.statistics.regression import fit

BLANK_VARIANTS = ("blank_3s", "blank_3.3", "currie", "din_32645_blank")


def limits(variant, inputs):
    return VARIANTS[variant].limits(inputs)


def test_results_are_used_as_they_are():
    """Blanks given as concentrations need no calibration and no slope."""
    blanks = np.array([0.02, -0.01, 0.03, 0.00, 0.01])
    result = limits("blank_3s", DetectionInputs(blank_concentrations=blanks))

    assert result.detection_limit.value == pytest.approx(3 * np.std(blanks, ddof=1))
    assert result.quantification_limit.value == pytest.approx(10 * np.std(blanks, ddof=1))
    assert result.sigma_unit == "concentration"
    assert result.degrees_of_freedom == 4
    assert "slope" not in result.inputs


@pytest.mark.parametrize(
    ("corrected", "m", "routine", "factor"),
    [
        (False, 1, None, 1.0),
        (False, 4, None, 0.5),
        (True, 1, None, math.sqrt(1 + 1 / 10)),
        (True, 3, None, math.sqrt(1 / 3 + 1 / 10)),
        (True, 2, 2, 1.0),
    ],
)
def test_scatter_of_a_routine_result(study, corrected, m, routine, factor):
    """s0' is s0·sqrt(1/m + 1/n_b) for blank-corrected results and s0/sqrt(m) for others."""
    inputs = replace(
        study, blanks_blank_corrected=corrected, replicates_for_sample=m, blanks_per_correction=routine
    )
    result = limits("blank_3s", inputs)
    s0 = np.std(study.blank_signals, ddof=1)

    assert result.sigma == pytest.approx(factor * s0)
    assert result.inputs["single_sd"] == pytest.approx(s0)
    assert result.detection_limit.value == pytest.approx(3 * factor * s0 / study.fit.slope.value)


def test_blanks_that_are_means_already(study):
    """Listed blanks that average as many readings as a routine result stand for it unchanged."""
    inputs = replace(study, blank_replicates_averaged=3, replicates_for_sample=3)

    assert limits("blank_3s", inputs).sigma == pytest.approx(np.std(study.blank_signals, ddof=1))


def test_mean_blank_is_read_on_the_line(study):
    """The signal ȳ_B + 3 s_B is turned into a level by the calibration, intercept included."""
    result = limits("blank_mean_3s", study)
    signal = study.blank_signals.mean() + 3 * np.std(study.blank_signals, ddof=1)

    assert float(study.fit.predict(result.detection_limit.value)) == pytest.approx(signal)
    assert result.detection_limit.value in result.detection_limit.interval


def test_mean_blank_is_read_on_the_curve(study):
    """On a parabola the limit is the root of f(x) = y, not a quotient by one slope."""
    x = np.repeat([0.0, 1.0, 2.0, 3.0, 4.0, 5.0], 2)
    wiggle = np.tile([0.003, -0.003], 6)
    curve = fit(x, 0.01 + 0.5 * x - 0.03 * x**2 + wiggle, model="quadratic")
    blanks = 0.01 + np.array([0.05, -0.05, 0.03, -0.03, 0.02, -0.02])
    result = limits("blank_mean_3s", DetectionInputs(fit=curve, blank_signals=blanks))
    for estimate, k in ((result.detection_limit, 3), (result.quantification_limit, 10)):
        signal = blanks.mean() + k * np.std(blanks, ddof=1)
        assert float(curve.predict(estimate.value)) == pytest.approx(signal)
    assert result.quantification_limit.value > 10 * np.std(blanks, ddof=1) / curve.slope.value


def test_curve_that_does_not_reach_the_signal():
    """A parabola that bends down before the signal of the limit gives none."""
    x = np.repeat([0.0, 1.0, 2.0], 3)
    y = x - 0.25 * x**2 + np.tile([0.01, -0.01, 0.0], 3)
    blanks = np.array([0.2, -0.2, 0.1, -0.1])
    with pytest.raises(NotEstimable, match="the signal lies outside the calibrated range"):
        limits("blank_mean_3s", DetectionInputs(fit=fit(x, y, model="quadratic"), blank_signals=blanks))


def test_falling_signal(study):
    """Where the signal falls with the level the multiples are subtracted and |b| is used."""
    falling = replace(study, fit=fit(study.fit.x, 5 - study.fit.y), blank_signals=5 - study.blank_signals)
    for variant in ("blank_3s", "blank_mean_3s", "blank_3.3", "residual_3.3", "iso_11843", "hubaux_vos"):
        assert limits(variant, falling).detection_limit.value == pytest.approx(
            limits(variant, study).detection_limit.value
        )


def test_slope_of_a_curve_is_taken_at_zero():
    """For a parabola sigma is divided by the slope at level 0, and the note says so."""
    x = np.repeat([0.0, 1.0, 2.0, 3.0], 2)
    curve = fit(x, x - 0.1 * x**2 + np.tile([0.01, -0.01], 4), model="quadratic")
    result = limits("blank_3.3", DetectionInputs(fit=curve, blank_signals=np.array([0.01, 0.02, 0.0, -0.01])))

    assert result.inputs["slope"] == pytest.approx(curve.slope.value)
    assert "slope is that of the curve at level 0" in result.note
    assert "slope_of_curve_at_zero" in result.cautions


@pytest.mark.parametrize("variant", BLANK_VARIANTS)
def test_censored_blanks_carry_no_standard_deviation(study, variant):
    """The standard deviation of what is left after censoring would be too small."""
    with pytest.raises(
        NotEstimable, match="2 of 12 blanks are reported only as less than a limit"
    ) as refusal:
        limits(variant, replace(study, blanks_censored=2))
    assert refusal.value.needs == "the measured values of all blanks, including negative values"


@pytest.mark.parametrize("variant", [*BLANK_VARIANTS, "blank_mean_3s"])
@pytest.mark.parametrize(
    ("blanks", "reason"),
    [
        (None, "at least 10 independent blanks"),
        (np.array([0.01]), "there is only one blank"),
        (np.full(10, 0.1), "all blank values are identical"),
    ],
)
def test_blanks_that_say_nothing(study, variant, blanks, reason):
    """No blanks, a single one, or equal ones give a reason instead of a limit of zero."""
    with pytest.raises(NotEstimable, match=reason):
        limits(variant, replace(study, blank_signals=blanks))


def test_repeated_readings_carry_a_caution(study):
    """Blanks that are readings of one preparation still give a number, with its weakness named."""
    result = limits("blank_3s", replace(study, blanks_are_independent=False))

    assert "pseudo_replicates" in result.cautions
    assert "repeated readings" in result.note


def test_few_blanks_carry_a_caution(study):
    """Nine blanks are fewer than the ten that are customary; ten are not."""
    assert "few_blanks" not in limits("blank_3s", study).cautions
    assert "few_blanks" in limits("blank_3s", replace(study, blank_signals=study.blank_signals[:9])).cautions


def test_a_limit_at_or_below_zero_is_none(study):
    """Blanks far below the intercept would give a limit below zero."""
    with pytest.raises(NotEstimable, match="not positive"):
        limits("blank_mean_3s", replace(study, blank_signals=study.blank_signals - 1))


def test_signals_need_a_calibration(study):
    """Without a calibration a blank signal is no level."""
    with pytest.raises(NotEstimable, match="no calibration is available"):
        limits("blank_3s", replace(study, fit=None))


def test_a_calibration_that_cannot_be_fitted_says_why(study):
    """Where a calibration was measured, the reason is its own and not that there is none."""
    refusal = NotEstimable("only 1 level", "at least 2 distinct levels")
    with pytest.raises(NotEstimable, match="the calibration cannot be fitted: only 1 level") as found:
        limits("blank_3s", replace(study, fit=None, fit_refusal=refusal))
    assert found.value.needs == "at least 2 distinct levels"


@pytest.mark.parametrize("variant", [*BLANK_VARIANTS, "blank_mean_3s"])
def test_blanks_all_censored_are_blanks_all_the_same(study, variant):
    """Ten blanks reported as below a limit are not missing: they have no values."""
    with pytest.raises(NotEstimable, match="10 of 10 blanks are reported only as less than a limit"):
        limits(variant, replace(study, blank_signals=np.empty(0), blanks_censored=10))


def test_slope_that_could_be_zero(study):
    """A slope that cannot be told from zero cannot turn signals into levels."""
    flat = fit([0.0, 1.0, 2.0, 3.0], [1.0, 0.9, 1.1, 1.02])
    with pytest.raises(NotEstimable, match=("the slope at level 0 does not differ significantly from zero")):
        limits("blank_3s", replace(study, fit=flat))


@pytest.mark.parametrize(
    ("variant", "detection", "quantification"), [("eur_28099", 3.9, 12.87), ("iso_13530", 3.0, 9.0)]
)
def test_multiples_of_single_blanks_by_other_documents(study, variant, detection, quantification):
    """EUR 28099: 3.9 s/b and 3.3 times that; ISO/TS 13530: 3 s/b and 3 times that (factors from memory)."""
    result = limits(variant, study)
    sigma = np.std(study.blank_signals, ddof=1) / study.fit.slope.value

    assert result.detection_limit.value == pytest.approx(detection * sigma)
    assert result.quantification_limit.value == pytest.approx(quantification * sigma)


def test_the_factor_of_ten_blanks_is_that_of_student(study):
    """3.9 is 2 t(0.95; 9) √(1 + 1/10) to 2 %; Currie's δ for ten blanks is a little less than 2 t."""
    eur, currie = (limits(name, study).detection_limit.value for name in ("eur_28099", "currie"))

    assert 2 * stats.t.ppf(0.95, 9) * np.sqrt(1.1) == pytest.approx(3.9, rel=0.02)
    assert eur == pytest.approx(currie, rel=0.05)


def test_the_doubt_of_the_line_is_propagated(study):
    """3 √(s_B² + s_a² + (a/b)² s_b²)/b with the line of statsmodels (Long and Winefordner, from memory)."""
    line = sm.OLS(study.fit.y, sm.add_constant(study.fit.x)).fit()
    (a, b), (s_a, s_b) = line.params, line.bse
    blank = np.var(study.blank_signals, ddof=1)
    doubt = s_a**2 + (a / b * s_b) ** 2
    result = limits("error_propagation", study)

    assert result.detection_limit.value == pytest.approx(3 * np.sqrt(blank + doubt) / b, rel=1e-9)
    assert result.degrees_of_freedom == pytest.approx((blank + doubt) ** 2 / (blank**2 / 9 + doubt**2 / 8))
    assert result.detection_limit.value > limits("iso_13530", study).detection_limit.value
