"""Uncertainty as a function of the level."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from validator.errors import NotEstimable
from validator.statistics.level_dependence import (
    LevelDependentUncertainty,
    fit_level_dependence,
)

LEVELS = np.array([0.5, 1.0, 2.0, 5.0, 10.0, 50.0])


@settings(max_examples=40, deadline=None)
@given(st.floats(0.01, 1.0), st.floats(0.005, 0.3), st.sampled_from([1e-12, 1.0, 1e12]))
def test_exact_uncertainties_give_their_own_function(s0, s1, unit):
    """A fit to values of the function returns s0 and s1, in any unit."""
    x = LEVELS * unit

    fit = fit_level_dependence(x, np.hypot(s0 * unit, s1 * x))

    assert fit.function.s0 == pytest.approx(s0 * unit, rel=1e-4, abs=0)
    assert fit.function.s1 == pytest.approx(s1, rel=1e-4)
    np.testing.assert_allclose(fit.function.at(x), np.hypot(s0 * unit, s1 * x), rtol=1e-5)


def test_two_levels_determine_the_function():
    """An uncertainty of 0.1 at a blank and 5 % at 100 give s0 and s1."""
    function = fit_level_dependence([0.0, 100.0], [0.1, 5.0]).function

    assert function.s0 == pytest.approx(0.1, rel=1e-6)
    assert function.s1 == pytest.approx(math.sqrt(25 - 0.01) / 100, rel=1e-6)
    assert (function.lowest, function.highest) == (0.0, 100.0)


def test_all_levels_count_alike_whatever_their_size():
    """An uncertainty 20 % too high at the top moves the lowest fitted one by far less than its own size."""
    u = np.hypot(0.1, 0.05 * LEVELS)
    shifted = u * np.array([1, 1, 1, 1, 1, 1.2])

    fit = fit_level_dependence(LEVELS, shifted)

    assert fit.function.at(LEVELS)[0] == pytest.approx(u[0], rel=0.1)


def test_levels_with_more_degrees_of_freedom_count_more():
    """A level known without limit pulls the fit to itself."""
    fit = fit_level_dependence([1.0, 1.0], [0.1, 0.2], degrees_of_freedom=[math.inf, 2], form="constant")

    assert fit.function.s0 == pytest.approx(0.1, rel=1e-4)
    assert fit.function.s1 == 0


def test_simulated_standard_deviations_give_the_function_back():
    """Standard deviations with 9 degrees of freedom at 40 levels: s0 and s1 within their doubt."""
    rng = np.random.default_rng(3)
    x = np.geomspace(0.1, 100, 40)
    s = np.hypot(0.2, 0.04 * x) * np.sqrt(rng.chisquare(9, x.size) / 9)

    function = fit_level_dependence(x, s, degrees_of_freedom=9).function

    assert function.s0 == pytest.approx(0.2, rel=0.15)
    assert function.s1 == pytest.approx(0.04, rel=0.15)


def test_function_answers_at_levels():
    """Absolute uncertainty, the level where both parts are equal, and that of a target."""
    function = LevelDependentUncertainty(s0=0.3, s1=0.04)

    assert function.at(10.0) == pytest.approx(0.5)
    assert function.crossover == pytest.approx(7.5)
    assert function.level_of_relative_uncertainty(5.0) == pytest.approx(10.0)
    assert LevelDependentUncertainty(s0=0.3, s1=0.0).crossover is None


def test_a_target_below_the_relative_part_is_never_reached():
    """4 % all the way up cannot become 3 %."""
    with pytest.raises(
        NotEstimable, match=("the relative uncertainty does not reach the target at any level")
    ):
        LevelDependentUncertainty(s0=0.3, s1=0.04).level_of_relative_uncertainty(4.0)


@pytest.mark.parametrize("parts", [(0.0, 0.0), (-1.0, 0.1), (math.nan, 0.1)])
def test_impossible_functions_are_refused(parts):
    """Both parts are numbers, not negative, and not both 0."""
    with pytest.raises(ValueError, match="s0 and s1"):
        LevelDependentUncertainty(s0=parts[0], s1=parts[1])


def test_data_that_cannot_carry_the_fit_say_why():
    """One level cannot tell two parts; negative uncertainties are refused."""
    with pytest.raises(NotEstimable, match="only 1 level"):
        fit_level_dependence([1.0, 1.0], [0.1, 0.2])
    with pytest.raises(ValueError, match="negative"):
        fit_level_dependence([1.0, 2.0], [0.1, -0.2])
