"""Standard addition."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from validator.errors import NotEstimable
from validator.statistics.inverse_prediction import inverse_prediction
from validator.statistics.regression import fit
from validator.statistics.standard_addition import standard_addition

ADDED = np.array([0.0, 0, 2, 4, 6, 8])


def signals(seed=1, content=3.0, scatter=0.1):
    return 1.5 * (ADDED + content) + scatter * np.random.default_rng(seed).standard_normal(ADDED.size)


def test_content_is_intercept_over_slope():
    """x0 = a/b with s_x0 = (s/b) sqrt(1/n + ȳ²/(b² Sxx))."""
    y = signals()
    line = fit(ADDED, y)
    a, b, s = line.intercept.value, line.slope.value, line.residual_standard_deviation
    found = standard_addition(ADDED, y).concentration
    assert found.value == pytest.approx(a / b)
    assert found.standard_error == pytest.approx(s / b * np.sqrt(1 / 6 + y.mean() ** 2 / (b**2 * line.s_xx)))
    assert found.degrees_of_freedom == 4


@pytest.mark.parametrize("weighted", [False, True])
def test_is_the_level_at_signal_zero_without_scatter_of_its_own(weighted):
    """The answer is minus the inverse prediction at signal 0 of infinitely many signals, interval and all."""
    y = signals()
    weights = 1 / (ADDED + 3) if weighted else None
    found = standard_addition(ADDED, y, weights=weights)
    at_zero = inverse_prediction(fit(ADDED, y, weights=weights), 0.0, relative_variance=lambda x: 0.0)
    assert found.concentration.value == pytest.approx(-at_zero.value)
    assert found.concentration.standard_error == pytest.approx(at_zero.standard_error)
    assert found.concentration.interval.lower == pytest.approx(-at_zero.interval.upper)
    assert found.concentration.interval.upper == pytest.approx(-at_zero.interval.lower)


def test_dilution_scales_the_answer_only():
    """The content of the sample is that of the measured solution times the dilution factor."""
    found = standard_addition(ADDED, signals(), dilution_factor=5)
    measured = standard_addition(ADDED, signals()).concentration
    assert found.concentration == measured.scaled(5)
    assert found.extrapolation == pytest.approx(measured.value / 8)


@settings(max_examples=40, deadline=None)
@given(
    seed=st.integers(0, 1000),
    x_unit=st.sampled_from([1e-12, 1e3, 1e12]),
    y_unit=st.sampled_from([1e-12, 1e6]),
)
def test_units_scale_the_content(seed, x_unit, y_unit):
    """The unit of the signal drops out; that of the additions is that of the answer."""
    before = standard_addition(ADDED, signals(seed)).concentration
    after = standard_addition(ADDED * x_unit, signals(seed) * y_unit).concentration
    assert after.value == pytest.approx(before.value * x_unit, rel=1e-9)
    assert after.standard_error == pytest.approx(before.standard_error * x_unit, rel=1e-9)
    assert after.interval.upper == pytest.approx(before.interval.upper * x_unit, rel=1e-9)


def test_no_significant_slope_no_bounds():
    """From g = 1 on the content has no finite interval."""
    found = standard_addition(ADDED, [1.0, 3.0, 0.5, 2.5, 1.0, 2.2])
    assert found.concentration.interval.lower == -math.inf
    assert found.concentration.interval.upper == math.inf


def test_intervals_hold_what_they_promise():
    """Fieller's 95 % interval covers the true content in 94 to 96 % of 5000 simulated additions."""
    rng = np.random.default_rng(2)
    inside = 0
    for _ in range(5000):
        y = 1.5 * (ADDED + 3) + 0.8 * rng.standard_normal(ADDED.size)
        inside += 3.0 in standard_addition(ADDED, y).concentration.interval
    assert 0.94 <= inside / 5000 <= 0.96


@pytest.mark.parametrize(
    ("added", "y", "reason"),
    [
        ([0, 1], [1, 2], "only 2 points"),
        ([0, 0, 0], [1, 2, 3], "only 1 level"),
        ([0, 0, 1, 1], [1.0, -1.0, 1.0, -1.0], "the slope is zero"),
    ],
)
def test_says_what_is_missing(added, y, reason):
    """Additions that cannot carry an answer are refused in a sentence."""
    with pytest.raises(NotEstimable) as no:
        standard_addition(added, y)
    assert no.value.reason == reason


@pytest.mark.parametrize(
    ("arguments", "sentence"),
    [
        ({"added": [0, 1, 2], "dilution_factor": 0}, "the dilution factor must be positive"),
        ({"added": [-1, 1, 2]}, "additions must not be negative"),
    ],
)
def test_misuse_is_an_error(arguments, sentence):
    """Nothing can be taken away by an addition, and a dilution has a positive factor."""
    with pytest.raises(ValueError, match=sentence):
        standard_addition(signals=[1, 2, 3.1], **arguments)
