"""Crossings found by grids agree with a scalar root finder of a general library."""

import math

import numpy as np
import pytest
from scipy import optimize

from validator.statistics.roots import crossing

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
