"""The characteristic function s²(x) = s0² + (θx)²."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats
from scipy.optimize import minimize

from validator.errors import NotEstimable
from validator.statistics.variance_function import compare_forms, fit_variance_function

LEVELS = np.array([0.0, 1, 2, 5, 10, 20])


def variances(seed, s0=0.5, theta=0.1, nu=4, x=LEVELS):
    rng = np.random.default_rng(seed)
    return (s0**2 + (theta * x) ** 2) * rng.chisquare(nu, x.size) / nu


@pytest.mark.parametrize("seed", range(5))
def test_maximises_the_likelihood(seed):
    """A general optimiser on scipy's gamma density finds no better s0 and θ."""
    s2, nu = variances(seed), np.array([3.0, 4, 4, 5, 4, 2])

    def minus_log_likelihood(p):
        sigma2 = np.exp(p[0]) + np.exp(p[1]) * LEVELS**2
        return -stats.gamma.logpdf(s2, nu / 2, scale=2 * sigma2 / nu).sum()

    found = fit_variance_function(LEVELS, s2, nu)
    options = {"xatol": 1e-9, "fatol": 1e-13, "maxiter": 10_000}
    best = minimize(minus_log_likelihood, [np.log(0.25), np.log(0.01)], method="Nelder-Mead", options=options)
    ours = minus_log_likelihood(np.log(np.maximum([found.s0**2, found.theta**2], 1e-300)))
    assert ours <= best.fun + 1e-9
    if best.x.min() > -15:
        assert [found.s0, found.theta] == pytest.approx(np.exp(best.x / 2), rel=1e-5)


def test_constant_form_is_the_pooled_standard_deviation():
    """With θ = 0 the estimate is the pooled s."""
    s2, nu = np.array([1.0, 2, 4]), np.array([2.0, 3, 5])
    found = fit_variance_function([1, 2, 3], s2, nu, form="constant")
    assert found.s0 == pytest.approx(np.sqrt(nu @ s2 / nu.sum()))
    assert found.theta == 0
    assert found.degrees_of_freedom_at(2.0) == pytest.approx(nu.sum())


def test_proportional_form_is_the_pooled_relative_standard_deviation():
    """With s0 = 0 the estimate is the pooled s/x."""
    x, s2, nu = np.array([1.0, 2, 4]), np.array([1.0, 2, 4]), np.array([2.0, 3, 5])
    found = fit_variance_function(x, s2, nu, form="proportional")
    assert found.theta == pytest.approx(np.sqrt(nu @ (s2 / x**2) / nu.sum()))
    assert found.s0 == 0
    assert found.sd([0.0, 3.0]) == pytest.approx([0, 3 * found.theta])
    assert found.degrees_of_freedom_at(3.0) == pytest.approx(nu.sum())


def test_exact_variances_give_back_their_function():
    """s² without error on the curve returns s0 and θ."""
    found = fit_variance_function(LEVELS, 0.5**2 + (0.1 * LEVELS) ** 2, 9)
    assert [found.s0, found.theta] == pytest.approx([0.5, 0.1], rel=1e-9)
    assert found.variance(7.0) == pytest.approx(0.25 + 0.49, rel=1e-9)


@settings(max_examples=40, deadline=None)
@given(
    seed=st.integers(0, 2**32 - 1),
    x_unit=st.sampled_from([1e-12, 1e-3, 1e12]),
    y_unit=st.sampled_from([1e-12, 1e12]),
)
def test_units_scale_the_function(seed, x_unit, y_unit):
    """Another unit of level or signal scales s0 and θ; the choice of form does not change."""
    s2 = variances(seed)
    before = compare_forms(LEVELS, s2, 4)
    after = compare_forms(LEVELS * x_unit, s2 * y_unit**2, 4)
    assert after.best.form == before.best.form
    assert after.both.s0 == pytest.approx(before.both.s0 * y_unit, rel=1e-6)
    assert after.both.theta == pytest.approx(
        before.both.theta * y_unit / x_unit, rel=1e-6, abs=1e-9 * y_unit / x_unit
    )


