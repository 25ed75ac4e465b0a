"""The search for the linear range."""

from __future__ import annotations

import numpy as np
import pytest

from validator.errors import NotEstimable
from validator.statistics.inverse_prediction import back_calculate
from validator.statistics.linearity import lack_of_fit, linear_range, mandel
from validator.statistics.regression import fit

LEVELS = np.array([1.0, 2, 4, 8, 12, 16, 20, 24])
X = np.repeat(LEVELS, 3)


def saturating(seed=1, *, bend_from=16.0, scatter=0.05):
    """A line that falls off above *bend_from*."""
    rng = np.random.default_rng(seed)
    return 3 * X - 0.2 * np.maximum(X - bend_from, 0) ** 2 + scatter * rng.standard_normal(X.size)


def test_a_line_keeps_all_its_levels():
    """Nothing is dropped where nothing speaks against the full set."""
    found = linear_range(X, saturating(bend_from=99))
    assert found.found
    assert (found.lower, found.upper) == (1, 24)
    assert len(found.steps) == 1
    assert found.steps[0].accepted


def test_levels_are_dropped_from_the_top_until_the_line_holds():
    """Saturation above 16 costs the two levels above it, and the path shows each attempt."""
    y = saturating()
    found = linear_range(X, y)
    assert (found.lower, found.upper) == (1, 16)
    assert [(step.lower, step.upper, step.levels, step.accepted) for step in found.steps] == [
        (1, 24, 8, False),
        (1, 20, 7, False),
        (1, 16, 6, True),
    ]
    assert "Mandel" in found.steps[0].failed
    kept = X <= 16
    assert found.fit.slope.value == fit(X[kept], y[kept]).slope.value


def test_each_step_carries_the_figures_that_decided():
    """Mandel and lack-of-fit p and the worst back-calculated level mean are those of the tests themselves."""
    y = saturating()
    step = linear_range(X, y).steps[0]
    line = fit(X, y)
    means = np.array([y[level == X].mean() for level in LEVELS])
    errors = back_calculate(line, LEVELS, means).relative_error_percent
    allowed = np.array([20.0] + [15.0] * 7)
    worst = np.argmax(np.abs(errors) / allowed)
    assert step.mandel_p == mandel(line).p
    assert step.lack_of_fit_p == lack_of_fit(line).p
    assert step.worst_relative_error_percent == pytest.approx(errors[worst])
    assert step.worst_level == LEVELS[worst]


def test_when_the_top_does_not_help_the_lowest_level_goes():
    """A contaminated lowest level: every set with it fails, then all levels but it are accepted."""
    y = saturating(bend_from=99)
    y[X == 1] += 2
    found = linear_range(X, y)
    assert (found.lower, found.upper) == (2, 24)
    assert [step.upper for step in found.steps] == [24, 20, 16, 12, 24]
    assert all("back-calculation" in step.failed or "Mandel" in step.failed for step in found.steps[:-1])


def test_the_lowest_level_may_err_more():
    """An error of 17 % passes at the lowest level and fails at the next."""

    def with_error_at(level):
        # Twenty replicates at the other low level hold the line where it is.
        x = np.array([1.0, 2, 50, 60, 80, 100] + 20 * [3 - level])
        return linear_range(x, np.where(x == level, 2.34 * x, 2 * x), alpha=1e-9).steps[0]

    assert with_error_at(1).accepted
    rejected = with_error_at(2)
    assert rejected.failed == ("back-calculation",)
    assert rejected.worst_level == 2


def test_level_zero_has_no_relative_error():
    """A blank level takes part in the line; the lowest level above it has the wider tolerance."""
    x = np.array([0.0, 1, 20, 50, 80, 100])
    y = 2 * x
    y[1] *= 1.17
    step = linear_range(x, y, alpha=1e-9).steps[0]
    assert step.accepted
    assert step.worst_level == 1
    assert step.lower == 0


def test_without_replicates_lack_of_fit_is_silent():
    """Single points: curvature and back-calculation decide."""
    x = np.arange(1.0, 9.0)
    step = linear_range(x, 2 * x + 0.01 * (-1) ** x).steps[0]
    assert step.lack_of_fit_p is None
    assert step.accepted


def test_exact_lines_are_linear():
    """Points without scatter on a line are accepted as they are."""
    found = linear_range(X, 3 * X + 1)
    assert (found.lower, found.upper) == (1, 24)


def test_a_curve_has_no_linear_range():
    """When every set of at least five levels fails, no range is found and the whole path remains."""
    found = linear_range(X, X**2)
    assert not found.found
    assert (found.lower, found.upper, found.fit) == (None, None, None)
    assert len(found.steps) == 4 + 3 + 2 + 1
    assert not any(step.accepted for step in found.steps)


def test_weights_go_with_their_points():
    """Scatter proportional to the level: with weights the range holds over three decades."""
    rng = np.random.default_rng(3)
    x = np.repeat([1.0, 3, 10, 30, 100, 300, 1000], 3)
    y = 2 * x * (1 + 0.02 * rng.standard_normal(x.size))
    found = linear_range(x, y, weights=x**-2)
    assert (found.lower, found.upper) == (1, 1000)
    assert found.fit.is_weighted


def test_four_levels_are_not_enough():
    """Fewer than five levels are refused in a sentence."""
    with pytest.raises(NotEstimable) as no:
        linear_range([1, 2, 3, 4], [1, 2, 3, 4])
    assert str(no.value) == "only 4 levels; needs at least 5 levels"


def test_three_levels_cannot_be_asked_for():
    """Mandel's test needs four points."""
    with pytest.raises(ValueError, match="minimum_levels must be at least 4"):
        linear_range([1, 2, 3, 4], [1, 2, 3, 4], minimum_levels=3)


def test_a_search_over_very_many_levels_is_given_up():
    """Thousands of levels make millions of ranges; after the widest ones that is said, not waited for."""
    x = np.linspace(1.0, 100.0, 3000)
    bent = x - 0.004 * x**2

    with pytest.raises(
        NotEstimable, match=("none of the 666 widest subsets of the 3000 levels is linear")
    ) as refusal:
        linear_range(x, bent + 0.001 * np.sin(1e3 * x))

    assert "fewer levels" in refusal.value.needs


def test_of_47_levels_every_range_is_tried():
    """Up to 47 levels the bound is not reached: the search ends by itself, whatever it finds."""
    x = np.repeat(np.arange(1.0, 48.0), 2)
    zigzag = np.where(x % 2, 9.0, 1.0) * x

    found = linear_range(x, zigzag + np.tile([0.0, 1e-6], 47))

    assert not found.found
    assert len(found.steps) == 43 * 44 // 2
