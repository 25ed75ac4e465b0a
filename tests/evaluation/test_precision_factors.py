"""Precision split over the days, series, operators, devices and laboratories that a study records."""

from __future__ import annotations

import warnings

import numpy as np
import pandas as pd
import pytest
import statsmodels.formula.api as smf
from scipy import stats
from statsmodels.tools.sm_exceptions import ConvergenceWarning

from validator.evaluation.results import NotAssessed


@pytest.fixture
def entry_of(record_of, described):
    """The precision record of a study of one level."""

    def entry_of(runs, **more):
        (entry,) = record_of(described(precision={"runs": runs}, **more)).precision
        return entry

    return entry_of


def runs_of(cells, names, level=10):
    """One run a cell: labels of the factors *names*, and its readings."""
    return [
        {
            "level": level,
            **dict(zip(names, labels, strict=True)),
            "concentrations": list(map(float, readings)),
        }
        for labels, readings in cells.items()
    ]


def simulated(seed, *, days=6, series=2, sd=(0.8, 0.5, 0.4), sizes=(2,), relabelled=False):
    """Readings in series nested in days; the labels of the series recur each day unless *relabelled*."""
    rng = np.random.default_rng(seed)
    cells = {}
    for d in range(days):
        of_day = rng.normal(0, sd[0])
        for s in range(series):
            of_series = rng.normal(0, sd[1])
            size = sizes[(d + s) % len(sizes)]
            readings = np.round(10 + of_day + of_series + rng.normal(0, sd[2], size), 3)
            cells[f"day {d}", f"run {d}.{s}" if relabelled else f"run {s}"] = readings
    return cells


def reml(cells, outer="a", inner="b"):
    """Variances of both factors and of the residual by an independent implementation of REML."""
    rows = [(a, f"{a}/{b}", y) for (a, b), readings in cells.items() for y in readings]
    table = pd.DataFrame(rows, columns=[outer, inner, "y"])
    model = smf.mixedlm("y ~ 1", table, groups=outer, re_formula="1", vc_formula={"b": f"0 + C({inner})"})
    with warnings.catch_warnings():
        # so strict a tolerance is missed by the last bit on some machines; six digits are compared anyway
        warnings.simplefilter("ignore", ConvergenceWarning)
        fit = model.fit(reml=True, method="bfgs", gtol=1e-9, maxiter=5000)
    return float(fit.cov_re.iloc[0, 0]), float(fit.vcomp[0]), float(fit.scale)


def nested_by_hand(cells, inner_levels, replicates):
    """Variances of a balanced nested layout from its mean squares."""
    table = np.array(list(cells.values())).reshape(-1, inner_levels, replicates)
    a = table.shape[0]
    within = table.var(axis=2, ddof=1).mean()
    middle = replicates * table.mean(axis=2).var(axis=1, ddof=1).mean()
    outer = replicates * inner_levels * table.mean(axis=(1, 2)).var(ddof=1)
    assert a > 1
    return (
        max(0.0, (outer - middle) / (replicates * inner_levels)),
        max(0.0, (middle - within) / replicates),
        within,
    )


@pytest.mark.parametrize("relabelled", [True, False])
def test_series_are_nested_in_days_whatever_their_labels(entry_of, relabelled):
    """Balanced: mean squares by hand; run 1 of one day is not run 1 of the next."""
    cells = simulated(3, relabelled=relabelled)

    entry = entry_of(runs_of(cells, ("day", "series")))

    day, series, within = nested_by_hand(cells, 2, 2)
    assert entry.repeatability_sd.value == pytest.approx(np.sqrt(within), rel=1e-12)
    assert entry.between_sd.value == pytest.approx(np.sqrt(day + series), rel=1e-12)
    assert entry.intermediate_sd.value == pytest.approx(np.sqrt(day + series + within), rel=1e-12)
    assert (entry.factor, entry.groups, entry.n) == ("series within day", 12, 24)
    parts = {one.factor: one.sd.value**2 for one in entry.components}
    assert parts == pytest.approx({"day": day, "series": series, "repeatability": within}, rel=1e-9)
    assert sum(one.share_percent for one in entry.components) == pytest.approx(100)
    assert entry.intermediate_sd.ci[0] < entry.intermediate_sd.value < entry.intermediate_sd.ci[1]


