"""The accuracy profile over levels."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import stats

from validator.errors import NotEstimable
from validator.statistics.accuracy_profile import accuracy_profile

LEVELS = [1.0, 2.0, 5.0, 10.0]


def results(sds, biases=(0, 0, 0, 0), levels=LEVELS, seed=1, sizes=(3, 3, 3)):
    """Results whose standard deviation and bias are given in percent of the level."""
    rng = np.random.default_rng(seed)
    return [
        [x * (1 + bias / 100 + sd / 100 * rng.standard_normal(n)) for n in sizes]
        for x, sd, bias in zip(levels, sds, biases, strict=True)
    ]


def test_profile_restates_each_level_in_percent():
    """Bias and limits are relative to the reference level; the risk belongs to ±λ."""
    data = results((3, 3, 3, 3), biases=(2, 2, 2, 2))

    profile = accuracy_profile(LEVELS, data, acceptance_percent=15, beta=0.9)

    for level, groups in zip(profile.levels, data, strict=True):
        mean = np.mean(groups)
        assert level.relative_bias_percent == pytest.approx(100 * (mean / level.level - 1))
        middle = (level.expectation.lower + level.expectation.upper) / 2
        assert middle == pytest.approx(level.relative_bias_percent)
        predictive_sd = (level.expectation.upper - middle) / stats.t.ppf(0.95, level.degrees_of_freedom)
        t = stats.t(level.degrees_of_freedom, middle, predictive_sd)
        assert level.risk_outside == pytest.approx(t.cdf(-15) + t.sf(15))
        assert level.content.upper > level.expectation.upper
    assert (profile.beta, profile.levels[0].series, profile.levels[0].n) == (0.9, 3, 9)


def test_limit_is_where_the_line_crosses_acceptance():
    """Between a level outside and one inside the quantification limit is interpolated."""
    profile = accuracy_profile(LEVELS, results((15, 3, 3, 3)), acceptance_percent=15)

    outside, inside = profile.levels[:2]
    assert not outside.inside
    assert inside.inside
    limit = profile.quantification_limit
    share = (limit - outside.level) / (inside.level - outside.level)
    at_limit = [
        low + share * (high - low)
        for low, high in (
            (outside.expectation.lower, inside.expectation.lower),
            (outside.expectation.upper, inside.expectation.upper),
        )
    ]
    assert max(abs(end) for end in at_limit) == pytest.approx(15)
    assert profile.valid_range == (limit, 10.0)
    assert not profile.interrupted


@pytest.mark.parametrize("bias", [-6, 6])
def test_both_limits_must_have_crossed(bias):
    """Where both tolerance limits come in from outside, the one that comes in last sets the limit."""
    profile = accuracy_profile(LEVELS, results((15, 2, 2, 2), biases=(bias, 0, 0, 0)), acceptance_percent=15)

    outside, inside = profile.levels[:2]
    assert outside.expectation.lower < -15
    assert outside.expectation.upper > 15
    share = (profile.quantification_limit - outside.level) / (inside.level - outside.level)
    lower = outside.expectation.lower + share * (inside.expectation.lower - outside.expectation.lower)
    upper = outside.expectation.upper + share * (inside.expectation.upper - outside.expectation.upper)
    assert max(-lower, upper) == pytest.approx(15)
    assert min(-lower, upper) < 15 - 1e-6


def test_all_inside_is_valid_from_the_lowest_level():
    """Nothing is extrapolated below the lowest level tested."""
    profile = accuracy_profile(LEVELS, results((2, 2, 2, 2)), acceptance_percent=15)

    assert profile.valid_range == (1.0, 10.0)
    assert profile.quantification_limit == 1.0


def test_none_inside_has_no_range():
    """A profile that is nowhere inside has levels but neither range nor limit."""
    profile = accuracy_profile(LEVELS, results((30, 30, 30, 30)), acceptance_percent=5)

    assert (profile.ranges, profile.valid_range, profile.quantification_limit) == ((), None, None)


def test_an_interruption_is_told_and_the_limit_stays_above_it():
    """A level outside between levels inside splits the range; the limit is that of the upper one."""
    profile = accuracy_profile(LEVELS, results((2, 20, 2, 2)), acceptance_percent=15)

    assert profile.interrupted
    assert len(profile.ranges) == 2
    assert profile.ranges[0][0] == 1.0
    assert profile.ranges[0][1] < 2.0 < profile.valid_range[0] < 5.0
    assert profile.quantification_limit == profile.valid_range[0]


def test_levels_outside_at_the_top_end_the_range():
    """The upper end is interpolated as well, and the interruption is told."""
    profile = accuracy_profile(LEVELS, results((2, 2, 2, 2), biases=(0, 0, 0, 30)), acceptance_percent=15)

    assert 5.0 < profile.valid_range[1] < 10.0
    assert profile.interrupted


def test_two_levels_outside_promise_nothing_between():
    """Biases of opposite sign would cross zero between the levels: no range is read from that."""
    profile = accuracy_profile(
        [1.0, 2.0], results((2, 2), biases=(30, -30), levels=[1.0, 2.0]), acceptance_percent=15
    )

    assert profile.ranges == ()


def test_the_content_interval_may_decide():
    """The β-content interval is longer, so its quantification limit is not lower."""
    data = results((8, 4, 2.5, 2), sizes=(3, 3, 3, 3, 3, 3))

    expectation, content = (
        accuracy_profile(LEVELS, data, acceptance_percent=15, decided_by=which)
        for which in ("expectation", "content")
    )

    assert content.quantification_limit > expectation.quantification_limit


def test_acceptance_may_differ_by_level():
    """±20 % at the lowest level and ±15 % above, as bioanalysis has it."""
    data = results((3, 3, 3, 3), biases=(10, 0, 0, 0))

    wide = accuracy_profile(LEVELS, data, acceptance_percent=[25, 15, 15, 15])
    narrow = accuracy_profile(LEVELS, data, acceptance_percent=15)

    assert wide.levels[0].acceptance_percent == 25
    assert wide.levels[0].inside
    assert not narrow.levels[0].inside


def test_levels_without_interval_are_listed_with_their_reason():
    """One series at a level leaves the other levels alone; the order of input does not matter."""
    data = results((2, 2, 2, 2))
    data[1] = [data[1][0]]

    profile = accuracy_profile(LEVELS[::-1], data[::-1], acceptance_percent=15)

    assert [level.level for level in profile.levels] == [1.0, 5.0, 10.0]
    ((level, reason),) = profile.not_estimable
    assert level == 2.0
    assert "one series" in reason.reason


def test_no_level_at_all_is_not_estimable():
    """Where no level has two series the profile says what it needs."""
    with pytest.raises(NotEstimable, match="no tolerance interval could be calculated at any level"):
        accuracy_profile([1.0, 2.0], [[[1.0, 1.1]], [[2.0, 2.1]]], acceptance_percent=15)


@pytest.mark.parametrize(
    ("levels", "acceptance", "words"),
    [
        ([0.0, 1.0], 15, "positive"),
        ([1.0, 1.0], 15, "different"),
        ([1.0, 2.0], 0, "positive"),
        ([1.0, 2.0, 3.0], 15, "sets of results"),
    ],
)
def test_impossible_levels_are_refused(levels, acceptance, words):
    """Levels are positive and different, and each has its results."""
    with pytest.raises(ValueError, match=words):
        accuracy_profile(
            levels, results((2, 2), levels=[1.0, 2.0], biases=(0, 0)), acceptance_percent=acceptance
        )
