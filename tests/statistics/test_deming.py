"""Deming regression."""

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import optimize

from validator.errors import NotEstimable
from validator.statistics.errors_in_variables import deming

X = np.array([1.1, 2.0, 3.2, 3.9, 5.1, 6.0, 7.2, 8.1])
Y = np.array([1.3, 2.2, 3.0, 4.4, 5.0, 6.6, 7.1, 8.7])


@pytest.mark.parametrize("ratio", [0.1, 1.0, 4.0])
def test_minimises_the_weighted_distance(ratio):
    """The line has the smallest Σ(y − a − bx)²/(λ + b²) a numerical search can find."""

    def loss(parameters):
        a, b = parameters
        return float(((Y - a - b * X) ** 2).sum() / (ratio + b**2))

    best = optimize.minimize(loss, [0.0, 1.0], method="Nelder-Mead", options={"xatol": 1e-10, "fatol": 1e-14})
    r = deming(Y, X, variance_ratio=ratio, ratio_source="given")

    assert (r.intercept.value, r.slope.value) == pytest.approx(tuple(best.x), abs=1e-6)
    assert (r.variance_ratio, r.ratio_source) == (ratio, "given")


def test_jackknife_by_leaving_out():
    """Standard errors from fits that really leave out one sample at a time."""
    n = X.size
    full = deming(Y, X)
    kept = [np.arange(n) != i for i in range(n)]
    parts = [deming(Y[k], X[k]) for k in kept]

    for name in ("slope", "intercept"):
        whole = getattr(full, name)
        pseudo = [n * whole.value - (n - 1) * getattr(p, name).value for p in parts]
        assert whole.standard_error == pytest.approx(np.std(pseudo, ddof=1) / math.sqrt(n), rel=1e-9)
        assert whole.degrees_of_freedom == n - 2


@pytest.mark.parametrize(("ratio", "slope"), [(1e9, "y on x"), (1e-9, "x on y")])
def test_extreme_ratios_are_ordinary_regressions(ratio, slope):
    """All error in y gives the regression of y on x, all error in x the inverse of x on y."""
    s_xy = np.cov(X, Y)[0, 1]
    expected = s_xy / X.var(ddof=1) if slope == "y on x" else Y.var(ddof=1) / s_xy

    assert deming(Y, X, variance_ratio=ratio).slope.value == pytest.approx(expected, rel=1e-6)


@given(st.floats(0.2, 5), st.floats(-5, 5), st.sampled_from([1e-12, 1e-3, 1e12]))
@settings(deadline=None, max_examples=40)
def test_invariances(ratio, shift, scale):
    """Swapped methods invert the line; units and shifts go where they should."""
    plain = deming(Y, X, variance_ratio=ratio)
    swapped = deming(X, Y, variance_ratio=1 / ratio)
    moved = deming((Y + shift) * scale, X * scale, variance_ratio=ratio)

    assert swapped.slope.value == pytest.approx(1 / plain.slope.value, rel=1e-9)
    assert moved.slope.value == pytest.approx(plain.slope.value, rel=1e-9)
    assert moved.slope.standard_error == pytest.approx(plain.slope.standard_error, rel=1e-6)
    assert moved.intercept.value == pytest.approx(
        (plain.intercept.value + shift) * scale, rel=1e-8, abs=1e-9 * scale
    )


def test_falling_line():
    """A negative relation is found as such."""
    assert deming(-Y, X).slope.value == pytest.approx(-deming(Y, X).slope.value)


def test_exact_line_has_no_standard_error():
    """Results exactly on a line give the line and say why there is no interval."""
    r = deming(2 * X + 1, X)

    assert (r.slope.value, r.intercept.value) == pytest.approx((2.0, 1.0))
    assert (r.slope.interval, r.reason) == (None, "all results lie exactly on a straight line")


def test_a_slope_that_hangs_on_one_sample_has_no_standard_error():
    """Leaving out the only high sample leaves no correlation: no jackknife."""
    r = deming([1.0, 2.0, 1.0, 2.0, 9.0], [1.0, 1.0, 2.0, 2.0, 9.0])

    assert (r.slope.interval, r.reason) == (None, "the slope is determined by a single sample")


def test_refuses_in_a_sentence():
    """Too few samples, one value, no correlation; λ must be positive."""
    with pytest.raises(NotEstimable, match="3 samples; needs at least 4"):
        deming([1, 2, 3], [1, 2, 4])
    with pytest.raises(NotEstimable, match="one of the methods gave the same value for all samples"):
        deming([1, 2, 3, 4], [1, 1, 1, 1])
    with pytest.raises(NotEstimable, match="are not correlated"):
        deming([1, 2, 1, 2], [1, 1, 2, 2])
    with pytest.raises(ValueError, match="must be positive"):
        deming(Y, X, variance_ratio=0)


def test_slope_interval_covers_and_regression_does_not():
    """10⁴ studies of 40 samples: jackknife covers 94 to 96 %; unbiased where least squares is not."""
    rng = np.random.default_rng(13)
    truth = np.exp(rng.uniform(0, 1.5, (10_000, 40)))
    x, y = truth + rng.normal(0, 0.5, truth.shape), truth + rng.normal(0, 0.5, truth.shape)

    results = [deming(b, a).slope for a, b in zip(x, y, strict=True)]

    assert 0.94 <= np.mean([1.0 in r.interval for r in results]) <= 0.96
    assert np.mean([r.value for r in results]) == pytest.approx(1.0, abs=0.02)
    dx = x - x.mean(axis=1, keepdims=True)
    assert np.mean((dx * y).sum(axis=1) / (dx**2).sum(axis=1)) < 0.9
