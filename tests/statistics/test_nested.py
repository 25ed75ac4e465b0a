"""Precision over several factors, nested and crossed."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats

from validator.errors import NotEstimable
from validator.statistics.interval import Estimate
from validator.statistics.nested import crossed, crossed_total_terms, is_nested_in, nested, nested_total_terms
from validator.statistics.precision import one_way
from validator.statistics.precision_intervals import modified_large_sample_interval
from validator.statistics.variance_components import Stage, coded, crossed_table, paired, reml, total_terms

DAY = np.repeat(np.arange(5), 12)
OPERATOR = np.tile(np.repeat(np.arange(3), 4), 5)


def readings(seed, day=DAY, operator=OPERATOR):
    rng = np.random.default_rng(seed)
    cell = coded(list(zip(day.tolist(), operator.tolist(), strict=True)))
    return (
        10
        + rng.normal(0, 1, day.max() + 1)[day]
        + rng.normal(0, 0.7, cell.max() + 1)[cell]
        + rng.normal(0, 0.5, len(day))
    )


def factors(day=DAY, operator=OPERATOR):
    return {"day": day.tolist(), "operator": operator.tolist()}


def standard_deviations(result):
    return [line.sd.value for line in result.components] + [result.intermediate_sd.value]


@settings(max_examples=25, deadline=None)
@given(st.integers(0, 10**6), st.sampled_from([1e-6, 1.0, 1e6]), st.floats(-100, 100), st.booleans())
def test_unit_and_origin_do_not_matter(seed, factor, shift, balanced):
    """Shift moves only the mean, scale scales, for balanced and unbalanced layouts, nested and crossed."""
    keep = slice(None) if balanced else slice(0, -3)
    y, labels = readings(seed)[keep], factors(DAY[keep], OPERATOR[keep])

    for analysis in (nested, crossed):
        plain, moved = analysis(y, labels), analysis((y + shift) * factor, labels)

        expected = [s * factor for s in standard_deviations(plain)]
        assert standard_deviations(moved) == pytest.approx(expected, rel=1e-5, abs=1e-4 * factor)
        assert moved.mean.value == pytest.approx(
            (plain.mean.value + shift) * factor, rel=1e-9, abs=1e-9 * factor
        )


@settings(max_examples=25, deadline=None)
@given(st.integers(0, 10**6))
def test_order_of_readings_does_not_matter(seed):
    """The same readings in another order give the same components."""
    y, order = readings(seed), np.random.default_rng(seed).permutation(len(DAY))

    plain = nested(y, factors())
    shuffled = nested(y[order], factors(DAY[order], OPERATOR[order]))

    assert standard_deviations(shuffled) == pytest.approx(standard_deviations(plain), rel=1e-6, abs=1e-7)


@pytest.mark.parametrize("analysis", [nested, crossed])
@pytest.mark.parametrize("dropped", [0, 3])
def test_parts_add_up_and_intermediate_is_not_below_repeatability(analysis, dropped):
    """The components sum to the square of s_I, their shares to 100 %."""
    keep = len(DAY) - dropped
    result = analysis(readings(7)[:keep], factors(DAY[:keep], OPERATOR[:keep]))

    assert sum(line.variance for line in result.components) == pytest.approx(result.intermediate_sd.value**2)
    assert sum(line.share_percent for line in result.components) == pytest.approx(100)
    assert result.intermediate_sd.value >= result.repeatability_sd.value
    assert result.intermediate_sd.value in result.intermediate_sd.interval
    assert result.mean.value in result.mean.interval


@pytest.mark.parametrize("analysis", [nested, crossed])
def test_mean_squares_and_likelihood_agree_on_balanced_data(analysis):
    """Where no component is clipped the analysis of variance is the REML solution."""
    y = readings(3) + np.array([0.0, 1.5, 4.0])[OPERATOR]  # operators differ, so that no component is nil
    cells = paired(DAY, OPERATOR)
    codes = [DAY, cells] if analysis is nested else [DAY, OPERATOR, cells]

    result = analysis(y, factors())
    likelihood = reml(y, codes)

    assert not any(line.clipped for line in result.components)
    expected = [*likelihood.components.tolist(), likelihood.residual]
    assert [line.variance for line in result.components] == pytest.approx(expected, rel=1e-6)


def test_one_factor_is_the_one_way_layout():
    """Nested with a single factor gives what the one-way analysis gives."""
    y = readings(5)

    by_factor = nested(y, {"day": DAY.tolist()})
    one = one_way([y[day == DAY] for day in range(5)])

    assert by_factor.intermediate_sd.value == pytest.approx(one.intermediate_sd.value)
    assert by_factor.intermediate_sd.interval.upper == pytest.approx(one.intermediate_sd.interval.upper)
    assert by_factor.components[0].sd.interval.upper == pytest.approx(one.between_sd.interval.upper)
    assert by_factor.mean.interval.lower == pytest.approx(one.mean.interval.lower)


def test_unbalanced_nested_follows_the_likelihood():
    """Components by REML, interval from mean squares of unweighted means, repeatability from the cells."""
    y, day, operator = readings(8)[:-5], DAY[:-5], OPERATOR[:-5]

    result = nested(y, factors(day, operator))
    likelihood = reml(y, [day, paired(day, operator)])

    assert [line.variance for line in result.components[:2]] == pytest.approx(likelihood.components.tolist())
    assert result.components[0].sd.standard_error == pytest.approx(
        math.sqrt(likelihood.covariance[0, 0]) / (2 * math.sqrt(likelihood.components[0]))
    )
    assert result.repeatability_sd.degrees_of_freedom == 55 - 14
    assert result.intermediate_sd.interval.method.startswith("modified large-sample")
    assert "restricted maximum likelihood" in result.method


def test_crossed_with_an_empty_cell_has_its_interval_from_the_effects():
    """Components by REML, interval from the effects of the cell means, named as such."""
    keep = ~((DAY == 4) & (OPERATOR == 2))

    y, day, operator = readings(9)[keep], DAY[keep], OPERATOR[keep]

    result = crossed(y, factors(day, operator))
    likelihood = reml(y, [day, operator, paired(day, operator)])

    assert result.intermediate_sd.value == pytest.approx(
        math.sqrt(likelihood.components.sum() + likelihood.residual)
    )
    assert result.intermediate_sd.interval.method.startswith("modified large-sample")


def test_crossed_in_blocks_says_where_its_interval_comes_from():
    """Days and operators in two blocks that share none: only the information matrix is left."""
    day = np.repeat(np.arange(4), 6)
    operator = np.repeat([0, 1, 0, 1, 2, 3, 2, 3], 3)
    rng = np.random.default_rng(12)
    y = 10 + rng.normal(0, 1, 4)[day] + rng.normal(0, 1, 4)[operator] + rng.normal(0, 0.5, 24)

    result = crossed(y, factors(day, operator))
    likelihood = reml(y, [day, operator, paired(day, operator)])

    total = likelihood.components.sum() + likelihood.residual
    nu = 2 * total**2 / likelihood.covariance.sum()
    assert result.intermediate_sd.value == pytest.approx(math.sqrt(total))
    assert result.intermediate_sd.degrees_of_freedom == pytest.approx(nu)
    assert result.intermediate_sd.interval.method == "Satterthwaite, information matrix"


def test_effects_of_a_balanced_layout_are_its_mean_squares():
    """Complete and balanced: every term c·S² is that of the analysis of variance, with its df."""
    y = readings(3)
    stages = [Stage(name=name, codes=code) for name, code in (("d", DAY), ("o", OPERATOR))]
    cells = Stage(name="c", codes=paired(DAY, OPERATOR))

    terms = crossed_total_terms(y, *stages, cells)
    by_table = total_terms(crossed_table(y, *stages, cells, "r"))

    assert [term.value for term in terms] == pytest.approx([term.value for term in by_table])
    assert [term.degrees_of_freedom for term in terms] == [term.degrees_of_freedom for term in by_table]


def test_single_readings_leave_repeatability_with_the_innermost_factor():
    """One reading per operator and day: the operator takes the residual along, the sum is still there."""
    first = np.arange(0, 60, 4)
    y, labels = readings(2)[first], factors(DAY[first], OPERATOR[first])

    by_nesting, by_crossing = nested(y, labels), crossed(y, labels)

    for result in (by_nesting, by_crossing):
        assert isinstance(result.repeatability_sd, NotEstimable)
        assert isinstance(result.intermediate_sd, Estimate)
        assert result.intermediate_rsd.value == pytest.approx(
            100 * result.intermediate_sd.value / result.mean.value
        )
    assert [line.factor for line in by_nesting.components] == ["day", "operator with repeatability"]
    assert by_crossing.components[-1].factor == "day:operator with repeatability"


def test_factors_that_cannot_be_told_apart_are_named_together():
    """One operator per day: their effects are one; an instrument that never changes is left out."""
    y = readings(4)
    labels = {"day": DAY.tolist(), "operator": ["A", "B", "A", "B", "A"], "run": OPERATOR.tolist()}
    labels["operator"] = [labels["operator"][day] for day in DAY]

    result = nested(y, {"instrument": ["only"] * 60, **labels})

    names = [line.factor for line in result.components]
    assert names == ["day with operator", "run", "repeatability"]


@pytest.mark.parametrize(
    ("analysis", "labels", "reason"),
    [
        (nested, {"day": [1, 1, 1, 1]}, "no factor has two levels"),
        (crossed, {"day": [1, 1, 1, 1], "operator": "abab"}, "day has one level"),
        (crossed, {"day": [1, 1, 2, 2], "operator": "aabb"}, "each day occurs with only one operator"),
    ],
)
def test_designs_that_carry_nothing_are_refused(analysis, labels, reason):
    """The reason names the factor."""
    with pytest.raises(NotEstimable, match=reason):
        analysis([1.0, 2.0, 3.0, 4.5], labels)


@pytest.mark.parametrize("analysis", [nested, crossed])
def test_identical_replicates_are_refused(analysis):
    """Replicates that do not differ have no repeatability to split off."""
    day, operator = np.repeat([0, 1], 4), np.tile([0, 0, 1, 1], 2)

    with pytest.raises(NotEstimable, match="identical"):
        analysis([1.1, 1.1, 1.3, 1.3, 1.2, 1.2, 1.7, 1.7], factors(day, operator))


def test_crossed_takes_two_factors():
    """Three factors are a programming error, not a matter of data."""
    with pytest.raises(ValueError, match="unpack"):
        crossed([1.0, 2.0], {"a": [1, 2], "b": [1, 2], "c": [1, 2]})


def test_nesting_is_seen_from_the_labels():
    """Runs named by their day are nested in it, operators who work every day are not."""
    assert is_nested_in(["1a", "1b", "2a", "2b"], [1, 1, 2, 2])
    assert not is_nested_in(["a", "b", "a", "b"], [1, 1, 2, 2])


NESTED_DAY = np.repeat(np.arange(6), [6, 5, 8, 3, 7, 4])
NESTED_RUN = coded([*"aaabbc", *"aaabc", *"aaaaabbb", *"cab", *"aabbccc", *"bbca"])


@pytest.mark.parametrize("spread", [(0, 0, 1), (1, 0, 1), (1, 1, 1), (3, 1, 1)])
def test_unbalanced_nested_interval_covers_95_percent(spread):
    """4000 runs of an unbalanced day/run layout: within 93 and 97 %, also where components are nil."""
    rng = np.random.default_rng(31)
    run = paired(NESTED_DAY, NESTED_RUN)
    truth = math.sqrt(sum(s**2 for s in spread))
    hits = 0
    for _ in range(4000):
        y = (
            spread[0] * rng.standard_normal(6)[NESTED_DAY]
            + spread[1] * rng.standard_normal(run.max() + 1)[run]
            + spread[2] * rng.standard_normal(len(run))
        )
        hits += truth in modified_large_sample_interval(nested_total_terms(y, [NESTED_DAY, run]), 0.95)

    assert 0.93 <= hits / 4000 <= 0.97


@pytest.mark.parametrize("spread", [(1, 1, 0, 1), (1, 1, 1, 1), (3, 1, 1, 1)])
def test_unbalanced_crossed_interval_covers_95_percent(spread):
    """4000 runs of 4 days by 3 operators with 1 to 4 readings a cell: within 93 and 97 %."""
    rng = np.random.default_rng(32)
    counts = [2, 3, 1, 2, 4, 2, 3, 1, 2, 2, 2, 3]
    cell = np.repeat(np.arange(12), counts)
    day, operator = cell // 3, cell % 3
    stages = [Stage(name=name, codes=code) for name, code in (("d", day), ("o", operator), ("c", cell))]
    truth = math.sqrt(sum(s**2 for s in spread))
    hits = 0
    for _ in range(4000):
        y = (
            spread[0] * rng.standard_normal(4)[day]
            + spread[1] * rng.standard_normal(3)[operator]
            + spread[2] * rng.standard_normal(12)[cell]
            + spread[3] * rng.standard_normal(len(cell))
        )
        hits += truth in modified_large_sample_interval(crossed_total_terms(y, *stages), 0.95)

    assert 0.93 <= hits / 4000 <= 0.97


TWO_OF_THREE = [(day, operator) for day in range(6) for operator in range(3) if operator != day % 3]
SPARSE = [(0, 2), (0, 3), (1, 0), (1, 1), (2, 1), (2, 2), (2, 3), (3, 0), (3, 2), (3, 3), (4, 0), (4, 1)]


@pytest.mark.parametrize(
    "pairs", [TWO_OF_THREE, SPARSE], ids=["6 x 3, a third empty", "5 x 4, two fifths empty"]
)
@pytest.mark.parametrize(
    ("spread", "fewest"),
    [((0, 0, 0, 1), 0.91), ((1, 1, 1, 1), 0.93), ((0, 3, 0, 1), 0.94), ((3, 3, 1, 1), 0.94)],
)
def test_incomplete_crossed_interval_covers(pairs, spread, fewest):
    """1500 runs with empty cells: 94 to 97 % with large effects, 91 % without; 4 % above at most."""
    rng = np.random.default_rng(34)
    day, operator = np.repeat(np.array(pairs), [1 + k % 3 for k in range(len(pairs))], axis=0).T
    cell = paired(day, operator)
    stages = [Stage(name=name, codes=code) for name, code in (("d", day), ("o", operator), ("c", cell))]
    truth = math.sqrt(sum(s**2 for s in spread))
    below = above = 0
    for _ in range(1500):
        y = spread[3] * rng.standard_normal(len(cell))
        for s, stage in zip(spread, stages, strict=False):
            y += s * rng.standard_normal(stage.levels)[stage.codes]
        interval = modified_large_sample_interval(crossed_total_terms(y, *stages), 0.95)
        below += truth < interval.lower
        above += truth > interval.upper

    assert fewest <= 1 - (below + above) / 1500 <= 0.97
    assert above / 1500 <= 0.04


def test_unweighted_means_are_unbiased():
    """The mean over 4000 runs of Σ c·S² is the sum of the variances, within 4 standard errors."""
    rng = np.random.default_rng(33)
    run = paired(NESTED_DAY, NESTED_RUN)
    totals = []
    for _ in range(4000):
        y = 2 * rng.standard_normal(6)[NESTED_DAY] + rng.standard_normal(run.max() + 1)[run]
        y += 0.5 * rng.standard_normal(len(run))
        totals.append(sum(term.value for term in nested_total_terms(y, [NESTED_DAY, run])))

    error = np.std(totals) / math.sqrt(len(totals))
    assert np.mean(totals) == pytest.approx(4 + 1 + 0.25, abs=4 * error)


@pytest.mark.parametrize("analysis", [nested, crossed])
def test_doubt_of_repeatability_and_of_the_sum_in_unbalanced_layouts(analysis):
    """s/√(2ν) for both; repeatability with the χ² interval of the scatter pooled within the cells."""
    keep = slice(0, -3)
    y, day, operator = readings(5)[keep], DAY[keep], OPERATOR[keep]
    cells = [y[(day == d) & (operator == o)] for d in range(5) for o in range(3)]
    cells = [one for one in cells if one.size]
    df = y.size - len(cells)
    pooled = math.sqrt(sum(((one - one.mean()) ** 2).sum() for one in cells) / df)

    result = analysis(y, factors(day, operator), level=0.9)

    within, total = result.repeatability_sd, result.intermediate_sd
    assert within.degrees_of_freedom == df
    assert within.standard_error == pytest.approx(within.value / math.sqrt(2 * df), rel=1e-12)
    ends = [pooled * math.sqrt(df / stats.chi2.ppf(p, df)) for p in (0.95, 0.05)]
    assert (within.interval.lower, within.interval.upper) == pytest.approx(ends, rel=1e-9)
    assert total.standard_error == pytest.approx(
        total.value / math.sqrt(2 * total.degrees_of_freedom), rel=1e-12
    )


def test_doubt_of_the_sum_in_balanced_layouts():
    """Its standard error is s/√(2ν)."""
    total = nested(readings(5), factors()).intermediate_sd

    assert total.standard_error == pytest.approx(
        total.value / math.sqrt(2 * total.degrees_of_freedom), rel=1e-12
    )
