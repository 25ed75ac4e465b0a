"""Size, mean and variance of a sample; sums of variances."""

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from validator.statistics.sample import (
    effective_degrees_of_freedom,
    mean_of_series,
    summarise,
    vector,
    weights_of_series,
    without_rounding,
)


def test_agrees_with_numpy():
    """Mean and variance are those of numpy where numpy is accurate."""
    x = [1.0, 2.5, 4.0, 4.5]

    sample = summarise(x)

    assert sample.mean == pytest.approx(np.mean(x), rel=1e-15)
    assert sample.variance == pytest.approx(np.var(x, ddof=1), rel=1e-14)
    assert sample.variance_of_mean == pytest.approx(np.var(x, ddof=1) / 4, rel=1e-14)
    assert sample.degrees_of_freedom == 3


def test_one_value_has_no_variance():
    """A single result has a mean and no variance."""
    sample = summarise([3.0])

    assert (sample.n, sample.mean, sample.variance, sample.sd, sample.variance_of_mean) == (
        1,
        3.0,
        None,
        None,
        None,
    )


def test_equal_values_have_variance_zero():
    """Ten times 0.1 does not scatter, whatever binary makes of it."""
    assert summarise([0.1] * 10).variance == 0.0
    assert summarise([0.3, 0.1 + 0.2]).variance == 0.0


def test_leading_digits_cost_nothing():
    """Nine constant leading digits leave the variance right to six digits."""
    x = np.array([1.0, 3.0, 2.0, 4.0])

    assert summarise(1e9 + x).variance == pytest.approx(5 / 3, rel=1e-6)


@pytest.mark.parametrize("scale", [1e-150, 1e-12, 1e12, 1e150])
def test_any_magnitude(scale):
    """The mean and standard deviation scale with the unit."""
    sample = summarise(np.array([1.0, 2.0, 4.0]) * scale)

    assert sample.mean == pytest.approx(7 / 3 * scale)
    assert sample.sd == pytest.approx(math.sqrt(7 / 3) * scale)


@pytest.mark.parametrize("values", [[1.0, math.nan], [math.inf], [[1.0], [2.0]], []])
def test_refuses_what_is_no_sample(values):
    """Missing numbers, matrices and nothing at all are errors of the caller."""
    with pytest.raises(ValueError, match="values"):
        summarise(values)


def test_a_number_stretches_to_the_size_asked_for():
    """One native content serves all results."""
    assert vector(2.0, "native", size=3).tolist() == [2.0, 2.0, 2.0]
    with pytest.raises(ValueError, match="native has 2 values where 3 are expected"):
        vector([1.0, 2.0], "native", size=3)


def test_rounding_of_a_difference_is_no_scatter():
    """0.3 − 0.2 and 10.3 − 10.2 differ in binary and are made equal; a real difference stays."""
    y, x = np.array([0.3, 10.3]), np.array([0.2, 10.2])

    assert np.ptp(y - x) > 0
    assert np.ptp(without_rounding(y - x, np.concatenate([x, y]))) == 0
    real = np.array([0.1, 0.1001])
    assert without_rounding(real, np.concatenate([x, y])).tolist() == real.tolist()


def test_degrees_of_freedom_of_the_gum_example():
    """JCGM 100:2008, H.1.6 (from memory): the end-gauge example has ν_eff = 16.7, truncated to 16.

    Its four terms: 25 nm with 18, 9.7 nm with 25.6, 2.9 nm with 50 and 16.6 nm with 2.  They are printed to
    three digits; 0.05 in 16.6, to the fourth power, is worth 0.2 in ν_eff.
    """
    terms = [(25.0**2, 18), (9.7**2, 25.6), (2.9**2, 50), (16.6**2, 2)]

    nu = effective_degrees_of_freedom(terms)

    assert nu == pytest.approx(16.7, abs=0.2)
    assert math.floor(nu) == 16


def test_degrees_of_freedom_without_finite_terms():
    """Known variances, or none, leave infinite degrees of freedom."""
    assert effective_degrees_of_freedom([(1.0, math.inf)]) == math.inf
    assert effective_degrees_of_freedom([]) == math.inf
    assert effective_degrees_of_freedom([(0.0, 3)]) == math.inf


@given(st.lists(st.tuples(st.floats(1e-200, 1e200), st.floats(1, 1e4)), min_size=1, max_size=5))
@settings(deadline=None, max_examples=60)
def test_degrees_of_freedom_lie_between_smallest_and_sum(terms):
    """ν_eff is never below the smallest ν nor above their sum."""
    nu = effective_degrees_of_freedom(terms)

    assert min(n for _, n in terms) * (1 - 1e-9) <= nu <= sum(n for _, n in terms) * (1 + 1e-9)


def test_series_are_the_units():
    """Three days of two: standard error from the three day means, ν = 2."""
    values = np.array([1.0, 2.0, 3.0, 5.0, 6.0, 7.0])

    mean, u, nu, method = mean_of_series(values, [1, 1, 2, 2, 3, 3])

    assert mean == pytest.approx(4.0)
    assert u == pytest.approx(math.sqrt(np.var([1.5, 4.0, 6.5], ddof=1) / 3))
    assert nu == 2
    assert method == "mean of 3 series means (series as independent units)"


@pytest.mark.parametrize(
    ("labels", "method"),
    [
        (None, "independent results"),
        (["a", "b", "c"], "independent results"),
        (["a", "a", "a"], "one series; between-series variation not included"),
    ],
)
def test_single_results_of_series_are_independent(labels, method):
    """Without replicates in series, or with one series, s/√n and n − 1."""
    mean, u, nu, said = mean_of_series(np.array([1.0, 2.0, 6.0]), labels)

    assert (mean, nu, said) == (3.0, 2, method)
    assert u == pytest.approx(math.sqrt(7 / 3))


def test_weights_add_up_to_one_with_unequal_series():
    """Each series weighs the same, whatever its size."""
    assert weights_of_series(["a", "a", "a", "b"], 4).tolist() == pytest.approx([1 / 6, 1 / 6, 1 / 6, 1 / 2])


def test_series_labels_must_match():
    """A label for each result."""
    with pytest.raises(ValueError, match="2 series labels for 3 results"):
        mean_of_series(np.array([1.0, 2.0, 3.0]), ["a", "b"])
