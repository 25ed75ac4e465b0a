"""Currie, ISO 11843 and Hubaux–Vos against general libraries and their own definitions."""

import math

import numpy as np
import pytest
import statsmodels.api as sm
from hypothesis import given, settings
from hypothesis import strategies as st
from msgspec.structs import replace
from scipy import stats

from validator.errors import NotEstimable
from validator.statistics.detection import VARIANTS, DetectionInputs
from validator.statistics.detection.hypothesis_based import band_limits
from validator.statistics.regression import fit
from validator.statistics.variance_function import fit_variance_function


def limits(variant, inputs):
    return VARIANTS[variant].limits(inputs)


def test_currie_from_its_definition(study):
    """x_C and x_D are t and delta times the standard deviation of the net signal over the slope."""
    inputs = replace(study, replicates_for_sample=2, alpha=0.01, beta=0.1)
    result = limits("currie", inputs)
    s0, b = np.std(study.blank_signals, ddof=1), study.fit.slope.value
    net = s0 / b * math.sqrt(1 / 2 + 1 / 10)

    assert result.critical_level.value == pytest.approx(stats.t.ppf(0.99, 9) * net)
    assert result.quantification_limit.value == pytest.approx(10 * net)
    assert result.detection_limit.value == pytest.approx(result.k * result.sigma_concentration)
    delta = result.detection_limit.value / net
    assert stats.nct.cdf(stats.t.ppf(0.99, 9), 9, delta) == pytest.approx(0.1, abs=1e-6)


def test_iso_11843_agrees_with_the_prediction_error_of_statsmodels(study):
    """x_C is t times the standard error of predicting a signal at level 0, over the slope."""
    x, y = study.fit.x, study.fit.y
    model = sm.OLS(y, sm.add_constant(x)).fit()
    prediction = model.get_prediction([[1.0, 0.0]])
    result = limits("iso_11843", study)

    assert result.critical_level.value == pytest.approx(
        stats.t.ppf(0.95, 8) * prediction.se_obs[0] / model.params[1], rel=1e-9
    )
    ratio = result.detection_limit.value / result.critical_level.value
    delta = ratio * stats.t.ppf(0.95, 8)
    assert stats.nct.cdf(stats.t.ppf(0.95, 8), 8, delta) == pytest.approx(0.05, abs=1e-6)


def test_iso_11843_averages_the_sample(study):
    """With m readings of the sample only the first of the three terms falls."""
    one, many = limits("iso_11843", study), limits("iso_11843", replace(study, replicates_for_sample=10**9))
    x = study.fit.x
    line = 1 / x.size + x.mean() ** 2 / ((x - x.mean()) ** 2).sum()

    assert many.critical_level.value / one.critical_level.value == pytest.approx(
        math.sqrt(line / (1 + line)), rel=1e-6
    )


def test_iso_11843_without_a_blank_level(study):
    """A calibration that does not hold the basic state is flagged."""
    above = study.fit.x > 0
    result = limits("iso_11843", replace(study, fit=fit(study.fit.x[above], study.fit.y[above])))

    assert "no_blank_in_calibration" in result.cautions
    assert "no_blank_in_calibration" not in limits("iso_11843", study).cautions


@pytest.fixture(scope="module")
def heteroscedastic():
    """A weighted calibration with its variance function."""
    generator = np.random.default_rng(8)
    x = np.repeat([0.0, 1.0, 2.0, 5.0, 10.0], 4)
    y = 0.2 + 0.7 * x + generator.normal(0, np.hypot(0.02, 0.04 * x))
    levels = np.unique(x)
    function = fit_variance_function(
        levels, [np.var(y[x == level], ddof=1) for level in levels], np.full(5, 3.0)
    )
    return DetectionInputs(fit=fit(x, y, weights=1 / function.variance(x)), variance_function=function)


def test_weighted_iso_11843_solves_its_own_equation(heteroscedastic):
    """Put back into the formula, x_D returns itself; it lies above the value of constant scatter."""
    inputs = heteroscedastic
    line, function = inputs.fit, inputs.variance_function
    result = limits("iso_11843", inputs)
    x_d, delta = result.detection_limit.value, result.inputs["delta"]
    s2 = line.residual_standard_deviation**2
    at = s2 / line.weights[0] * function.variance([0.0, x_d]) / function.variance(0.0)
    net = np.sqrt(at + s2 * (1 / line.n + line.mean_x**2 / line.s_xx)) / line.slope.value

    assert x_d == pytest.approx(delta * net[1], rel=1e-9)
    assert result.critical_level.value == pytest.approx(result.inputs["t"] * net[0], rel=1e-9)
    assert x_d > delta * net[0]


def test_weighted_line_variance_agrees_with_statsmodels(heteroscedastic):
    """The critical level of a weighted line holds the standard error of its intercept."""
    line = heteroscedastic.fit
    model = sm.WLS(line.y, sm.add_constant(line.x), weights=line.weights).fit()
    single = line.residual_standard_deviation**2 / line.weights[0]
    expected = stats.t.ppf(0.95, 18) * math.sqrt(single + model.bse[0] ** 2) / model.params[1]

    assert limits("iso_11843", heteroscedastic).critical_level.value == pytest.approx(expected, rel=1e-9)


