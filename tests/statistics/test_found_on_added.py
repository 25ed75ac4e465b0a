"""Found on added, and whether to correct."""

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from statsmodels.regression.linear_model import OLS
from statsmodels.tools import add_constant

from validator.errors import NotEstimable
from validator.statistics.found_on_added import correction_advised, found_on_added
from validator.statistics.interval import Estimate

ADDED = np.array([1.0, 1.0, 2.0, 5.0, 10.0, 10.0])


@given(st.lists(st.integers(-50, 50), min_size=6, max_size=6, unique=True))
@settings(deadline=None, max_examples=30)
def test_agrees_with_statsmodels(noise):
    """Line, standard errors and joint F test are those of statsmodels OLS."""
    found = 0.1 + 0.97 * ADDED + np.array(noise) / 500
    ours = found_on_added(ADDED, found)
    theirs = OLS(found, add_constant(ADDED)).fit()
    joint = theirs.f_test((np.eye(2), [0.0, 1.0]))

    assert (ours.intercept.value, ours.slope.value) == pytest.approx(
        tuple(theirs.params), rel=1e-9, abs=1e-12
    )
    assert (ours.intercept.standard_error, ours.slope.standard_error) == pytest.approx(
        tuple(theirs.bse), rel=1e-9
    )
    assert ours.slope.interval.lower == pytest.approx(theirs.conf_int()[1][0], rel=1e-9)
    assert ours.joint_test.statistic == pytest.approx(float(joint.fvalue), rel=1e-8)
    assert ours.joint_test.p == pytest.approx(float(joint.pvalue), rel=1e-7)
    assert ours.joint_test.df == (2, 4)


@pytest.mark.parametrize("scale", [1e-12, 1e12])
def test_the_unit_does_not_matter(scale):
    """Slope and joint test are free of the unit; the intercept has it."""
    found = np.array([1.05, 0.98, 2.1, 5.0, 9.8, 9.9])
    plain, scaled = found_on_added(ADDED, found), found_on_added(ADDED * scale, found * scale)

    assert scaled.slope.value == pytest.approx(plain.slope.value, rel=1e-9)
    assert scaled.intercept.value == pytest.approx(plain.intercept.value * scale, rel=1e-6)
    assert scaled.joint_test.p == pytest.approx(plain.joint_test.p, rel=1e-6)


def test_joint_test_keeps_its_level():
    """10⁴ unbiased data sets: rejected at 5 % in 4 to 6 %."""
    rng = np.random.default_rng(5)
    found = ADDED + rng.normal(0, 0.2, (10_000, 6))

    rejected = sum(found_on_added(ADDED, row).joint_test.p < 0.05 for row in found)

    assert 0.04 <= rejected / 10_000 <= 0.06


@pytest.mark.parametrize(
    ("added", "found", "message"),
    [
        ([1, 2], [1, 2], "2 results; needs at least 3 independent results on 2 levels"),
        ([0.1, 0.1, 0.1], [1, 2, 3], "only one level; needs at least 2 levels"),
        (
            [1, 2, 3],
            [0.9, 1.8, 2.7],
            (
                "all results lie exactly on a straight line; needs results "
                "recorded with sufficient resolution to show variation"
            ),
        ),
    ],
)
def test_refuses_in_a_sentence(added, found, message):
    """Too few, one level, or a perfect line."""
    with pytest.raises(NotEstimable) as refusal:
        found_on_added(added, found)
    assert str(refusal.value) == message


def test_significant_bias_advises_correction():
    """|100 − R|/u beyond t: correct by 100/R, or carry the bias in the uncertainty."""
    advice = correction_advised(Estimate(value=80.0, standard_error=4.0, degrees_of_freedom=math.inf))

    assert advice.advised
    assert (advice.t, advice.factor, advice.relative_uncertainty_percent) == pytest.approx((5.0, 1.25, 5.0))
    assert advice.critical == pytest.approx(1.959964, abs=1e-6)
    assert advice.relative_uncertainty_uncorrected_percent == pytest.approx(
        100 * math.hypot(20 / 1.959964, 4) / 80
    )


def test_bias_within_its_uncertainty_advises_nothing():
    """98 ± 2 is not different from 100."""
    assert not correction_advised(Estimate(value=98.0, standard_error=2.0, degrees_of_freedom=5)).advised


def test_no_advice_without_standard_error_or_recovery():
    """A recovery without error, or none at all, is refused."""
    with pytest.raises(NotEstimable, match="no standard error is available for the mean recovery"):
        correction_advised(Estimate(value=90.0))
    with pytest.raises(NotEstimable, match="is not positive"):
        correction_advised(Estimate(value=0.0, standard_error=1.0))