@pytest.mark.parametrize("seed", [2, 5])
@pytest.mark.parametrize(
    ("outer", "inner"), [("day", "series"), ("date", "series"), ("operator", "day"), ("instrument", "series")]
)
def test_unbalanced_nested_factors_agree_with_another_restricted_likelihood(entry_of, outer, inner, seed):
    """MixedLM of statsmodels: every standard deviation to six digits, whichever factors the study names."""
    cells = simulated(seed, sizes=(2, 3, 1, 4), series=3, relabelled=True)
    if outer == "date":
        cells = {(f"2026-03-{int(a[4:]) + 1:02}", b): y for (a, b), y in cells.items()}

    entry = entry_of(runs_of(cells, (outer, inner)))

    of_outer, of_inner, residual = reml(cells)
    assert min(of_outer, of_inner) > 0
    expected = [residual, of_outer + of_inner, of_outer + of_inner + residual]
    ours = [entry.repeatability_sd.value, entry.between_sd.value, entry.intermediate_sd.value]
    assert ours == pytest.approx(np.sqrt(expected).tolist(), rel=1e-6)
    assert "restricted maximum likelihood" in entry.method


def test_operators_on_the_same_days_are_crossed_with_them(entry_of):
    """Balanced crossed layout: s² of days, operators and their interaction from the mean squares."""
    rng = np.random.default_rng(8)
    a, b, n = 5, 3, 2
    table = 10 + rng.normal(0, 1, (a, 1, 1)) + rng.normal(0, 1, (1, b, 1)) + rng.normal(0, 0.3, (a, b, n))
    cells = {(f"d{i}", f"op{j}"): table[i, j] for i in range(a) for j in range(b)}

    entry = entry_of(runs_of(cells, ("day", "operator")))

    means, grand = table.mean(axis=2), table.mean()
    of_a = b * n * means.mean(axis=1).var(ddof=1)
    of_b = a * n * means.mean(axis=0).var(ddof=1)
    leftover = means - means.mean(axis=1)[:, None] - means.mean(axis=0)[None] + grand
    both, within = n * (leftover**2).sum() / ((a - 1) * (b - 1)), table.var(axis=2, ddof=1).mean()
    parts = [(of_a - both) / (b * n), (of_b - both) / (a * n), (both - within) / n]
    assert [one.factor for one in entry.components] == ["day", "operator", "day:operator", "repeatability"]
    total = sum(max(0.0, one) for one in parts) + within
    assert entry.intermediate_sd.value == pytest.approx(np.sqrt(total), rel=1e-9)
    assert entry.repeatability_sd.value == pytest.approx(np.sqrt(within), rel=1e-9)
    assert (entry.factor, entry.groups) == ("day and operator", 15)


def test_two_operators_are_those_of_the_laboratory(entry_of):
    """Two operators say nothing of a third: the doubt is that of the days' groups, and the record says so."""
    rng = np.random.default_rng(4)
    table = 10 + rng.normal(0, 0.3, (6, 1, 1)) + rng.normal(0, 0.2, (6, 2, 2))
    cells = {(f"d{i}", f"op{j}"): table[i, j] for i in range(6) for j in range(2)}

    entry = entry_of(runs_of(cells, ("day", "operator")))
    as_groups = entry_of(runs_of({(f"{a} {b}",): y for (a, b), y in cells.items()}, ("series",)))

    assert entry.intermediate_sd.ci[1] == pytest.approx(as_groups.intermediate_sd.ci[1], rel=1e-12)
    assert entry.intermediate_sd.degrees_of_freedom == as_groups.intermediate_sd.degrees_of_freedom
    assert "the two levels of operator in the laboratory" in entry.method


def test_one_operator_a_day_recurring_is_split_off(entry_of):
    """Operators in charge of several days each: days nested in operators."""
    cells = simulated(11, days=3, series=4, relabelled=True)

    entry = entry_of(runs_of(cells, ("operator", "day")))

    of_operator, of_day, within = nested_by_hand(cells, 4, 2)
    assert entry.factor == "day within operator"
    assert entry.intermediate_sd.value == pytest.approx(np.sqrt(of_operator + of_day + within), rel=1e-9)


def test_an_operator_seen_on_one_day_only_adds_no_factor(entry_of):
    """Operators that change with the day are what intermediate precision means: days are the groups."""
    cells = {(f"d{i}", f"op{i % 3}"): [10 + i, 10.1 + i] for i in range(4)}

    entry = entry_of(runs_of(cells, ("day", "operator")))

    assert (entry.factor, entry.groups, entry.components) == ("day", 4, ())


