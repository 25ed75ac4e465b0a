"""Calibration functions by least squares."""

from __future__ import annotations

import numpy as np
import pytest
import statsmodels.api as sm
from hypothesis import given, settings
from hypothesis import strategies as st

from validator.errors import NotEstimable
from validator.statistics.regression import fit

MODELS = ("linear", "linear_through_origin", "quadratic")

levels = st.lists(st.integers(1, 10), min_size=4, max_size=12).map(np.cumsum)
seeds = st.integers(0, 2**32 - 1)


def noisy(x, seed, scatter=0.02):
    """A slightly bent calibration at the levels *x*."""
    x = np.asarray(x, dtype=float)
    rng = np.random.default_rng(seed)
    return x, 3 + 0.7 * x + 1e-4 * x**2 + scatter * x.max() * rng.standard_normal(x.size)


def design(x, model):
    columns = {"linear": [x**0, x], "linear_through_origin": [x], "quadratic": [x**0, x, x**2]}[model]
    return np.stack(columns, axis=1)


@pytest.mark.parametrize("model", MODELS)
@pytest.mark.parametrize("weighted", [False, True])
def test_agrees_with_a_general_library(model, weighted):
    """Coefficients, covariance, residuals, leverages, R² and intervals are those of statsmodels."""
    x, y = noisy([1, 2, 2, 5, 7, 11, 11, 16, 20], seed=1)
    weights = 1 / x if weighted else np.ones(x.size)
    theirs = sm.WLS(y, design(x, model), weights=weights / weights.mean()).fit()
    ours = fit(x, y, model=model, weights=weights if weighted else None, confidence=0.9)

    kept = {"linear": [0, 1], "linear_through_origin": [1], "quadratic": [0, 1, 2]}[model]
    coefficients = [ours.intercept, ours.slope, ours.quadratic]
    assert [coefficients[i].value for i in kept] == pytest.approx(theirs.params, rel=1e-10)
    assert [coefficients[i].standard_error for i in kept] == pytest.approx(theirs.bse, rel=1e-9)
    bounds = [[coefficients[i].interval.lower, coefficients[i].interval.upper] for i in kept]
    assert np.array(bounds) == pytest.approx(theirs.conf_int(alpha=0.1), rel=1e-9)
    assert ours.covariance[np.ix_(kept, kept)] == pytest.approx(theirs.cov_params(), rel=1e-8)
    assert ours.residuals == pytest.approx(theirs.resid, rel=1e-9, abs=1e-12)
    assert ours.fitted == pytest.approx(theirs.fittedvalues, rel=1e-12)
    assert ours.residual_standard_deviation == pytest.approx(np.sqrt(theirs.scale), rel=1e-11)
    assert ours.r_squared == pytest.approx(theirs.rsquared, rel=1e-11)
    assert ours.degrees_of_freedom == theirs.df_resid
    whitened = sm.OLS(theirs.model.wendog, theirs.model.wexog).fit().get_influence()
    assert ours.leverage == pytest.approx(whitened.hat_matrix_diag, rel=1e-10)
    assert ours.standardised_residuals == pytest.approx(whitened.resid_studentized_internal, rel=1e-8)


@pytest.mark.parametrize("model", MODELS)
def test_bands_agree_with_a_general_library(model):
    """Confidence and prediction bands of a single future signal are those of statsmodels."""
    x, y = noisy([1, 2, 3, 5, 7, 11, 13, 17, 20], seed=2)
    ours = fit(x, y, model=model)
    at = np.array([0.5, 4.0, 30.0])
    theirs = sm.OLS(y, design(x, model)).fit().get_prediction(design(at, model)).summary_frame(alpha=0.05)

    assert ours.predict(at) == pytest.approx(theirs["mean"].to_numpy(), rel=1e-11)
    confidence, prediction = ours.band(at), ours.band(at, "prediction")
    assert confidence[0] == pytest.approx(theirs["mean_ci_lower"].to_numpy(), rel=1e-9)
    assert confidence[1] == pytest.approx(theirs["mean_ci_upper"].to_numpy(), rel=1e-9)
    assert prediction[0] == pytest.approx(theirs["obs_ci_lower"].to_numpy(), rel=1e-9)
    assert prediction[1] == pytest.approx(theirs["obs_ci_upper"].to_numpy(), rel=1e-9)


