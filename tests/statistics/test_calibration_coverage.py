"""Intervals of calibrations hold what they promise: 4000 simulated calibrations each, fixed seeds."""

from __future__ import annotations

import numpy as np
import pytest

from validator.statistics.inverse_prediction import inverse_prediction
from validator.statistics.regression import fit
from validator.statistics.weighting import weights_for

RUNS = 4_000
X = np.repeat([1.0, 2, 5, 10, 20], 2)


@pytest.mark.parametrize("scheme", ["none", "1/x", "1/x^2"])
def test_slope_intercept_and_sample_are_covered(scheme):
    """With the right weights 95 % intervals of a, b and x0 (Fieller) cover in 94 to 96 %."""
    rng = np.random.default_rng(20260325)
    weighting = weights_for(X, X, scheme)
    sd = 0.4 / np.sqrt(weighting.weights)
    x0, m = 7.0, 2
    sd0 = 0.4 * np.sqrt(float(weighting.relative_variance(x0)) / m)
    covered = np.zeros(3)
    for _ in range(RUNS):
        line = fit(X, 1 + 2 * X + sd * rng.standard_normal(X.size), weights=weighting.weights)
        sample = inverse_prediction(
            line,
            1 + 2 * x0 + sd0 * rng.standard_normal(),
            m=m,
            relative_variance=weighting.relative_variance,
        )
        covered += [1.0 in line.intercept.interval, 2.0 in line.slope.interval, x0 in sample.interval]
    assert (np.abs(covered / RUNS - 0.95) <= 0.01).all(), covered / RUNS


@pytest.mark.parametrize("model", ["linear_through_origin", "quadratic"])
def test_other_models_cover_too(model):
    """Through the origin (Fieller) and on a parabola (delta method) x0 is covered in 94 to 96 %."""
    rng = np.random.default_rng(20260325)
    x0 = 7.0

    def signal(x):
        return 2 * x - (0.02 * x**2 if model == "quadratic" else 0)

    covered = 0
    for _ in range(RUNS):
        curve = fit(X, signal(X) + 0.3 * rng.standard_normal(X.size), model=model)
        covered += x0 in inverse_prediction(curve, signal(x0) + 0.3 * rng.standard_normal()).interval
    assert abs(covered / RUNS - 0.95) <= 0.01


def test_prediction_band_covers_future_signals():
    """The prediction band holds the mean of two future signals, the confidence band the true line."""
    rng = np.random.default_rng(20260325)
    inside = np.zeros(2)
    for _ in range(RUNS):
        line = fit(X, 1 + 2 * X + 0.4 * rng.standard_normal(X.size))
        lower, upper = line.band(7.0, "prediction", m=2)
        future = 15 + 0.4 * rng.standard_normal() / np.sqrt(2)
        low, high = line.band(7.0)
        inside += [lower <= future <= upper, low <= 15 <= high]
    assert (np.abs(inside / RUNS - 0.95) <= 0.01).all()


def test_wrong_weights_do_not_cover():
    """The check can fail: an ordinary fit of proportional scatter misses the intercept's interval by far."""
    rng = np.random.default_rng(20260325)
    covered = 0
    for _ in range(2000):
        line = fit(X, 1 + 2 * X + 0.1 * X * rng.standard_normal(X.size))
        covered += 1.0 in line.intercept.interval
    assert covered / 2000 > 0.98