def test_a_new_device_for_each_reading_is_part_of_the_reading(entry_of):
    """Disposable devices are not a factor: nothing could tell them from repeatability."""
    runs = [
        {"level": 5, "day": f"d{d}", "device": f"strip {d}.{i}", "concentrations": [5 + d / 10 + i / 20]}
        for d in range(3)
        for i in range(3)
    ]

    entry = entry_of(runs)

    assert (entry.factor, entry.groups) == ("day", 3)
    assert entry.repeatability_sd.value == pytest.approx(0.05, rel=1e-9)


def test_days_within_one_series_label_are_days(entry_of):
    """A series that holds the whole study tells no groups apart; its days do."""
    cells = {("all", f"d{i}"): [10 + i, 10.2 + i, 9.9 + i] for i in range(3)}

    entry = entry_of(runs_of(cells, ("series", "day")))

    assert (entry.factor, entry.groups) == ("day", 3)


def test_days_that_add_no_replicates_leave_the_series_as_they_are(entry_of):
    """Readings of one series taken on different days, one a day, are that series' readings."""
    cells = {(f"s{s}", f"2026-03-{3 * s + d + 1:02}"): [10 + s + d / 10] for s in range(3) for d in range(3)}

    entry = entry_of(runs_of(cells, ("series", "date")))

    assert (entry.factor, entry.groups) == ("series", 3)
    assert entry.repeatability_sd.value == pytest.approx(0.1, rel=1e-9)


def test_days_within_laboratories_split_reproducibility(entry_of):
    """ISO 5725-3:1994, Annex C (from memory): fully nested laboratories, days, results."""
    cells = simulated(21, days=7, series=2, relabelled=True)

    entry = entry_of(runs_of(cells, ("laboratory", "day")))

    laboratory, day, within = nested_by_hand(cells, 2, 2)
    assert entry.repeatability_sd.value == pytest.approx(np.sqrt(within), rel=1e-9)
    assert entry.intermediate_sd.value == pytest.approx(np.sqrt(day + within), rel=1e-9)
    assert entry.between_sd.value == pytest.approx(np.sqrt(laboratory), rel=1e-9)
    assert entry.reproducibility_sd.value == pytest.approx(np.sqrt(laboratory + day + within), rel=1e-9)
    assert [one.factor for one in entry.components] == ["laboratory", "day", "repeatability"]
    assert len(entry.consistency.laboratories) == entry.groups == 7
    assert (entry.factor, entry.method.split(":")[0]) == ("laboratory", "day within laboratory")


def test_single_readings_in_series_of_days_leave_repeatability_open(entry_of):
    """Without replicates the series take the residual along; the total can still be had."""
    cells = simulated(5, sizes=(1,))

    entry = entry_of(runs_of(cells, ("day", "series")))

    assert isinstance(entry.repeatability_sd, NotAssessed)
    assert isinstance(entry.between_sd, NotAssessed)
    table = np.array(list(cells.values())).reshape(6, 2)
    within = table.var(axis=1, ddof=1).mean()
    day = max(0.0, (2 * table.mean(axis=1).var(ddof=1) - within) / 2)
    assert entry.intermediate_sd.value == pytest.approx(np.sqrt(day + within), rel=1e-9)


def test_the_test_of_no_difference_between_groups_stands_beside(entry_of):
    """The analysis of variance of a one-way layout, as scipy has it."""
    groups = [[5.0, 5.2, 5.1], [5.4, 5.5, 5.3], [4.9, 5.0, 5.1], [5.2, 5.1]]
    entry = entry_of(runs_of({(f"d{i}",): one for i, one in enumerate(groups)}, ("day",)))

    expected = stats.f_oneway(*groups)
    table = entry.analysis_of_variance
    assert (table.f, table.p) == pytest.approx((expected.statistic, expected.pvalue), rel=1e-9)
    assert (table.df_between, table.df_within) == (3, 7)
    assert table.ms_between / table.ms_within == pytest.approx(table.f)


