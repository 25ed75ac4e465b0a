"""Outlier tests report at their stated level and never act."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats

from validator.errors import NotEstimable
from validator.statistics.outliers import (
    cochran,
    cochran_critical,
    dixon,
    dixon_critical,
    dixon_p,
    grubbs,
    grubbs_critical,
    grubbs_double,
    modified_z,
    outlier_tests,
    within_groups,
)

RUNS = 20_000
TESTS = (grubbs, dixon, modified_z)


def samples(n, seed=41):
    return np.random.default_rng(seed).standard_normal((RUNS, n))


@pytest.mark.parametrize("alpha", [0.05, 0.01])
@pytest.mark.parametrize("n", [4, 7, 15])
def test_grubbs_flags_good_data_at_its_level(n, alpha):
    """The Bonferroni bound is exact here within the simulation error."""
    x = samples(n)
    G = np.max(np.abs(x - x.mean(axis=1, keepdims=True)), axis=1) / x.std(axis=1, ddof=1)

    assert np.mean(grubbs_critical(n, alpha) < G) == pytest.approx(alpha, abs=4 * math.sqrt(alpha / RUNS))


@pytest.mark.parametrize("alpha", [0.05, 0.01])
@pytest.mark.parametrize("n", [4, 6, 12, 30])
def test_grubbs_double_flags_good_data_at_its_level(n, alpha):
    """Two-sided: both ends together pass the tabulated bound in α of fresh samples."""
    x = np.sort(samples(n, seed=42), axis=1)
    total = x.var(axis=1) * n
    critical = grubbs_double([*range(n - 1), 2 * n], "largest", alpha=alpha).critical

    low, high = x[:, 2:].var(axis=1) * (n - 2) / total, x[:, :-2].var(axis=1) * (n - 2) / total

    rate = np.mean(low < critical) + np.mean(high < critical)
    assert rate == pytest.approx(alpha, abs=4 * math.sqrt(alpha / RUNS))


@pytest.mark.parametrize("n", [3, 4, 7, 10, 20])
def test_dixon_p_is_the_rate_of_larger_ratios(n):
    """Two-sided probability by integration against simulation, above and below one half."""
    x = np.sort(samples(n, seed=43), axis=1)
    Q = np.maximum(x[:, 1] - x[:, 0], x[:, -1] - x[:, -2]) / (x[:, -1] - x[:, 0])

    for r in (0.3, 0.45, 0.6, 0.9):
        p = dixon_p(r, n)
        assert np.mean(r <= Q) == pytest.approx(p, abs=4 * math.sqrt(p / RUNS) + 1e-4)


def test_dixon_probability_runs_from_one_to_nil():
    """Any ratio reaches 0, none exceeds 1; for three values the median ratio is known in closed form.

    For n = 3 the two-sided distribution is P = 1 - (6/π)·arctan((2r - 1)/√3) for r >= 1/2 (Dixon 1951).
    """
    assert dixon_p(0.0, 5) == pytest.approx(1, abs=1e-9)
    assert dixon_p(1.0, 5) == pytest.approx(0, abs=1e-9)
    for r in (0.5, 0.75, 0.95):
        assert dixon_p(r, 3) == pytest.approx(
            2 - 6 / math.pi * math.atan((2 * r - 1) / math.sqrt(3)) - 1, abs=1e-6
        )
    assert dixon_p(dixon_critical(8, 0.05), 8) == pytest.approx(0.05, abs=1e-6)


@pytest.mark.parametrize(("k", "n"), [(5, 3), (8, 2)])
def test_cochran_flags_good_data_at_its_level(k, n):
    """Equal variances pass the bound in 5 % of the rounds."""
    variances = np.random.default_rng(44).standard_normal((RUNS, k, n)).var(axis=2, ddof=1)
    C = variances.max(axis=1) / variances.sum(axis=1)

    assert np.mean(cochran_critical(k, n - 1, 0.05) < C) == pytest.approx(
        0.05, abs=4 * math.sqrt(0.05 / RUNS)
    )


@settings(max_examples=40, deadline=None)
@given(
    st.lists(st.integers(-1000, 1000).map(float), min_size=4, max_size=12, unique=True),
    st.sampled_from([-1e6, -1.0, 1e-9, 1e6]),
    st.floats(-50, 50),
)
def test_unit_and_origin_do_not_matter(values, factor, shift):
    """Statistic, p and decision are the same in any unit, also with the sign turned."""
    moved = [value * factor + shift * factor for value in values]

    for test in TESTS:
        try:
            plain = test(values)
        except NotEstimable:
            with pytest.raises(NotEstimable):
                test(moved)
            continue
        other = test(moved)
        assert abs(other.statistic) == pytest.approx(abs(plain.statistic), rel=1e-6)
        assert other.critical == plain.critical
        if plain.p is not None:
            assert other.p == pytest.approx(plain.p, rel=1e-5, abs=1e-12)


def test_outlier_is_found_by_every_test_that_looks_for_it():
    """One wild value among ten: its position and value are reported, the data stay as they are."""
    values = [5.01, 5.03, 4.98, 5.02, 9.5, 5.00, 4.97, 5.04, 4.99, 5.01]
    before = list(values)

    found = {test.name: test for test in outlier_tests(values)}

    assert values == before
    assert set(found) == {
        "Grubbs (Bonferroni)",
        "Grubbs, two largest",
        "Grubbs, two smallest",
        "Dixon Q (r10)",
        "modified z (Iglewicz-Hoaglin)",
    }
    assert "modified z (Iglewicz-Hoaglin)" not in {test.name for test in outlier_tests(values[1:])}
    for name in ("Grubbs (Bonferroni)", "Dixon Q (r10)", "modified z (Iglewicz-Hoaglin)"):
        assert found[name].flagged
        assert found[name].index == (4,)
        assert found[name].suspect == 9.5
    assert found["Grubbs, two largest"].index == (4, 7)
    assert not found["Grubbs, two smallest"].flagged


def test_two_outliers_mask_each_other_from_the_single_test():
    """Two equal wild values hide from Grubbs' single test; the double test sees them."""
    values = [5.01, 5.03, 4.98, 5.02, 5.00, 4.97, 6.00, 6.01]

    assert not grubbs(values).flagged
    assert grubbs_double(values, "largest").flagged
    assert grubbs_double(values, "largest", alpha=0.01).index == (7, 6)
    assert not grubbs_double(values, "smallest").flagged


