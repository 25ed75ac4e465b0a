"""Crossings found by grids agree with a scalar root finder of a general library."""

import math

import numpy as np
import pytest
from scipy import optimize

from validator.statistics.roots import crossing, falling_root

CASES = {
    "cubic": (lambda x: x**3 - 2, 0.0, 2.0),
    "far from one": (lambda x: np.exp(x / 1e9) - 2, 0.0, 1e9),
    "tiny": (lambda x: x - 3e-13, 0.0, 1e-12),
}


@pytest.mark.parametrize("name", CASES)
def test_agrees_with_brentq(name):
    """The crossing is the root that scipy.optimize.brentq finds, to 13 digits."""
    function, below, above = CASES[name]
    expected = optimize.brentq(lambda x: float(function(x)), below, above, xtol=1e-300, rtol=1e-15)

    assert crossing(function, below, above) == pytest.approx(expected, rel=1e-13)


def test_first_of_several_crossings():
    """Of several crossings inside the bracket the first one is returned."""
    assert crossing(lambda x: -np.cos(x), 0.0, 7.9) == pytest.approx(math.pi / 2, rel=1e-12)


def test_a_jump_is_found():
    """A function that jumps over zero is taken to its first non-negative point."""
    assert crossing(lambda x: np.where(x < 0.3, -1.0, 1.0), 0.0, 1.0) == pytest.approx(0.3, rel=1e-12)


FALLING = {
    "line": (lambda x: 0.3 - x, 0.0, 1.0),
    "steep at first": (lambda x: math.exp(-40 * x) - 1e-3, 0.0, 1.0),
    "flat at the root": (lambda x: (0.5 - x) ** 3, 0.0, 1.0),
    "wide": (lambda x: 1 / (1 + x) - 1e-4, 0.0, 1e6),
    "root at the upper end": (lambda x: 1 - x, 0.0, 1.0),
}


@pytest.mark.parametrize("name", FALLING)
def test_a_falling_function_is_followed_to_its_root(name):
    """The root is that of scipy.optimize.brentq to 1e-12 of the bracket, in at most 60 values."""
    function, low, high = FALLING[name]
    asked = []

    root = falling_root(lambda x: asked.append(x) or function(x), low, high)

    expected = optimize.brentq(function, low, high, xtol=1e-15, rtol=1e-15)
    assert root == pytest.approx(expected, abs=(1e-12 if name != "flat at the root" else 1e-6) * (high - low))
    assert len(asked) <= 60
    assert all(low <= x <= high for x in asked)
