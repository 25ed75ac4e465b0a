"""Interferents, tolerated ratio and blank matrix."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from validator.errors import NotEstimable
from validator.statistics.interval import Estimate, Interval
from validator.statistics.selectivity import (
    blank_matrix_response,
    interferes,
    relative_change,
    tolerance_ratio,
)


def interval(lower, upper):
    return Interval(lower, upper, 0.95, "given")


def test_change_with_interval():
    """Change and an interval that holds the change."""
    y, ref = [1.08, 1.05, 1.07], [1.00, 1.01, 0.99, 1.00]
    r = relative_change(y, ref)

    assert r.change.value == pytest.approx(100 * (np.mean(y) / np.mean(ref) - 1))
    assert r.change.value in r.change.interval
    assert (r.n_with, r.n_reference, r.reason) == (3, 4, None)


@pytest.mark.parametrize(
    ("y", "ref", "reason"),
    [
        ([1.1], [1.0, 1.01], "one of the two groups has a single result"),
        ([1.1], [1.0], "both groups have a single result"),
        ([1.1, 1.1], [1.0, 1.0], "the results in both groups show no variation"),
    ],
)
def test_change_without_interval_says_why(y, ref, reason):
    """One result on a side gives the change alone."""
    r = relative_change(y, ref)

    assert r.change.value == pytest.approx(100 * (np.mean(y) / np.mean(ref) - 1))
    assert (r.change.interval, r.reason) == (None, reason)


def test_reference_near_zero_has_an_open_interval():
    """A reference that may be zero leaves the relative change unbounded, said so."""
    r = relative_change([5.0, 6.0, 7.0], [-1.0, 0.5, 1.0])

    assert not r.change.interval.is_bounded
    assert r.reason == "the reference does not differ significantly from zero"


def test_change_needs_results_on_both_sides():
    """Nothing, or a reference of zero, is refused."""
    with pytest.raises(NotEstimable, match="results with or without the interferent are missing"):
        relative_change([], [1.0])
    with pytest.raises(NotEstimable, match="the reference mean is zero"):
        relative_change([1.0, 2.0], [0.0, 0.0])


@given(st.sampled_from([1e-12, 1e-3, 1e6, 1e12]))
@settings(deadline=None, max_examples=4)
def test_the_unit_does_not_matter(scale):
    """The change in percent is free of the unit."""
    y, ref = np.array([1.08, 1.05, 1.07]), np.array([1.00, 1.01, 0.99])
    plain, scaled = relative_change(y, ref), relative_change(y * scale, ref * scale)

    assert scaled.change.value == pytest.approx(plain.change.value, rel=1e-9)
    assert scaled.change.interval.lower == pytest.approx(plain.change.interval.lower, rel=1e-9)


@pytest.mark.parametrize(
    ("change", "limits", "point", "guarded"),
    [
        (2.0, (-1.0, 4.0), False, "does not interfere"),
        (2.0, (-1.0, 6.0), False, "inconclusive"),
        (6.0, (4.0, 8.0), True, "inconclusive"),
        (7.0, (5.5, 8.0), True, "interferes"),
        (-7.0, (-8.0, -5.5), True, "interferes"),
        (100 * (1.05 - 1.0), (-5.0, 5.0), False, "does not interfere"),
    ],
)
def test_both_rules(change, limits, point, guarded):
    """The point rule looks at the change, the guarded rule at its interval; the limit itself is inside."""
    r = interferes(Estimate(value=change, interval=interval(*limits)))

    assert (r.interferes, r.guarded) == (point, guarded)


def test_without_interval_the_guarded_rule_stays_open():
    """A single result decides nothing under the guarded rule."""
    assert interferes(Estimate(value=20.0)).guarded == "inconclusive"


def test_tolerance_is_the_largest_ratio_with_all_lower_ones_inside():
    """A ratio above a failed one does not count, even when it looks fine itself."""
    assert tolerance_ratio([1, 10, 100, 1000], [0.5, -2.0, 7.0, 1.0]) == 10.0


def test_guarded_tolerance_is_never_above_the_point_one():
    """The interval at 10 reaches beyond 5 %, so only 1 is shown."""
    limits = [interval(-1, 2), interval(-5.5, 1), interval(5, 9)]

    assert tolerance_ratio([1, 10, 100], [0.5, -2.0, 7.0], limits, rule="point") == 10.0
    assert tolerance_ratio([1, 10, 100], [0.5, -2.0, 7.0], limits, rule="guarded") == 1.0


def test_no_tolerated_ratio_is_none():
    """Even the smallest ratio outside gives None, by either rule."""
    assert tolerance_ratio([2, 20], [9.0, 30.0]) is None
    assert tolerance_ratio([2, 20], [1.0, 2.0], rule="guarded") is None


def test_all_inside_gives_the_largest():
    """Nothing interferes: the largest ratio tested is tolerated."""
    assert tolerance_ratio([10, 1], [1.0, 2.0]) == 10.0


def test_a_ratio_tested_twice_must_pass_twice():
    """One failure at a ratio is enough."""
    assert tolerance_ratio([1, 10, 10], [0.0, 1.0, 6.0]) == 1.0


def test_tolerance_needs_ratios():
    """Nothing tested is refused; intervals that do not match are the caller's error."""
    with pytest.raises(NotEstimable, match="no ratio of interferent to analyte was tested"):
        tolerance_ratio([], [])
    with pytest.raises(ValueError, match="1 intervals for 2 ratios"):
        tolerance_ratio([1, 2], [0, 0], [interval(0, 1)])


@given(st.lists(st.tuples(st.integers(1, 1000), st.floats(-10, 10), st.floats(0, 5)), min_size=1, max_size=8))
@settings(deadline=None, max_examples=60)
def test_order_does_not_matter_and_guarding_only_lowers(rows):
    """Any order of the ratios gives the same answer, and the guarded one is never higher."""

    def ask(order, rule):
        ratios, changes, halves = zip(*order, strict=True)
        limits = [interval(c - h, c + h) for c, h in zip(changes, halves, strict=True)]
        return tolerance_ratio(ratios, changes, limits, rule=rule)

    point, guarded = ask(rows, "point"), ask(rows, "guarded")

    assert ask(rows[::-1], "point") == point
    assert (guarded or 0) <= (point or 0)


def test_false_alarm_rate_of_the_guarded_rule():
    """True change exactly on the limit: the guarded rule claims 'does not interfere' in at most 3.5 %."""
    rng = np.random.default_rng(9)
    with_it, without = rng.normal(105, 1.5, (5000, 5)), rng.normal(100, 1.5, (5000, 5))

    claims = sum(
        interferes(relative_change(a, b).change).guarded == "does not interfere"
        for a, b in zip(with_it, without, strict=True)
    )

    assert 0.015 <= claims / 5000 <= 0.035


def test_blank_matrix_beside_the_limit():
    """Mean and largest in percent of the response at the limit."""
    r = blank_matrix_response([0.010, 0.014, 0.012], 0.10)

    assert (r.n, r.percent_of_limit.value, r.largest_percent) == (3, pytest.approx(12.0), pytest.approx(14.0))


def test_one_blank_has_no_interval():
    """A single blank is compared, not generalised."""
    r = blank_matrix_response([0.03], 0.10)

    assert r.percent_of_limit.interval is None


def test_blank_matrix_needs_blanks_and_a_limit():
    """No blanks, or no positive response at the limit."""
    with pytest.raises(NotEstimable, match="no matrix blanks were measured"):
        blank_matrix_response([], 1.0)
    with pytest.raises(NotEstimable, match="at the quantification limit is not positive"):
        blank_matrix_response([0.1], 0.0)