def test_modified_z_lists_every_value_beyond():
    """All values beyond 3.5 are named, the most extreme first; the statistic keeps its sign."""
    result = modified_z([5.0, 5.1, 4.9, 5.0, 5.2, 4.8, 1.0, 8.0])

    assert result.index == (6, 7)
    assert result.statistic < -3.5
    assert result.suspect == 1.0


def test_cochran_names_the_group_and_leaves_single_readings_out():
    """The position counts all groups, also those without replicates."""
    groups = [[1.0], [5.0, 5.1], [5.0, 7.0], [5.2, 5.1], [5.05, 5.0], [4.9, 5.0]]

    result = cochran(groups)

    assert result.index == (2,)
    assert result.suspect == pytest.approx(math.sqrt(2))
    assert result.flagged
    assert result.critical == cochran_critical(5, 1, 0.05)
    assert result.p < 0.05


def test_extreme_configurations_have_p_of_nil():
    """All scatter in one group, or one of three values off: the bound is reached and p is 0."""
    assert cochran([[1.0, 1.0], [2.0, 3.0]]).p == 0
    assert grubbs([1.0, 1.0, 2.0]).p == pytest.approx(0, abs=1e-6)
    assert dixon([1.0, 1.0, 2.0]).statistic == 1


@pytest.mark.parametrize(
    ("call", "reason"),
    [
        (lambda: grubbs([1.0, 2.0]), "only 2 values"),
        (lambda: dixon([1.0, 1.0, 1.0]), "all values are identical"),
        (lambda: grubbs_double([1.0, 2.0, 3.0], "largest"), "only 3 values"),
        (
            lambda: grubbs_double(list(range(41)), "largest"),
            (
                r"no critical value is tabulated for 41 "
                r"values at significance level 0\.05"
            ),
        ),
        (lambda: grubbs_double([1.0, 2.0, 3.0, 9.0], "largest", alpha=0.1), "no critical value"),
        (lambda: modified_z([1.0, 1.0, 1.0, 2.0]), "more than half of the values are identical"),
        (lambda: cochran([[1.0, 2.0], [3.0]]), "fewer than two groups"),
        (lambda: cochran([[1.0, 1.0], [3.0, 3.0]]), "the readings within the groups are identical"),
    ],
)
def test_refusals_say_why(call, reason):
    """What cannot be tested is refused with its reason."""
    with pytest.raises(NotEstimable, match=reason):
        call()


