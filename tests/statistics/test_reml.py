"""Restricted maximum likelihood against its own definition and a general library."""

from __future__ import annotations

import warnings

import numpy as np
import pandas as pd
import pytest
import statsmodels.api as sm

from validator.errors import NotEstimable
from validator.statistics.variance_components import one_way_layout, one_way_reml, paired, reml

SIZES = (3, 5, 2, 1, 6, 4)


def unbalanced_groups(seed, between=1.5):
    rng = np.random.default_rng(seed)
    return [10 + rng.normal(0, between) + rng.normal(0, 1, size) for size in SIZES]


def crossed_data(seed, n=60):
    rng = np.random.default_rng(seed)
    day, operator = rng.integers(0, 6, n), rng.integers(0, 4, n)
    y = 10 + rng.normal(0, 1, 6)[day] + rng.normal(0, 0.8, 4)[operator] + rng.normal(0, 0.5, n)
    return y, day, operator


def score_of(y, codes, components, residual):
    """Derivatives of the restricted deviance, with full N x N matrices: y'PVPy against tr(PV)."""
    Z = [np.eye(code.max() + 1)[code] for code in codes]
    V = residual * np.eye(len(y)) + sum(s2 * z @ z.T for s2, z in zip(components, Z, strict=True))
    inverse, one = np.linalg.inv(V), np.ones((len(y), 1))
    P = inverse - inverse @ one @ one.T @ inverse / (one.T @ inverse @ one)
    parts = [z @ z.T for z in Z] + [np.eye(len(y))]
    return [(np.trace(P @ part), float(y @ P @ part @ P @ y)) for part in parts]


@pytest.mark.parametrize("seed", range(1, 6))
def test_one_way_estimate_solves_the_likelihood_equations(seed):
    """Put back into the definition (dense matrices), tr(PV) = y'PVPy for both components, to 8 digits."""
    groups = unbalanced_groups(seed)
    y, code = np.concatenate(groups), np.repeat(np.arange(len(SIZES)), SIZES)

    within, between = one_way_reml(one_way_layout(groups))

    assert between > 0
    for trace, quadratic in score_of(y, [code], [between], within):
        assert quadratic == pytest.approx(trace, rel=1e-8)


@pytest.mark.parametrize("seed", range(1, 6))
def test_one_way_agrees_with_a_general_library(seed):
    """The estimates of statsmodels MixedLM, to the 4 digits its optimiser reaches.

    A Newton step on its own restricted likelihood from our estimate moves by less than 1e-6: six digits.
    """
    groups = unbalanced_groups(seed)
    y, code = np.concatenate(groups), np.repeat(np.arange(len(SIZES)), SIZES)
    model = sm.MixedLM(y, np.ones((len(y), 1)), groups=code)
    fitted = model.fit(reml=True, method=["bfgs", "nm"], maxiter=2000)

    within, between = one_way_reml(one_way_layout(groups))

    assert within == pytest.approx(fitted.scale, rel=1e-4)
    assert between == pytest.approx(fitted.cov_re[0, 0], rel=1e-4)
    assert abs(newton_step(model, between / within)) < 1e-6


def newton_step(model, ratio):
    """Relative Newton step of the profile likelihood of statsmodels in σ_b²/σ_r²."""
    from statsmodels.regression.mixed_linear_model import MixedLMParams

    def likelihood(value):
        params = MixedLMParams.from_components(fe_params=np.zeros(1), cov_re=np.array([[value]]))
        return model.loglike(params, profile_fe=True)

    h = 1e-3 * ratio
    low, middle, high = (likelihood(ratio + step) for step in (-h, 0.0, h))
    lower, higher = likelihood(ratio - 2 * h), likelihood(ratio + 2 * h)
    gradient = (lower - 8 * low + 8 * high - higher) / (12 * h)  # fourth order: the step itself is tiny
    curvature = (low - 2 * middle + high) / h**2
    return -gradient / curvature / ratio


@pytest.mark.parametrize("seed", range(4))
def test_crossed_estimate_solves_the_likelihood_equations(seed):
    """Two crossed factors, unbalanced: tr(PV) = y'PVPy for every component, to 7 digits."""
    y, day, operator = crossed_data(seed)

    result = reml(y, [day, operator])

    assert (result.components > 0).all()
    for trace, quadratic in score_of(y, [day, operator], result.components, result.residual):
        assert quadratic == pytest.approx(trace, rel=1e-7)


@pytest.mark.parametrize("seed", range(4))
def test_crossed_agrees_with_a_general_library(seed):
    """The estimates of statsmodels MixedLM with variance components, to 3 digits as its optimiser goes."""
    y, day, operator = crossed_data(seed)
    frame = pd.DataFrame({"y": y, "day": day, "operator": operator, "whole": 1})

    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # its optimiser complains on the way
        fitted = sm.MixedLM.from_formula(
            "y ~ 1",
            frame,
            groups="whole",
            re_formula="0",
            vc_formula={"day": "0 + C(day)", "operator": "0 + C(operator)"},
        ).fit(reml=True, method=["lbfgs", "bfgs"])
    result = reml(y, [day, operator])

    assert result.residual == pytest.approx(fitted.scale, rel=1e-3)
    assert result.components.tolist() == pytest.approx(fitted.vcomp.tolist(), rel=1e-3)