def test_prediction_band_uses_the_weight_at_the_level():
    """A future mean of m signals adds s²/(m w) to the variance of the function."""
    x, y = noisy([1, 2, 4, 8, 16], seed=3)
    line = fit(x, y, weights=1 / x)
    lower, upper = line.band(4.0, "prediction", m=3, weights=0.5)
    expected = line.standard_error_at(4.0) ** 2 + line.residual_standard_deviation**2 / (3 * 0.5)
    assert (upper - lower) / 2 == pytest.approx(3.182446305284263 * np.sqrt(expected), rel=1e-9)

    at_level = line.band(4.0, "prediction")
    assert at_level == line.band(4.0, "prediction", weights=line.weights[2])


def test_weight_between_levels_interpolates_the_variance():
    """Without a variance function 1/w runs linearly between the levels and stays constant beyond."""
    x, y = noisy([1, 2, 4, 8, 16], seed=3)
    line = fit(x, y, weights=1 / x)
    assert line.weight_at(line.x) == pytest.approx(line.weights)
    assert 1 / line.weight_at(3.0) == pytest.approx((1 / line.weights[1] + 1 / line.weights[2]) / 2)
    assert line.weight_at([0.0, 99.0]) == pytest.approx([line.weights[0], line.weights[-1]])


def test_slope_at_is_the_derivative():
    """The sensitivity of a parabola is b + 2 c x; of a line it is its slope everywhere."""
    x, y = noisy([1, 2, 3, 5, 7, 11], seed=4)
    parabola, line = fit(x, y, model="quadratic"), fit(x, y)
    at = np.array([0.0, 6.0])
    expected = parabola.slope.value + 2 * parabola.quadratic.value * at
    assert parabola.slope_at(at) == pytest.approx(expected, rel=1e-10)
    assert line.slope_at(at) == pytest.approx([line.slope.value] * 2)


def test_line_through_its_own_points_leaves_nothing():
    """Points on a line give that line, residuals of exactly 0 and R² = 1."""
    x = np.array([0.1, 0.2, 0.3, 0.7])
    line = fit(x, 0.3 + 1.7 * x)
    assert line.slope.value == pytest.approx(1.7, rel=1e-13)
    assert line.intercept.value == pytest.approx(0.3, rel=1e-13)
    assert not line.residuals.any()
    assert not line.standardised_residuals.any()
    assert line.residual_standard_deviation == 0
    assert line.r_squared == 1


@pytest.mark.parametrize("model", MODELS)
@settings(max_examples=40, deadline=None)
@given(
    x=levels, seed=seeds, x_unit=st.sampled_from([1e-12, 1e-3, 1e12]), y_unit=st.sampled_from([1e-12, 1e9])
)
def test_units_scale_the_results(model, x, seed, x_unit, y_unit):
    """Another unit of level or signal scales coefficients and s; R² and residual patterns stay."""
    x, y = noisy(x, seed)
    weights = 1 / (1 + x)
    before = fit(x, y, model=model, weights=weights)
    after = fit(x * x_unit, y * y_unit, model=model, weights=weights)

    assert after.slope.value == pytest.approx(before.slope.value * y_unit / x_unit, rel=1e-9)
    assert after.slope.standard_error == pytest.approx(
        before.slope.standard_error * y_unit / x_unit, rel=1e-9
    )
    assert after.residual_standard_deviation == pytest.approx(
        before.residual_standard_deviation * y_unit, rel=1e-9
    )
    assert after.r_squared == pytest.approx(before.r_squared, rel=1e-12, abs=1e-12)
    assert after.standardised_residuals == pytest.approx(before.standardised_residuals, rel=1e-7, abs=1e-7)


@pytest.mark.parametrize("model", MODELS)
@settings(max_examples=40, deadline=None)
@given(x=levels, seed=seeds)
def test_order_of_runs_never_matters(model, x, seed):
    """Shuffled points give the same function."""
    x, y = noisy(x, seed)
    order = np.random.default_rng(seed).permutation(x.size)
    before, after = fit(x, y, model=model), fit(x[order], y[order], model=model)
    assert after.slope.value == pytest.approx(before.slope.value, rel=1e-10)
    assert after.residual_standard_deviation == pytest.approx(before.residual_standard_deviation, rel=1e-10)
    assert after.leverage == pytest.approx(before.leverage[order], rel=1e-8)


@settings(max_examples=40, deadline=None)
@given(x=levels, seed=seeds, blank=st.floats(-1000, 1000))
def test_a_constant_blank_shifts_only_the_intercept(x, seed, blank):
    """Adding a constant to every signal moves a and nothing else."""
    x, y = noisy(x, seed)
    before, after = fit(x, y), fit(x, y + blank)
    assert after.intercept.value == pytest.approx(before.intercept.value + blank, rel=1e-9, abs=1e-8)
    assert after.slope.value == pytest.approx(before.slope.value, rel=1e-9)
    assert after.residual_standard_deviation == pytest.approx(before.residual_standard_deviation, rel=1e-8)