def test_scatter_that_outgrows_the_signal():
    """Where the scatter grows as fast as the signal no level is detected with the stated probability."""
    generator = np.random.default_rng(3)
    x = np.repeat([0.0, 1.0, 2.0, 4.0], 12)
    y = x * (1 + generator.normal(0, 0.8, x.size)) + generator.normal(0, 0.05, x.size)
    function = fit_variance_function([0.0, 1.0, 4.0], [0.05**2, 0.64, 0.64 * 16], [9, 9, 9])
    inputs = DetectionInputs(fit=fit(x, y, weights=1 / function.variance(x)), variance_function=function)
    for variant in ("iso_11843", "hubaux_vos"):
        with pytest.raises(
            NotEstimable,
            match=(
                "the prediction band is too wide for any level to be detected with the stated probability"
            ),
        ):
            limits(variant, inputs)


@pytest.mark.parametrize(("alpha", "beta"), [(0.05, 0.05), (0.01, 0.05), (0.05, 0.2)])
@pytest.mark.parametrize("m", [1, 3])
def test_hubaux_vos_meets_the_prediction_bands(study, alpha, beta, m):
    """The upper band at 0 and the lower band at x_D, both from the fitted line, meet in y_C."""
    line = study.fit
    result = limits("hubaux_vos", replace(study, alpha=alpha, beta=beta, replicates_for_sample=m))
    _, y_c = line.band(0.0, "prediction", m=m, level=1 - 2 * alpha)
    lower, _ = line.band(result.detection_limit.value, "prediction", m=m, level=1 - 2 * beta)

    assert float(lower) == pytest.approx(float(y_c), rel=1e-10)
    assert float(line.predict(result.critical_level.value)) == pytest.approx(float(y_c), rel=1e-10)


def test_hubaux_vos_agrees_with_the_prediction_interval_of_statsmodels(study):
    """The same bands from a general library meet at the same level."""
    model = sm.OLS(study.fit.y, sm.add_constant(study.fit.x)).fit()
    x_d = limits("hubaux_vos", study).detection_limit.value
    frame = model.get_prediction([[1.0, 0.0], [1.0, x_d]]).conf_int(obs=True, alpha=0.1)

    assert frame[0, 1] == pytest.approx(frame[1, 0], rel=1e-9)


@pytest.mark.parametrize("model", ["linear", "linear_through_origin", "quadratic"])
def test_hubaux_vos_on_other_models_meets_their_bands(study, heteroscedastic, model):
    """Weighted lines, lines through the origin and curves are solved on their own bands."""
    line = fit(heteroscedastic.fit.x, heteroscedastic.fit.y, weights=heteroscedastic.fit.weights, model=model)
    result = limits("hubaux_vos", DetectionInputs(fit=line))
    _, y_c = line.band(0.0, "prediction", level=0.9)
    lower, _ = line.band(result.detection_limit.value, "prediction", level=0.9)

    assert float(lower) == pytest.approx(float(y_c), rel=1e-9)
    assert float(line.predict(result.critical_level.value)) == pytest.approx(float(y_c), rel=1e-9)
    assert result.detection_limit.value in result.detection_limit.interval


def test_root_finding_agrees_with_the_closed_form(study):
    """Weights that differ in the last bits take the numerical way to the same limit."""
    line = study.fit
    nudged = fit(line.x, line.y, weights=1 + 1e-13 * np.arange(line.n))
    assert nudged.is_weighted

    for field in ("critical_level", "detection_limit"):
        closed = getattr(limits("hubaux_vos", study), field)
        solved = getattr(limits("hubaux_vos", replace(study, fit=nudged)), field)
        assert solved.value == pytest.approx(closed.value, rel=1e-9)
        assert solved.interval.lower == pytest.approx(closed.interval.lower, rel=1e-9)
        assert solved.interval.upper == pytest.approx(closed.interval.upper, rel=1e-9)


def test_bands_that_never_part():
    """Where s is large beside b·sqrt(Sxx) the closed form says infinite."""
    _, detection = band_limits([0.1, 100.0], m=1, n=5, mean_x=2.0, s_xx=10.0, t_alpha=2.353, t_beta=2.353)

    assert np.isfinite(detection[0])
    assert np.isinf(detection[1])


def test_imprecise_line_gives_a_reason():
    """A slope barely told from zero can still leave bands that never part."""
    line = fit([0.0, 1.0, 2.0, 3.0], [0.0, 1.6, 1.1, 3.1])
    inputs = DetectionInputs(fit=line, alpha=0.01, beta=0.001, confidence=0.8)
    with pytest.raises(
        NotEstimable,
        match=("the prediction band is too wide for any level to be detected with the stated probability"),
    ):
        limits("hubaux_vos", inputs)


@settings(max_examples=60, deadline=None)
@given(
    q=st.floats(1e-6, 0.2),
    m=st.integers(1, 5),
    t_alpha=st.floats(1.0, 4.0),
    t_beta=st.floats(0.7, 4.0),
    mean_x=st.floats(0.0, 20.0),
)
def test_closed_form_satisfies_the_equation(q, m, t_alpha, t_beta, mean_x):
    """x_D − t_β q h(x_D) = t_α q h(0) for any design with a finite x_D."""
    n, s_xx = 8, 50.0
    critical, detection = band_limits(q, m=m, n=n, mean_x=mean_x, s_xx=s_xx, t_alpha=t_alpha, t_beta=t_beta)
    x = float(detection)
    h = math.sqrt(1 / m + 1 / n + (x - mean_x) ** 2 / s_xx)

    assert x - t_beta * q * h == pytest.approx(float(critical), rel=1e-7)
    assert x > float(critical)
