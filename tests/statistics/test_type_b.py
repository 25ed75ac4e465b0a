"""Stated figures to standard uncertainties, and input quantities."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats

from validator.errors import NotEstimable
from validator.statistics.input_quantity import (
    InputQuantity,
    checked_correlation,
    correlation_of_readings,
    from_readings,
    from_statement,
    to_standard_uncertainty,
)


@pytest.mark.parametrize(
    ("distribution", "reference"),
    [
        ("rectangular", stats.uniform(-1, 2)),
        ("triangular", stats.triang(0.5, -1, 2)),
        ("u_shaped", stats.arcsine(-1, 2)),
    ],
)
def test_divisor_is_that_of_the_distribution(distribution, reference):
    """The half-width over the divisor is the standard deviation of the named distribution."""
    conversion = to_standard_uncertainty(1.0, "tolerance", distribution=distribution)

    assert conversion.standard_uncertainty == pytest.approx(reference.std(), rel=1e-12)
    assert conversion.distribution == distribution


def test_tolerance_is_rectangular_unless_named():
    """Limits without a distribution count as rectangular, and say so."""
    conversion = to_standard_uncertainty(0.3, "tolerance")

    assert conversion.distribution == "rectangular"
    assert conversion.divisor == pytest.approx(math.sqrt(3))


@given(st.floats(0.05, 0.999))
def test_normal_tolerance_holds_its_coverage(coverage):
    """Between the limits of a normal tolerance lies the share of values that was stated."""
    u = to_standard_uncertainty(1.0, "tolerance", distribution="normal", coverage=coverage)

    inside = stats.norm(0, u.standard_uncertainty).cdf(1) - stats.norm(0, u.standard_uncertainty).cdf(-1)
    assert inside == pytest.approx(coverage, rel=1e-9)


def test_expanded_uncertainty_is_divided_by_its_factor():
    """U = 0.5 with k = 2 is u = 0.25; a standard uncertainty stays as it is."""
    assert to_standard_uncertainty(0.5, "expanded", k=2).standard_uncertainty == 0.25
    assert to_standard_uncertainty(0.5, "standard").standard_uncertainty == 0.5


@pytest.mark.parametrize(
    ("stated", "kind", "extra", "words"),
    [
        (-1.0, "standard", {}, "not negative"),
        (math.inf, "tolerance", {}, "not negative"),
        (1.0, "expanded", {}, "coverage factor"),
        (1.0, "expanded", {"k": 0.0}, "coverage factor"),
        (1.0, "tolerance", {"distribution": "normal", "coverage": 1.0}, "share of values"),
    ],
)
def test_impossible_statements_are_refused(stated, kind, extra, words):
    """A statement that cannot be converted says why."""
    with pytest.raises(ValueError, match=words):
        to_standard_uncertainty(stated, kind, **extra)


def test_readings_become_a_mean_with_its_uncertainty():
    """A mean of n readings has u = s/√n with n − 1 degrees of freedom."""
    readings = [10.1, 10.4, 9.9, 10.2]

    quantity = from_readings("m", readings)

    assert quantity.value == pytest.approx(np.mean(readings))
    assert quantity.standard_uncertainty == pytest.approx(stats.sem(readings))
    assert (quantity.degrees_of_freedom, quantity.evaluation) == (3, "A")


def test_readings_of_one_series_belong_together():
    """Twelve readings over three days have two degrees of freedom, not eleven."""
    days = [1.0, 1.1, 0.9, 1.0, 2.0, 2.1, 1.9, 2.0, 3.0, 3.1, 2.9, 3.0]

    quantity = from_readings("m", days, series=[1] * 4 + [2] * 4 + [3] * 4)

    assert quantity.degrees_of_freedom == 2
    assert quantity.standard_uncertainty == pytest.approx(1 / math.sqrt(3))


@pytest.mark.parametrize("readings", [[], [3.0]])
def test_too_few_readings_have_no_type_a_uncertainty(readings):
    """No reading and one reading are not estimable."""
    with pytest.raises(NotEstimable):
        from_readings("m", readings)


def test_relative_statement_is_in_percent_of_the_value():
    """±3 % of −50, rectangular, is u = 1.5/√3."""
    quantity = from_statement("x", -50.0, 3.0, "tolerance", relative=True)

    assert quantity.standard_uncertainty == pytest.approx(1.5 / math.sqrt(3))
    assert quantity.evaluation == "B"


@pytest.mark.parametrize(
    "wrong",
    [
        {"value": math.nan},
        {"standard_uncertainty": -1.0},
        {"standard_uncertainty": math.inf},
        {"degrees_of_freedom": 0.0},
    ],
)
def test_a_quantity_without_sense_is_refused(wrong):
    """The name of the quantity stands in the message."""
    with pytest.raises(ValueError, match="m_KHP"):
        InputQuantity(**{"name": "m_KHP", "value": 1.0, "standard_uncertainty": 0.1} | wrong)


def test_correlation_of_readings_agrees_with_numpy():
    """The correlation of means is that of the readings taken together."""
    readings = np.random.default_rng(4).normal(size=(7, 3)) @ np.array([[1, 0.5, 0], [0, 1, 2], [0, 0, 1.0]])

    found = correlation_of_readings(readings)

    np.testing.assert_allclose(found, np.corrcoef(readings.T), rtol=0, atol=1e-12)


@pytest.mark.parametrize("scale", [1e-200, 1e12, 1e200])
def test_correlation_survives_any_unit(scale):
    """Neither tiny nor huge readings change a correlation."""
    readings = np.array([[1.0, 2.0], [2.0, 1.0], [3.0, 4.0], [4.0, 3.0]])

    np.testing.assert_allclose(
        correlation_of_readings(readings * scale), correlation_of_readings(readings), atol=1e-12
    )


@pytest.mark.parametrize("readings", [[[1.0, 2.0]], [[1.0, 2.0], [1.0, 3.0]]])
def test_correlation_needs_scatter(readings):
    """One set, or a quantity that never changes, has no correlation."""
    with pytest.raises(NotEstimable):
        correlation_of_readings(readings)


@pytest.mark.parametrize(
    ("matrix", "words"),
    [
        ([[1.0]], "2 rows"),
        ([[1.0, 0.5], [0.4, 1.0]], "symmetric"),
        ([[2.0, 0.0], [0.0, 1.0]], "diagonal"),
        ([[1.0, 1.2], [1.2, 1.0]], "negative eigenvalue"),
    ],
)
def test_impossible_correlations_are_refused(matrix, words):
    """A matrix that no quantities can have says what is wrong with it."""
    with pytest.raises(ValueError, match=words):
        checked_correlation(matrix, 2)