def test_series_without_scatter_has_no_tests():
    """Equal values carry none of the tests."""
    assert outlier_tests([2.0] * 8) == ()


def test_p_of_grubbs_and_cochran_are_the_bonferroni_bounds():
    """Written out with scipy.stats: n times the two-sided t tail, k times the upper F tail."""
    values, groups = [5.0, 5.2, 4.9, 5.1, 6.0, 5.05], [[5.0, 5.1, 5.3], [5.0, 5.9, 4.8], [5.2, 5.1, 5.0]]
    single, largest = grubbs(values), cochran(groups)

    G, n = single.statistic, 6
    t = math.sqrt(n * (n - 2) * G**2 / ((n - 1) ** 2 - n * G**2))
    F = 2 * largest.statistic / (1 - largest.statistic)
    assert single.p == pytest.approx(n * 2 * stats.t.sf(t, n - 2))
    assert largest.p == pytest.approx(3 * stats.f.sf(F, 2, 4))
    assert grubbs(values, alpha=single.p).critical == pytest.approx(single.statistic)
    assert cochran(groups, alpha=largest.p).critical == pytest.approx(largest.statistic)


GROUPS = np.repeat(np.arange(6), 3)


def test_within_groups_is_the_externally_studentised_residual_of_statsmodels():
    """The largest, its p by Bonferroni, about the means of the groups."""
    ols = pytest.importorskip("statsmodels.api")
    rng = np.random.default_rng(5)
    y = 3 * rng.standard_normal(6)[GROUPS] + rng.standard_normal(18)
    y[4] += 6
    influence = ols.OLS(y, np.eye(6)[GROUPS]).fit().get_influence()
    external = np.abs(influence.resid_studentized_external)

    found = within_groups(y, GROUPS)

    assert found.index == (int(external.argmax()),) == (4,)
    assert found.statistic == pytest.approx(np.abs(influence.resid_studentized_internal).max())
    assert found.p == pytest.approx(min(1, 18 * 2 * stats.t.sf(external.max(), 11)))
    assert found.flagged


def test_within_groups_keeps_its_level_where_groups_differ():
    """Differences between groups of three times the scatter within: 5 % of 2000 clean sets are flagged."""
    rng = np.random.default_rng(6)
    flagged = sum(
        within_groups(3 * rng.standard_normal(6)[GROUPS] + rng.standard_normal(18), GROUPS).flagged
        for _ in range(2000)
    )

    assert 0.03 <= flagged / 2000 <= 0.06


def test_a_pair_that_differs_names_both():
    """Of two values nothing tells which is wrong."""
    values = [1.0, 1.1, 2.0, 2.1, 3.0, 3.05, 4.0, 6.0]

    assert within_groups(values, [0, 0, 1, 1, 2, 2, 3, 3]).index == (6, 7)


@given(st.permutations(range(6)))
def test_of_values_equally_far_away_the_greater_is_named(order):
    """Whatever the order in the file, and whatever the last bit of the mean says."""
    values, groups = (
        np.array([0.1, 0.2, 0.4, 0.7, 0.9, 1.0])[list(order)],
        np.array([0, 1, 2, 2, 1, 0])[list(order)],
    )

    for test in (grubbs, dixon, lambda x: within_groups(x, list(groups))):
        assert test(values).suspect == 1.0


def test_without_replicates_in_groups_there_is_no_scatter_within():
    """One value a group leaves nothing to test."""
    with pytest.raises(NotEstimable, match="too few values within groups"):
        within_groups([1.0, 2.0, 3.0], [0, 1, 2])