@pytest.mark.parametrize(
    ("s0", "theta", "form"), [(0.5, 0.0, "constant"), (0.0, 0.1, "proportional"), (0.5, 0.1, "both")]
)
def test_the_true_form_is_found(s0, theta, form):
    """Of 300 sets of 8 variances with ν = 9 at least 90 % show the form that made them."""
    x = np.array([1.0, 2, 4, 8, 16, 32, 64, 128])
    found = [
        compare_forms(x, variances(seed, s0=s0, theta=theta, nu=9, x=x), 9).best.form for seed in range(300)
    ]
    assert found.count(form) >= 270


def test_second_part_has_to_improve_the_likelihood_significantly():
    """With truly proportional scatter the second part is taken up in about 5 % of 1000 cases, not more."""
    x = np.array([1.0, 2, 5, 10, 20, 50])
    both = sum(
        compare_forms(x, variances(seed, s0=0.0, nu=4, x=x), 4).best.form == "both" for seed in range(1000)
    )
    assert 25 <= both <= 80


def test_likelihood_ratio_is_judged_on_the_boundary():
    """Half of χ²(1): the added part cannot be negative, so half of the chance lies at 0."""
    forms = compare_forms(LEVELS[1:], variances(7, x=LEVELS[1:]), 4)
    one_part = max(forms.constant.log_likelihood, forms.proportional.log_likelihood)
    assert forms.likelihood_ratio == pytest.approx(2 * (forms.both.log_likelihood - one_part))
    assert forms.likelihood_ratio > 0.1
    assert forms.p == pytest.approx(stats.chi2.sf(forms.likelihood_ratio, 1) / 2)


def test_level_zero_rules_out_the_proportional_form():
    """A scatter at level 0 cannot be proportional to the level; the reason is kept."""
    forms = compare_forms(LEVELS, variances(1), 4)
    assert forms.proportional is None
    assert forms.excluded == (
        ("proportional", "a standard deviation proportional to the level is zero at level 0"),
    )


def test_levels_without_freedom_are_left_out():
    """Entries with ν = 0 do not count."""
    found = fit_variance_function([0, 1, 2, 3], [0, 1, 2, 3], [0, 2, 2, 2])
    assert found.levels.tolist() == [1, 2, 3]


@pytest.mark.parametrize(
    ("x", "s2", "nu", "form", "reason"),
    [
        ([1, 2], [1, 1], [0, 0], "both", "no level was measured in replicate"),
        ([1, 2], [0, 0], [2, 2], "both", "the replicates show no variation"),
        ([2], [1], [2], "both", "only 1 level with replicates"),
        ([0, 1, 2], [0, 1, 2], [2, 2, 2], "both", "the replicates at level 0 are identical"),
        (
            [0, 1],
            [1, 1],
            [2, 2],
            "proportional",
            "a standard deviation proportional to the level is zero at level 0",
        ),
    ],
)
def test_says_what_is_missing(x, s2, nu, form, reason):
    """Variances that cannot carry the form are refused in a sentence."""
    with pytest.raises(NotEstimable) as no:
        fit_variance_function(x, s2, nu, form=form)
    assert no.value.reason == reason


def test_negative_variances_are_an_error():
    """No estimate of a variance is negative."""
    with pytest.raises(ValueError, match="must not be negative"):
        fit_variance_function([1, 2], [1, -1], 3)


def test_uncertainty_of_the_function_matches_simulation():
    """The effective ν at a level is twice the squared mean over the variance of s² found there."""
    nu, at = 20, 5.0
    found = [
        float(fit_variance_function(LEVELS, variances(seed, nu=nu), nu).variance(at)) for seed in range(600)
    ]
    truth = fit_variance_function(LEVELS, 0.5**2 + (0.1 * LEVELS) ** 2, nu)
    simulated = 2 * np.mean(found) ** 2 / np.var(found)
    assert truth.degrees_of_freedom_at(at) == pytest.approx(simulated, rel=0.25)


def test_a_tiny_constant_part_is_not_rounded_away():
    """Blanks that scatter 1e-12 times less than the top level keep an s0 above 0."""
    x = np.array([0.0, 1, 10, 100])
    found = fit_variance_function(x, np.hypot(1e-10, 0.1 * x) ** 2, 5)
    assert [found.s0, found.theta] == pytest.approx([1e-10, 0.1], rel=1e-6)
