"""Weights and the rule that chooses them."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from validator.errors import NotEstimable
from validator.statistics.regression import fit
from validator.statistics.weighting import SCHEMES, choose_weighting, growing_variance, weights_for

X = np.repeat([1.0, 2, 5, 10, 20, 50], 4)


def signals(seed, s0=0.0, theta=0.05, x=X):
    rng = np.random.default_rng(seed)
    return 2 * x + np.hypot(s0, theta * x) * rng.standard_normal(x.size)


@pytest.mark.parametrize(("scheme", "power"), [("none", 0), ("1/x", -1), ("1/x^2", -2)])
def test_weights_by_level_follow_their_name(scheme, power):
    """Weights are a power of the level, normalised to Σw = n; so is the variance between the levels."""
    found = weights_for(X, signals(1), scheme)
    assert found.weights.sum() == pytest.approx(X.size)
    assert found.weights / found.weights[0] == pytest.approx(X**power)
    assert found.relative_variance(X) == pytest.approx(1 / found.weights)
    assert found.relative_variance([3.0]) == pytest.approx([found.relative_variance(1.0) * 3.0**-power])


def test_weights_of_level_variances():
    """1/s² takes s² of the replicates at each level and interpolates it between."""
    y = signals(2)
    found = weights_for(X, y, "1/s^2")
    s2 = np.array([y[x == X].var(ddof=1) for x in np.unique(X)])
    assert found.weights / found.weights[0] == pytest.approx(np.repeat(s2[0] / s2, 4))
    assert found.relative_variance(X) == pytest.approx(1 / found.weights)
    assert found.relative_variance(1.5) == pytest.approx(
        (found.relative_variance(1.0) + found.relative_variance(2.0)) / 2
    )
    assert found.relative_variance(0.0) == found.relative_variance(1.0)


def test_weights_of_declared_standard_deviations():
    """Declared standard deviations replace replicates, with and without smoothing."""
    x, sd = np.array([0.0, 1, 2, 5, 10]), np.hypot(0.2, 0.1 * np.array([0.0, 1, 2, 5, 10]))
    y = 1 + x
    per_level = weights_for(x, y, "1/s^2", signal_sd=sd)
    smoothed = weights_for(x, y, "1/s^2 smoothed", signal_sd=sd)
    assert per_level.weights / per_level.weights[0] == pytest.approx((sd[0] / sd) ** 2)
    assert smoothed.weights == pytest.approx(per_level.weights, rel=1e-6)
    assert smoothed.variance_function.s0 == pytest.approx(0.2, rel=1e-6)
    assert smoothed.variance_function.theta == pytest.approx(0.1, rel=1e-6)


def test_smoothed_weights_follow_the_variance_function():
    """1/s² smoothed is the inverse of the fitted function, also between the levels."""
    found = weights_for(X, signals(3, s0=0.5), "1/s^2 smoothed")
    variance = found.variance_function.variance
    assert found.weights / found.weights[0] == pytest.approx(float(variance(1.0)) / variance(X))
    assert found.relative_variance([0.0, 30.0]) == pytest.approx(variance([0.0, 30.0]) / found.normalisation)


def test_smoothed_weights_without_replicates_use_the_residuals():
    """Single points: the squared residuals about the ordinary fit stand in for level variances."""
    x = np.linspace(1, 100, 40)
    rng = np.random.default_rng(4)
    found = weights_for(x, 2 * x + 0.05 * x * rng.standard_normal(40), "1/s^2 smoothed")
    assert found.weights[0] > 20 * found.weights[-1]


@settings(max_examples=30, deadline=None)
@given(
    seed=st.integers(0, 2**32 - 1), scheme=st.sampled_from(SCHEMES), unit=st.sampled_from([1e-12, 1e-3, 1e12])
)
def test_units_do_not_change_the_weights(seed, scheme, unit):
    """Another unit of level and signal leaves the normalised weights as they are."""
    y = signals(seed, s0=0.1)
    before, after = weights_for(X, y, scheme), weights_for(X * unit, y * unit, scheme)
    assert after.weights == pytest.approx(before.weights, rel=1e-6)


@pytest.mark.parametrize(
    ("scheme", "x", "y", "sentence"),
    [
        (
            "1/x",
            [0, 1, 2],
            [0, 1, 2],
            (
                "weights 1/x are not defined at level 0; needs a calibration without level 0, or weights "
                "'1/s^2 smoothed', '1/s^2' or 'none'"
            ),
        ),
        (
            "1/x^2",
            [0, 1, 2],
            [0, 1, 2],
            (
                "weights 1/x^2 are not defined at level 0; needs a calibration without level 0, or weights "
                "'1/s^2 smoothed', '1/s^2' or 'none'"
            ),
        ),
        (
            "1/s^2",
            [1, 1, 2.5],
            [0, 1, 2],
            (
                "level 2.5 was not measured in replicate; needs at least 2 independent preparations at "
                "every level, or declared standard deviations"
            ),
        ),
        (
            "1/s^2",
            [1, 1, 2, 2],
            [0, 1, 2, 2],
            (
                "the signals at level 2 are identical; needs signals recorded with sufficient resolution, "
                "or weights '1/s^2 smoothed'"
            ),
        ),
        ("none", [], [], "no points; needs calibration points"),
    ],
)
def test_refuses_with_the_alternatives(scheme, x, y, sentence):
    """Weights that the data cannot carry are refused in a sentence that offers others."""
    with pytest.raises(NotEstimable) as no:
        weights_for(x, y, scheme)
    assert str(no.value) == sentence


def test_unknown_weights_are_an_error():
    """Only the five schemes exist."""
    with pytest.raises(ValueError, match="unknown weighting '1/y'"):
        weights_for(X, signals(1), "1/y")


def test_proportional_scatter_gives_inverse_square_weights():
    """With a standard deviation proportional to the level the rule picks 1/x², and says how."""
    choice = choose_weighting(X, signals(1))
    assert choice.weighting.scheme == "1/x^2"
    assert [(step.test, step.decision) for step in choice.path] == [
        ("likelihood ratio on level variances", "homogeneity of variances rejected"),
        ("log likelihood, constant standard deviation", "lower of the one-component models"),
        ("log likelihood, proportional standard deviation", "higher of the one-component models"),
        (
            "likelihood ratio, two-component against one-component variance model",
            "variance form: proportional",
        ),
        ("weights", "1/x^2"),
    ]
    assert choice.path[0].p < 0.05
    assert choice.path[3].p >= 0.05


@pytest.mark.parametrize("replicates", [4, 8])
def test_the_rule_finds_the_truth_in_most_cases(replicates):
    """Of 200 calibrations over a factor of 50 at least 85 % get the weights that their scatter asks for."""
    x = np.repeat([1.0, 2, 5, 10, 20, 50], replicates)
    proportional = [choose_weighting(x, signals(seed, x=x)).weighting.scheme for seed in range(200)]
    constant = [
        choose_weighting(x, signals(seed, s0=0.1, theta=0, x=x)).weighting.scheme for seed in range(200)
    ]
    assert proportional.count("1/x^2") >= 170
    assert constant.count("none") >= 170


def test_brown_forsythe_decides_where_replicates_allow():
    """Six replicates at every level: the test across levels is used."""
    x = np.repeat([1.0, 2, 5, 10, 20, 50], 6)
    choice = choose_weighting(x, signals(1, x=x))
    assert choice.path[0].test == "Brown–Forsythe"
    assert choice.weighting.scheme == "1/x^2"


def test_constant_scatter_is_not_weighted():
    """Kept homoscedasticity ends the path; no form is compared."""
    choice = choose_weighting(X, signals(1, s0=0.1, theta=0))
    assert choice.weighting.scheme == "none"
    assert choice.forms is None
    assert [step.decision for step in choice.path] == ["homogeneity of variances not rejected", "none"]


def test_the_significance_level_decides():
    """Just above its p the test rejects, just below it keeps."""
    y = signals(3, s0=0.2, theta=0.01)
    p = choose_weighting(X, y).path[0].p
    assert choose_weighting(X, y, alpha=p * 1.001).path[0].decision == "homogeneity of variances rejected"
    assert choose_weighting(X, y, alpha=p * 0.999).path[0].decision == "homogeneity of variances not rejected"


def test_two_part_scatter_gives_smoothed_weights():
    """A constant part that shows at the low levels gives 1/s² by the variance function."""
    x = np.repeat([0.0, 1, 2, 5, 10, 20, 50, 100], 8)
    choice = choose_weighting(x, signals(1, s0=0.5, theta=0.08, x=x))
    assert choice.weighting.scheme == "1/s^2 smoothed"
    assert choice.weighting.variance_function is choice.forms.best
    assert choice.path[2].decision == (
        "excluded: a standard deviation proportional to the level is zero at level 0"
    )


def test_every_candidate_is_shown():
    """The sum of relative errors stands beside each scheme, or the reason why not."""
    x = np.repeat([0.0, 1, 2, 5, 10], 3)
    y = signals(2, s0=0.1, x=x)
    choice = choose_weighting(x, y)
    shown = {candidate.scheme: candidate for candidate in choice.candidates}
    assert tuple(shown) == SCHEMES
    assert shown["1/x"].sum_of_relative_errors is None
    assert shown["1/x"].reason == "weights 1/x are not defined at level 0"
    line = fit(x, y)
    found = (y - line.intercept.value) / line.slope.value
    inside = x > 0
    assert shown["none"].sum_of_relative_errors == pytest.approx(
        100 * np.abs(found[inside] / x[inside] - 1).sum()
    )


def test_what_cannot_be_tested_gets_no_weights():
    """Points exactly on the line show no scatter: no test, no weights, and the path says so."""
    choice = choose_weighting([1, 2, 3, 4], [2, 4, 6, 8])
    assert choice.weighting.scheme == "none"
    assert choice.path[0].decision == "not tested: all points lie exactly on the fitted function"


def test_silent_blanks_do_not_decide_the_form():
    """Blanks that all read 0 leave only the constant form: no weights, and the path tells why."""
    x = np.repeat([0.0, 1, 2, 5, 10, 20, 50], 4)
    y = signals(5, x=x)
    choice = choose_weighting(x, y)
    assert choice.weighting.scheme == "none"
    assert [step.decision for step in choice.path if step.decision.startswith("excluded")] == [
        "excluded: the replicates at level 0 are identical",
        "excluded: the replicates at level 0 are identical",
    ]


def test_level_zero_without_scatter_of_its_own_gets_no_infinite_weight():
    """A single blank that a parabola passes through: 1/x² cannot be used, and the path says so."""
    rng = np.random.default_rng(0)
    x = np.array([0.0] + [1.0] * 200 + [2.0] * 200)
    choice = choose_weighting(x, x + 0.3 * x * rng.standard_normal(x.size), model="quadratic")
    assert [step.decision for step in choice.path[-2:]] == [
        "1/x^2 excluded: weights 1/x^2 are not defined at level 0",
        "none",
    ]


def test_a_variance_function_that_vanishes_at_level_zero_gives_no_weights():
    """Weights would be infinite where the fitted standard deviation is 0."""
    x, y = [2, 1, 2, 0, 1, 2, 1], [1, 1, 1, 0, 1, 0, 1]
    with pytest.raises(NotEstimable, match="the variance function is zero at level 0"):
        weights_for(x, y, "1/s^2 smoothed", model="quadratic")


def test_a_bend_is_no_scatter():
    """Equal scatter about a curve: the variances of the levels do not grow, whatever the line leaves."""
    x = np.repeat([0.0, 1, 2, 5, 10, 20], 3)
    rng = np.random.default_rng(3)
    chosen = [
        choose_weighting(x, 10 * x - 0.2 * x**2 + 0.1 * rng.standard_normal(x.size)).weighting.scheme
        for _ in range(200)
    ]

    assert chosen.count("none") >= 180


def test_growing_scatter_keeps_its_level():
    """Two and three replicates at six levels, equal scatter: rejected in 3 to 9 % of 1000 sets."""
    for replicates in (2, 3):
        rng = np.random.default_rng(replicates)
        rejected = sum(
            growing_variance(
                [0, 1, 2, 5, 10, 20], rng.chisquare(replicates - 1, 6) / (replicates - 1), replicates - 1
            ).p
            < 0.05
            for _ in range(1000)
        )

        assert 30 <= rejected <= 90