def test_limits_of_two_results(entry_of):
    """ISO 5725-6:1994, 4.1 (from memory): 2.8·s, and √2·t(0.975, ν)·s for the degrees of freedom at hand."""
    groups = [[5.0, 5.2, 5.1], [5.4, 5.5, 5.3], [4.9, 5.0, 5.1], [5.2, 5.1, 5.4]]
    entry = entry_of(runs_of({(f"d{i}",): one for i, one in enumerate(groups)}, ("day",)))

    s_r, s_i = entry.repeatability_sd, entry.intermediate_sd
    assert entry.repeatability_limit == pytest.approx(2.8 * s_r.value)
    assert entry.intermediate_limit == pytest.approx(2.8 * s_i.value)
    for limit, sd in ((entry.repeatability_limit_exact, s_r), (entry.intermediate_limit_exact, s_i)):
        t = stats.t.ppf(0.975, sd.degrees_of_freedom)
        assert limit == pytest.approx(np.sqrt(2) * t * sd.value, rel=1e-9)
    assert entry.repeatability_limit_exact > entry.repeatability_limit


@pytest.mark.parametrize("names", [("day", "series"), ("day", "operator"), ("operator", "day")])
def test_no_scatter_within_several_factors_is_said(entry_of, names):
    """Identical replicates carry no split; what is left is the scatter of the groups, and it says why."""
    cells = {(f"a{i}", f"b{i}{j}"): [10 + i + j, 10 + i + j] for i in range(3) for j in range(2)}

    entry = entry_of(runs_of(cells, names))

    assert "identical" in entry.repeatability_sd.not_assessed
    assert entry.intermediate_sd.value > 0


def test_recoveries_of_series_labelled_alike_are_told_apart(record_of, described):
    """Run 1 of one day and run 1 of the next are two series, also for the mean of recoveries."""
    runs = [
        {"level": 10, "date": f"2026-03-0{d}", "series": s, "found": [10 + 0.1 * d + 0.05 * s.count("2")] * 2}
        for d in (1, 2, 3)
        for s in ("run 1", "run 2")
    ]

    (entry,) = record_of(described(recovery={"runs": runs})).recovery

    assert entry.series == 6
    assert entry.mean_recovery.degrees_of_freedom == 5


def test_a_series_that_goes_on_over_days_is_one(record_of, described):
    """Two series of two days each: days do not part what is labelled as one."""
    runs = [
        {"level": 10, "date": f"2026-03-0{d}", "series": f"S{(d + 1) // 2}", "found": [9.9 + 0.1 * d]}
        for d in (1, 2, 3, 4)
    ]

    (entry,) = record_of(described(recovery={"runs": runs})).recovery

    assert entry.series == 2


def test_an_accuracy_profile_of_one_series_and_no_recovery_says_so(record_of, described):
    """Precision of one series says nothing of another one, and there is no recovery to turn to."""
    runs = [{"level": 10, "series": "S1", "concentrations": [9.9, 10.1]}]

    found = record_of(
        described(analysis={"accuracy_profile": {"acceptance_percent": 10}}, precision={"runs": runs})
    )

    assert isinstance(found.accuracy_profile, NotAssessed)


def test_labels_used_again_are_crossed_unless_the_study_nests_them(record_of, described):
    """Operators ``day`` and ``night`` of three instruments: nested they give what six names give."""
    rng = np.random.default_rng(320)
    cells = {(i, o): rng.normal(10, 0.1, 3).round(3) for i in "ABC" for o in ("day", "night")}
    again = runs_of(cells, ("instrument", "operator"))
    named = [run | {"operator": f"{run['instrument']} / {run['operator']}"} for run in again]

    def entry(runs, **more):
        (found,) = record_of(described(precision={"runs": runs, **more})).precision
        return found

    crossed, nested = entry(again), entry(again, nested_in={"operator": "instrument"})

    assert nested == entry(named)
    assert (crossed.arrangement, nested.arrangement) == ("crossed", "nested")
    assert [one.degrees_of_freedom for one in crossed.components] == [1, 2, 2, 12]
    assert [one.degrees_of_freedom for one in nested.components] == [2, 3, 12]


def test_conditions_nested_in_a_nested_one(record_of, described):
    """Devices of operators of instruments: the label of the innermost holds those of both outer ones."""
    runs = [
        {"level": 10, "instrument": i, "operator": o, "device": d, "concentrations": [10.1, 10.0]}
        for i in ("A", "B")
        for o in ("day", "night")
        for d in ("1", "2")
    ]
    chain = {"device": "operator", "operator": "instrument"}

    (found,) = record_of(described(precision={"runs": runs, "nested_in": chain})).precision

    assert [one.levels for one in found.components] == [2, 4, 8, 8]
