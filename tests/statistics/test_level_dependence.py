"""Standard deviation against level."""

from __future__ import annotations

import numpy as np
import pytest

from validator.errors import NotEstimable
from validator.statistics.level_dependence import level_dependence

LEVELS = np.array([1.0, 3.0, 10.0, 30.0])


def test_each_form_recovers_what_made_the_data():
    """Exact data of one form give back its constants and no misfit."""
    proportional = level_dependence(LEVELS, 0.04 * LEVELS)[0]
    linear = level_dependence(LEVELS, 0.1 + 0.02 * LEVELS)[1]
    power = level_dependence(LEVELS, 0.05 * LEVELS**0.7)[2]

    assert proportional.slope == pytest.approx(0.04)
    assert (linear.intercept, linear.slope) == pytest.approx((0.1, 0.02))
    assert (10**power.intercept, power.slope) == pytest.approx((0.05, 0.7))
    for form in (proportional, linear, power):
        assert form.relative_misfit == pytest.approx(0, abs=1e-9)


@pytest.mark.parametrize("factor", [1e-6, 1e6])
def test_change_of_unit_keeps_slopes_and_misfit(factor):
    """Levels and standard deviations in another unit: same relative figures."""
    s = np.array([0.05, 0.11, 0.42, 0.9])

    for plain, scaled in zip(
        level_dependence(LEVELS, s), level_dependence(LEVELS * factor, s * factor), strict=True
    ):
        assert scaled.form == plain.form
        assert scaled.slope == pytest.approx(plain.slope)
        assert scaled.relative_misfit == pytest.approx(plain.relative_misfit)
        assert scaled.at(5.0 * factor) == pytest.approx(plain.at(5.0) * factor)


def test_linear_form_is_left_out_where_it_would_turn_negative():
    """A straight line that predicts a negative standard deviation at one of the levels is no form."""
    forms = [form.form for form in level_dependence([1.0, 2.0, 3.0, 10.0], [5.0, 0.01, 0.03, 4.0])]

    assert forms == ["proportional", "power"]


@pytest.mark.parametrize(
    ("means", "sds", "reason"),
    [
        ([1.0, 2.0], [0.1, 0.2], "fewer than three levels"),
        ([1.0, 1.0, 2.0], [0.1, 0.2, 0.1], "fewer than three levels"),
        ([0.0, 1.0, 2.0], [0.1, 0.2, 0.1], "a mean or a standard deviation is zero or negative"),
        ([1.0, 2.0, 3.0], [0.1, 0.0, 0.1], "a mean or a standard deviation is zero or negative"),
    ],
)
def test_refusals_say_why(means, sds, reason):
    """Too few levels, or figures that have no logarithm."""
    with pytest.raises(NotEstimable, match=reason):
        level_dependence(means, sds)


def test_unequal_lengths_are_a_programming_error():
    """Three means and two standard deviations do not belong together."""
    with pytest.raises(ValueError, match="3 means and 2 standard deviations"):
        level_dependence([1.0, 2.0, 3.0], [0.1, 0.2])