def test_both_routes_agree_on_one_factor():
    """The one-dimensional search and Fisher scoring give the same estimates."""
    for seed in range(6):
        groups = unbalanced_groups(seed)
        code = np.repeat(np.arange(len(SIZES)), SIZES)

        within, between = one_way_reml(one_way_layout(groups))
        result = reml(np.concatenate(groups), [code])

        assert result.residual == pytest.approx(within, rel=1e-7)
        assert result.components[0] == pytest.approx(between, rel=1e-6, abs=1e-9)


def test_balanced_nested_data_give_the_analysis_of_variance():
    """For balanced data REML is the analysis of variance, its covariance that of the mean squares."""
    rng = np.random.default_rng(0)
    day, run = np.repeat(np.arange(5), 12), np.repeat(np.tile(np.arange(3), 5), 4)
    cell = paired(day, run)
    y = 10 + rng.normal(0, 1, 5)[day] + rng.normal(0, 0.7, 15)[cell] + rng.normal(0, 0.5, 60)
    cells = y.reshape(5, 3, 4)
    ms_day = 12 * np.var(cells.mean(axis=(1, 2)), ddof=1)
    ms_run = 4 * np.sum((cells.mean(axis=2) - cells.mean(axis=(1, 2))[:, None]) ** 2) / 10
    ms_error = np.sum((cells - cells.mean(axis=2)[..., None]) ** 2) / 45

    result = reml(y, [day, cell])

    assert result.residual == pytest.approx(ms_error, rel=1e-8)
    assert result.components.tolist() == pytest.approx(
        [(ms_day - ms_run) / 12, (ms_run - ms_error) / 4], rel=1e-7
    )
    assert result.covariance[2, 2] == pytest.approx(2 * ms_error**2 / 45, rel=1e-6)
    assert result.covariance[1, 1] == pytest.approx(
        (2 * ms_run**2 / 10 + 2 * ms_error**2 / 45) / 16, rel=1e-6
    )


def test_component_on_the_boundary_is_exactly_zero():
    """A factor without effect gets zero, and the pooled scatter goes to the residual."""
    groups = [[1.0, 3.0, 2.0], [1.1, 2.9], [0.9, 3.1]]
    y, code = np.concatenate(groups), np.array([0, 0, 0, 1, 1, 2, 2])

    within, between = one_way_reml(one_way_layout(groups))
    result = reml(y, [code])

    assert between == 0.0
    assert result.components.tolist() == [0.0]
    assert within == pytest.approx(np.var(y, ddof=1))
    assert result.residual == pytest.approx(np.var(y, ddof=1))


@pytest.mark.parametrize("scale", [1e-12, 1e12])
def test_any_magnitude(scale):
    """The unit of the data does not matter."""
    groups = unbalanced_groups(3)
    plain = one_way_reml(one_way_layout(groups))

    scaled = one_way_reml(one_way_layout([group * scale for group in groups]))

    assert scaled == pytest.approx((plain[0] * scale**2, plain[1] * scale**2), rel=1e-9)


def test_no_scatter_within_is_refused():
    """Without differing replicates the ratio of variances has no maximum."""
    with pytest.raises(NotEstimable, match="the readings within the groups are identical"):
        one_way_reml(one_way_layout([[1.0, 1.0], [2.0], [3.0, 3.0]]))
    with pytest.raises(NotEstimable):
        reml(np.array([1.0, 1.0, 2.0, 3.0, 3.0]), [np.array([0, 0, 1, 2, 2])])


def test_more_levels_than_can_be_solved_for_are_refused():
    """Matrices grow with the square of the levels, steps with their cube; balanced designs need neither."""
    codes = np.arange(1202) // 2

    with pytest.raises(NotEstimable, match="601 levels") as refusal:
        reml(np.sin(np.arange(1202.0)), [codes])

    assert "balanced" in refusal.value.needs
    assert reml(np.sin(np.arange(1200.0)), [codes[:1200]]).residual > 0


def test_steps_that_would_swing_about_the_minimum_settle():
    """Days crossed with operators, a third of the cells empty: plain scoring swings ever wider about it."""
    readings = """11.37 10.4 10.26 10.33 9.82 10.82 7.99 10.12 10.12 9.0 10.08 10.81
        10.62 11.17 9.54 11.35 9.3 9.54 9.81 9.68 9.38 9.16 10.72 9.58"""
    y = np.array(readings.split(), dtype=float)
    cells = np.array([(d, o) for d in range(6) for o in range(3) if (d + o) % 3]).repeat(2, axis=0)
    codes = [cells[:, 0], cells[:, 1], paired(cells[:, 0], cells[:, 1])]

    fit = reml(y, codes)

    assert (fit.components > 0).all()
    for trace, quadratic in score_of(y, codes, fit.components, fit.residual):
        assert quadratic == pytest.approx(trace, rel=1e-7)


def test_a_slow_approach_to_the_minimum_is_one():
    """Eight of twelve cells with one to three readings: the last digits come in more steps than are made."""
    y = np.array([10.08, 10.43, 10.5, 10.2, 10.18, 10.41, 9.65, 10.07, 9.72, 9.19, 9.47, 10.59])
    day = np.repeat([0, 0, 1, 1, 2, 2, 3, 3], [3, 2, 2, 1, 1, 1, 1, 1])
    operator = np.repeat([1, 2, 0, 2, 0, 1, 1, 2], [3, 2, 2, 1, 1, 1, 1, 1])
    codes = [day, operator, paired(day, operator)]

    fit = reml(y, codes)

    for trace, quadratic in score_of(y, codes, fit.components, fit.residual):
        assert quadratic == pytest.approx(trace, rel=1e-6)