@settings(max_examples=40, deadline=None)
@given(x=levels, seed=seeds, factor=st.floats(1e-6, 1e6))
def test_the_scale_of_the_weights_never_matters(x, seed, factor):
    """Weights are relative: they come back with Σw = n, whatever their scale."""
    x, y = noisy(x, seed)
    before, after = fit(x, y, weights=1 / x), fit(x, y, weights=factor / x)
    assert after.weights.sum() == pytest.approx(x.size)
    assert after.weights == pytest.approx(before.weights, rel=1e-12)
    assert after.slope.value == pytest.approx(before.slope.value, rel=1e-12)


@pytest.mark.parametrize("model", MODELS)
def test_leverages_sum_to_the_number_of_coefficients(model):
    """Σh = p."""
    x, y = noisy([1, 2, 3, 5, 8, 13], seed=5)
    found = fit(x, y, model=model, weights=1 / x)
    assert found.leverage.sum() == pytest.approx(found.parameters, rel=1e-12)


def test_equal_weights_are_no_weights():
    """Any constant weight gives the ordinary fit."""
    x, y = noisy([1, 2, 3, 5, 8], seed=6)
    assert not fit(x, y, weights=np.full(5, 7.0)).is_weighted
    assert fit(x, y, weights=1 / x).is_weighted


def test_levels_far_from_zero_keep_their_digits():
    """A parabola over levels 1e6 ± 10 predicts as well as the same one centred at 0."""
    u = np.arange(-10.0, 11.0)
    noise = np.random.default_rng(7).standard_normal(21)
    near = fit(u, 5 + u + 0.1 * u**2 + noise, model="quadratic")
    far = fit(u + 1e6, 5 + u + 0.1 * u**2 + noise, model="quadratic")
    assert far.predict(1e6 + 3.5) == pytest.approx(float(near.predict(3.5)), rel=1e-9)
    assert far.standard_error_at(1e6 + 3.5) == pytest.approx(float(near.standard_error_at(3.5)), rel=1e-9)


def test_ten_thousand_points():
    """Large sets go through the same closed forms."""
    rng = np.random.default_rng(8)
    x = rng.uniform(0, 100, 10_000)
    found = fit(x, 1 + 2 * x + rng.standard_normal(10_000), model="quadratic")
    assert found.degrees_of_freedom == 9997
    assert found.residual_standard_deviation == pytest.approx(1, abs=0.03)


@pytest.mark.parametrize(
    ("x", "y", "model", "sentence"),
    [
        ([], [], "linear", "no points; needs at least 3 independent preparations"),
        ([1], [1], "linear", "only 1 point; needs at least 3 independent preparations"),
        ([1, 2, 3], [1, 2, 3], "quadratic", "only 3 points; needs at least 4 independent preparations"),
        ([2, 2, 2], [1, 2, 3], "linear", "only 1 level; needs at least 2 distinct levels"),
        ([1, 1, 2, 2], [1, 2, 3, 4], "quadratic", "only 2 levels; needs at least 3 distinct levels"),
        (
            [1, 2, 3],
            [5, 5, 5],
            "linear",
            "the signal is the same at every level; needs signals that vary with the level",
        ),
        ([0, 0], [1, 2], "linear_through_origin", "all levels are zero; needs a level above 0"),
        (
            [1, 2],
            [0, 0],
            "linear_through_origin",
            "all signals are zero; needs signals that vary with the level",
        ),
    ],
)
def test_says_what_is_missing(x, y, model, sentence):
    """Data that cannot carry the function are refused in a sentence."""
    with pytest.raises(NotEstimable) as no:
        fit(x, y, model=model)
    assert str(no.value) == sentence


@pytest.mark.parametrize(
    ("arguments", "sentence"),
    [
        (
            {"x": [1, 2, 3], "y": [1, 2, 3], "model": "cubic"},
            "unknown model 'cubic'",
        ),
        ({"x": [1, 2, 3], "y": [1, 2]}, "y has 2 values where 3 are expected"),
        ({"x": [1, 2, np.nan], "y": [1, 2, 3]}, "x must be finite numbers"),
        ({"x": [1, 2, 3], "y": [1, 2, 3], "weights": [1, 0, 1]}, "weights must be positive"),
    ],
)
def test_misuse_is_an_error(arguments, sentence):
    """Unknown models and arrays that do not fit together are programming errors."""
    with pytest.raises(ValueError) as error:
        fit(**arguments)
    assert str(error.value) == sentence
