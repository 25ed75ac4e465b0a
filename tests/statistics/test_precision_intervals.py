"""Intervals of variance components keep what they promise."""

from __future__ import annotations

import math
from functools import lru_cache

import numpy as np
import pytest

from validator.statistics.distributions import standard_deviation_interval
from validator.statistics.precision_intervals import (
    MeanSquareTerm,
    between_component_interval,
    mean_over_groups,
    modified_large_sample_interval,
    satterthwaite_degrees_of_freedom,
    total_terms,
)
from validator.statistics.variance_components import one_way_layout

RUNS = 4_000
BALANCED = (3, 3, 3, 3, 3)
UNBALANCED = (2, 3, 5, 4, 6, 2)


@lru_cache(maxsize=8)
def simulated_layouts(sizes, between):
    rng = np.random.default_rng(21)
    ends = np.cumsum(sizes)[:-1]
    shifts = between * np.repeat(rng.standard_normal((RUNS, len(sizes))), sizes, axis=1)
    return [
        one_way_layout(np.split(row, ends))
        for row in shifts + rng.standard_normal((RUNS, int(np.sum(sizes))))
    ]


@pytest.mark.parametrize("sizes", [BALANCED, UNBALANCED])
@pytest.mark.parametrize("between", [0.0, 1.0, 3.0])
def test_modified_large_sample_covers_95_percent(sizes, between):
    """4000 runs, balanced and not, with and without a between component: 94 to 96 %."""
    truth = math.hypot(1.0, between)

    hits = sum(
        truth in modified_large_sample_interval(total_terms(layout), 0.95)
        for layout in simulated_layouts(sizes, between)
    )

    assert 0.94 <= hits / RUNS <= 0.96


@pytest.mark.parametrize("sizes", [BALANCED, UNBALANCED])
@pytest.mark.parametrize(("between", "upper"), [(0.0, 0.98), (0.3, 0.96), (1.0, 0.96), (3.0, 0.96)])
def test_the_between_component_is_covered(sizes, between, upper):
    """The between component: 94 to 96 %, but 97.5 % where the truth is zero and only one side can miss."""
    hits = 0
    for layout in simulated_layouts(sizes, between):
        means, within = total_terms(layout)
        hits += between in between_component_interval(
            ms_between=means.mean_square,
            ms_within=within.mean_square,
            nu_between=means.degrees_of_freedom,
            nu_within=within.degrees_of_freedom,
            readings_per_group=1 / means.coefficient,
            level=0.95,
        )

    assert 0.94 <= hits / RUNS <= upper


def test_one_term_is_exact():
    """A single mean square has the chi-squared interval and its own degrees of freedom."""
    term = MeanSquareTerm(coefficient=0.5, mean_square=8.0, degrees_of_freedom=7)
    exact = standard_deviation_interval(2.0, 7, 0.95)

    interval = modified_large_sample_interval([term], 0.95)
    assert (interval.lower, interval.upper) == pytest.approx((exact.lower, exact.upper))
    assert satterthwaite_degrees_of_freedom([term]) == pytest.approx(7)


def test_terms_of_a_balanced_layout_are_its_mean_squares():
    """n_h is n and the mean square of the means is MS_B."""
    layout = one_way_layout([[1.0, 2.0, 4.0], [3.0, 5.0, 9.0]])

    means, within = total_terms(layout)

    assert means.coefficient == pytest.approx(1 / 3)
    assert means.mean_square == pytest.approx(layout.ms_between)
    assert within.coefficient == pytest.approx(2 / 3)
    assert within.mean_square == pytest.approx(layout.ms_within)


@pytest.mark.parametrize("between", [0.0, 1.0, 3.0])
def test_mean_of_unbalanced_groups_is_on_the_safe_side(between):
    """The arithmetic mean of unequal groups: 94 % at least, 98 % at most where groups do not differ."""
    hits = sum(
        0.0 in mean_over_groups(layout, 0.95).interval for layout in simulated_layouts(UNBALANCED, between)
    )

    assert 0.95 <= hits / RUNS <= 0.98


def test_mean_of_unbalanced_groups_weighs_the_groups_by_their_readings():
    """u² = Σ(n_i/N)²·s²(ȳ_i), with one group that holds most of the readings."""
    layout = one_way_layout([[1.0], [2.0, 4.0, 3.0], [7.0]])

    assert mean_over_groups(layout, 0.95).standard_error == pytest.approx(
        math.sqrt((1 + 9 + 1) / 25 * np.var([1, 3, 7], ddof=1))
    )
