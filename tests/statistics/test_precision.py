"""Repeatability and intermediate precision from groups, one series, duplicates."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats

from validator.errors import NotEstimable
from validator.statistics.interval import Estimate
from validator.statistics.precision import critical_difference, duplicates, one_way, single_series

thousandths = st.integers(-(10**6), 10**6).map(lambda number: number / 1000)
layouts = st.lists(st.lists(thousandths, min_size=1, max_size=5), min_size=2, max_size=5)
quick = settings(max_examples=60, deadline=None)


def days(seed, sizes, between=1.0, within=0.5, mean=20.0):
    rng = np.random.default_rng(seed)
    return [mean + rng.normal(0, between) + rng.normal(0, within, size) for size in sizes]


def figures(result):
    """Every standard deviation with its interval, as a flat list; what is not estimable is left out."""
    found = []
    for figure in (result.repeatability_sd, result.between_sd, result.intermediate_sd):
        if isinstance(figure, Estimate):
            found += [figure.value, figure.interval.lower, figure.interval.upper]
    return found


def spread(groups):
    return float(np.ptp(np.concatenate([np.asarray(group) for group in groups])))


@quick
@given(layouts, thousandths)
def test_shift_moves_only_the_mean(groups, shift):
    """Adding a constant to every reading leaves all standard deviations and F alone."""
    before, after = one_way(groups), one_way([[y + shift for y in group] for group in groups])

    assert after.mean.value == pytest.approx(before.mean.value + shift, abs=1e-9)
    assert figures(after) == pytest.approx(figures(before), rel=1e-6, abs=1e-5 * spread(groups) + 1e-9)


@quick
@given(layouts, st.sampled_from([1e-12, 1e-3, 0.5, 1000.0, 1e12]))
def test_change_of_unit_scales_every_figure_and_leaves_relative_ones_alone(groups, factor):
    """Readings in another unit give the same figures in that unit."""
    before, after = one_way(groups), one_way([[y * factor for y in group] for group in groups])

    expected = [figure * factor for figure in figures(before)]
    assert figures(after) == pytest.approx(expected, rel=1e-6, abs=1e-5 * factor * (spread(groups) + 1e-9))
    if isinstance(before.repeatability_rsd, Estimate):
        assert after.repeatability_rsd.value == pytest.approx(before.repeatability_rsd.value, rel=1e-6)


@quick
@given(layouts, st.randoms())
def test_order_never_matters(groups, random):
    """Neither the order of the groups nor that of the readings changes a figure."""
    shuffled = [random.sample(group, len(group)) for group in groups]
    random.shuffle(shuffled)

    before, after = one_way(groups), one_way(shuffled)

    assert figures(after) == pytest.approx(figures(before), rel=1e-6, abs=1e-5 * spread(groups) + 1e-12)
    assert after.mean.value == pytest.approx(before.mean.value, abs=1e-9)


@quick
@given(layouts)
def test_intermediate_is_never_below_repeatability(groups):
    """What groups add is never negative, and every interval holds its estimate."""
    result = one_way(groups)

    if isinstance(result.repeatability_sd, Estimate):
        assert result.intermediate_sd.value >= result.repeatability_sd.value
    for figure in (result.repeatability_sd, result.between_sd, result.intermediate_sd, result.mean):
        if isinstance(figure, Estimate):
            assert figure.value in figure.interval


@pytest.mark.parametrize("sizes", [(4, 4, 4), (2, 5, 3, 6)])
def test_f_test_agrees_with_a_general_library(sizes):
    """scipy.stats.f_oneway gives the same F and p, balanced or not."""
    groups = days(1, sizes)
    reference = stats.f_oneway(*groups)

    result = one_way(groups)

    assert result.f == pytest.approx(reference.statistic, rel=1e-10)
    assert result.p == pytest.approx(reference.pvalue, rel=1e-9)


def test_balanced_components_follow_from_the_mean_squares():
    """s_r² = MS_W, s_b² = (MS_B - MS_W)/n."""
    result = one_way(days(2, (3, 3, 3, 3, 3)))

    s_b2 = (result.ms_between - result.ms_within) / 3
    assert result.repeatability_sd.value == pytest.approx(math.sqrt(result.ms_within))
    assert result.between_sd.value == pytest.approx(math.sqrt(s_b2))
    assert result.intermediate_sd.value == pytest.approx(math.sqrt(result.ms_within + s_b2))
    assert result.mean.standard_error == pytest.approx(math.sqrt(result.ms_between / 15))


def test_likelihood_decides_in_an_unbalanced_layout():
    """It lies near the mean squares with n0 = (N - Σn²/N)/(p - 1), and is not the same."""
    result = one_way(days(3, (2, 5, 3, 6)))

    n0 = (16 - (4 + 25 + 9 + 36) / 16) / 3
    by_mean_squares = math.sqrt(result.ms_within), math.sqrt((result.ms_between - result.ms_within) / n0)
    by_likelihood = result.repeatability_sd.value, result.between_sd.value
    assert by_likelihood == pytest.approx(by_mean_squares, rel=0.1)
    assert by_likelihood[0] != by_mean_squares[0]
    assert "restricted maximum likelihood" in result.method


def test_negative_between_component_is_set_to_zero_and_said_so():
    """Groups that agree better than their readings: s_b = 0, s_I = s_r."""
    result = one_way([[1.0, 3.0], [1.1, 2.9], [0.9, 3.1]])

    assert result.between_sd.value == 0
    assert "negative between-group variance set to zero" in result.method
    assert result.intermediate_sd.value == result.repeatability_sd.value
    assert result.between_sd.interval.lower == 0
    assert "set to zero" in result.method


def test_single_readings_still_give_intermediate_precision():
    """One reading a day: no repeatability, but the standard deviation of the results."""
    result = one_way([[10.1], [10.4], [9.8], [10.2]])

    assert isinstance(result.repeatability_sd, NotEstimable)
    assert str(result.repeatability_sd) == (
        "every group has a single reading; needs groups with at least 2 readings"
    )
    assert isinstance(result.between_sd, NotEstimable)
    assert result.intermediate_sd.value == pytest.approx(np.std([10.1, 10.4, 9.8, 10.2], ddof=1))
    assert result.intermediate_sd.degrees_of_freedom == 3
    assert critical_difference(result.repeatability_sd) is None
    assert result.f is None
    assert "single results" in result.method


def test_a_single_group_is_a_series():
    """One group gives what the series gives, and says that intermediate precision needs more."""
    values = [10.1, 10.4, 9.8, 10.2]

    grouped, series = one_way([[], values]), single_series(values)

    assert grouped.repeatability_sd == series.repeatability_sd
    assert grouped.mean == series.mean
    assert series.groups == 1
    assert isinstance(series.intermediate_sd, NotEstimable)
    assert series.intermediate_sd.needs == "at least 2 series (days, operators)"


def test_series_agrees_with_elementary_statistics():
    """Mean with Student interval, s with chi-squared interval, both against scipy.stats."""
    values = np.array([5.2, 4.9, 5.1, 5.4, 5.0, 5.3])
    s, n = np.std(values, ddof=1), len(values)

    result = single_series(values, level=0.9)

    mean_interval = stats.t.interval(0.9, n - 1, values.mean(), s / math.sqrt(n))
    chi = stats.chi2.ppf([0.95, 0.05], n - 1)
    sd_interval = s * np.sqrt((n - 1) / chi)
    assert result.repeatability_sd.value == pytest.approx(s)
    assert (result.mean.interval.lower, result.mean.interval.upper) == pytest.approx(mean_interval)
    assert [result.repeatability_sd.interval.lower, result.repeatability_sd.interval.upper] == pytest.approx(
        list(sd_interval)
    )
    assert result.repeatability_rsd.value == pytest.approx(100 * s / values.mean())
    assert critical_difference(result.repeatability_sd) == pytest.approx(2.8 * s)
    assert critical_difference(result.repeatability_sd, exact=True) == pytest.approx(
        math.sqrt(2) * stats.t.ppf(0.975, n - 1) * s
    )


@pytest.mark.parametrize("mean", [0.0, -3.0])
def test_relative_figures_need_a_positive_mean(mean):
    """A mean of zero or below has no relative standard deviation; the reason is given."""
    result = one_way([[mean - 1, mean + 1.5], [mean - 1.5, mean + 1]])

    assert isinstance(result.repeatability_rsd, NotEstimable)
    assert result.repeatability_rsd.reason.startswith("the mean is not positive")
    assert isinstance(result.intermediate_rsd, NotEstimable)
    assert isinstance(result.repeatability_sd, Estimate)


def test_identical_readings_are_not_a_standard_deviation_of_zero():
    """Readings that do not differ show the resolution of the record, not the precision of the method."""
    same = one_way([[0.3, 0.3, 0.3], [0.3, 0.3, 0.3]])
    by_group = one_way([[0.3, 0.3, 0.3], [0.7, 0.7, 0.7], [0.4, 0.4]])
    series = single_series([0.1, 0.1, 0.1])

    for figure in (
        same.repeatability_sd,
        same.intermediate_sd,
        by_group.repeatability_sd,
        series.repeatability_sd,
    ):
        assert isinstance(figure, NotEstimable)
        assert figure.needs == "readings recorded with higher resolution"
    assert by_group.intermediate_sd.value == pytest.approx(np.std([0.3, 0.7, 0.4], ddof=1))
    assert by_group.f is None


@pytest.mark.parametrize("magnitude", [1e-12, 1.0, 1e12])
def test_ten_thousand_readings_of_any_magnitude(magnitude):
    """Ten thousand readings give s within its sampling error, balanced and not."""
    rng = np.random.default_rng(4)
    even = magnitude * (5 + rng.normal(0, 0.3, (100, 1)) + rng.normal(0, 0.4, (100, 100)))
    uneven = [row[: 20 + index % 70] for index, row in enumerate(even)]

    for result in (one_way(list(even)), one_way(uneven)):
        assert result.repeatability_sd.value == pytest.approx(0.4 * magnitude, rel=0.03)
        assert result.between_sd.value == pytest.approx(0.3 * magnitude, rel=0.25)


@pytest.mark.parametrize(
    ("groups", "reason"),
    [([], "fewer than 2 readings"), ([[1.0]], "fewer than 2 readings"), ([[1.0, math.nan], [2.0]], "finite")],
)
def test_refuses_what_carries_no_scatter(groups, reason):
    """Too few readings and readings that are no numbers are refused with the reason."""
    with pytest.raises(NotEstimable, match=reason):
        one_way(groups)


def test_result_repeats_the_choices_that_made_it():
    """Level of confidence in every interval, and nothing can be changed afterwards."""
    result = one_way(days(5, (3, 3, 3)), level=0.9)

    for figure in (result.mean, result.repeatability_sd, result.between_sd, result.intermediate_sd):
        assert figure.interval.level == 0.9
    with pytest.raises(AttributeError):
        result.n = 3


def test_duplicates_pool_the_differences():
    """The figure √(Σd²/2k) equals the pooled standard deviation of the pairs."""
    pairs = [(10.1, 10.3), (20.4, 20.1), (5.0, 5.1), (8.2, 8.2)]

    result = duplicates(pairs)

    pooled = math.sqrt(np.mean([np.var(pair, ddof=1) for pair in pairs]))
    assert result.pairs == 4
    assert result.repeatability_sd.value == pytest.approx(pooled)
    assert result.repeatability_sd.degrees_of_freedom == 4
    assert result.repeatability_limit == pytest.approx(2.8 * pooled)
    relative = [np.std(pair, ddof=1) / np.mean(pair) for pair in pairs]
    assert result.repeatability_rsd.value == pytest.approx(100 * math.sqrt(np.mean(np.square(relative))))


def test_duplicates_refuse_what_they_cannot_carry():
    """No pair, pairs without difference, pairs around zero: each says so."""
    with pytest.raises(NotEstimable, match="no pair"):
        duplicates([])
    assert isinstance(duplicates([(1.0, 1.0)]).repeatability_sd, NotEstimable)
    assert isinstance(duplicates([(1.0, -1.0), (2.0, 1.0)]).repeatability_rsd, NotEstimable)


@pytest.mark.parametrize("between", [0.0, 1.0])
def test_intervals_of_one_way_cover_95_percent(between):
    """4000 simulated studies of 6 days with 3 readings: s_r and s_I between 94 and 96 %, and the mean."""
    rng = np.random.default_rng(11)
    truth = {"repeatability_sd": 1.0, "intermediate_sd": math.hypot(1.0, between), "mean": 50.0}
    hits = dict.fromkeys(truth, 0)
    data = 50 + between * rng.standard_normal((4000, 6, 1)) + rng.standard_normal((4000, 6, 3))

    for groups in data:
        result = one_way(list(groups))
        for name, value in truth.items():
            hits[name] += value in getattr(result, name).interval

    assert {name: 0.94 <= count / 4000 <= 0.96 for name, count in hits.items()} == dict.fromkeys(truth, True)
