"""Sensitivity per area and gain at a level."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy import stats
from scipy.optimize import brentq

from validator.errors import NotEstimable
from validator.statistics.regression import fit
from validator.statistics.slopes import sensitivity_per_area, signal_gain

X = np.array([1.0, 2, 3, 5, 8, 13])


def line(seed, slope=2.0, **options):
    return fit(X, 1 + slope * X + 0.3 * np.random.default_rng(seed).standard_normal(6), **options)


def test_an_exact_area_only_scales_the_slope():
    """Value, standard error and interval are those of the slope over the area."""
    one = line(1)
    found, expected = sensitivity_per_area(one, 4.0), one.slope.scaled(0.25)
    assert found.value == pytest.approx(expected.value)
    assert found.standard_error == pytest.approx(expected.standard_error)
    assert found.interval.lower == pytest.approx(expected.interval.lower)
    assert found.degrees_of_freedom == pytest.approx(4)


def test_the_uncertainty_of_the_area_is_carried():
    """Relative variances of slope and area add; ν is that of Welch and Satterthwaite."""
    one = line(1)
    found = sensitivity_per_area(one, 4.0, area_uncertainty=0.2)
    b, u = one.slope.value, one.slope.standard_error
    relative = math.hypot(u / b, 0.05)
    nu = 4 * (relative / (u / b)) ** 4
    assert found.standard_error == pytest.approx(b / 4 * relative)
    assert found.degrees_of_freedom == pytest.approx(nu)
    assert found.interval.upper - found.value == pytest.approx(
        stats.t.ppf(0.975, nu) * found.standard_error, rel=1e-9
    )


def test_gain_compares_the_fitted_signals():
    """Ratio of the two functions at the level, with Fieller limits that solve their equation."""
    one, other = line(1, slope=6.0), line(2)
    found = signal_gain(one, other, 5.0)
    y1, y2 = float(one.predict(5.0)), float(other.predict(5.0))
    u1, u2 = float(one.standard_error_at(5.0)), float(other.standard_error_at(5.0))
    t = stats.t.ppf(0.975, found.degrees_of_freedom)

    def beyond(gain):
        return (y1 - gain * y2) ** 2 - t**2 * (u1**2 + gain**2 * u2**2)

    assert found.value == pytest.approx(y1 / y2)
    assert found.interval.lower == pytest.approx(brentq(beyond, 0, found.value), rel=1e-9)
    assert found.interval.upper == pytest.approx(brentq(beyond, found.value, 9), rel=1e-9)


def test_gain_of_a_parabola_is_defined_at_its_level():
    """Curved calibrations have a gain at a level although they have no single slope."""
    found = signal_gain(line(1, slope=4.0, model="quadratic"), line(2), 5.0)
    assert found.value in found.interval


def test_a_reference_signal_lost_in_the_noise_gives_no_bounds():
    """A reference not told from 0 leaves the gain open."""
    weak = fit([1, 2, 3, 4], [1.0, -1.2, -0.9, 1.3])
    found = signal_gain(line(1), weak, 2.0)
    assert found.interval.method == "Fieller, unbounded"
    assert not found.interval.is_bounded


EXACT = fit([1, 2, 3], [2, 4, 6])


@pytest.mark.parametrize(
    ("compute", "reason"),
    [
        (
            lambda: sensitivity_per_area(line(1, model="quadratic"), 1.0),
            "a second-order function has no single slope",
        ),
        (
            lambda: signal_gain(line(1), line(2, model="linear_through_origin"), 0.0),
            "the reference signal is 0 at this level",
        ),
        (lambda: signal_gain(EXACT, EXACT, 2.0), "all points lie exactly on both functions"),
    ],
)
def test_says_what_is_missing(compute, reason):
    """Calibrations that cannot carry the figure are refused in a sentence."""
    with pytest.raises(NotEstimable) as no:
        compute()
    assert no.value.reason == reason


@pytest.mark.parametrize(("area", "u"), [(0.0, 0.0), (1.0, -0.1)])
def test_misuse_is_an_error(area, u):
    """An area is positive, its uncertainty not negative."""
    with pytest.raises(ValueError, match="the area must be positive"):
        sensitivity_per_area(line(1), area, area_uncertainty=u)
