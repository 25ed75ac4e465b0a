"""Interference: the change by interferent and ratio, and the ratio that is tolerated."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import stats

REFERENCE = [5.0, 5.1, 4.9, 5.0]


def run(ratio=1, change=0.0, name="copper(II)", **more):
    """Four results changed by so many percent beside four without the interferent."""
    found = [one * (1 + change / 100) for one in [5.05, 4.95, 5.0, 5.0]]
    return {
        "interferent": name,
        "ratio": ratio,
        "analyte_level": 5,
        "found": found,
        "reference": REFERENCE,
        **more,
    }


@pytest.fixture
def effects(record_of, described):
    """The interference records of a study."""

    def effects(*runs, **more):
        return record_of(described(interference={"runs": list(runs)}, **more)).interference

    return effects


def test_the_change_is_relative_to_the_results_without_the_interferent(effects):
    """100·(with/without − 1), with the counts of both."""
    (entry,) = effects(run(change=8))

    assert entry.relative_change_percent == pytest.approx(8)
    assert (entry.n, entry.n_reference) == (4, 4)
    assert (entry.interferent, entry.ratio, entry.ratio_kind) == ("copper(II)", 1, "mass")


def test_the_interval_is_fiellers(effects):
    """The interval of the ratio of two means with unequal variances, checked by its own definition.

    Fieller, J. R. Stat. Soc. B 16 (1954) 175: at its ends the difference a − ρb is just significant at the
    degrees of freedom of Welch and Satterthwaite, taken at the ratio found.
    """
    (entry,) = effects(run(change=3))
    a, b = np.array(run(change=3)["found"]), np.array(REFERENCE)
    ratio = a.mean() / b.mean()
    parts = np.array([a.var(ddof=1) / 4, ratio**2 * b.var(ddof=1) / 4])
    t = stats.t.ppf(0.975, parts.sum() ** 2 / (parts**2 / 3).sum())

    for end in entry.ci:
        rho = 1 + end / 100
        u = np.sqrt(a.var(ddof=1) / 4 + rho**2 * b.var(ddof=1) / 4)
        assert abs(a.mean() - rho * b.mean()) / u == pytest.approx(t, rel=1e-6)


@pytest.mark.parametrize(
    ("change", "point", "guarded"), [(0.5, False, "no"), (4.0, False, "undecided"), (12, True, "yes")]
)
def test_five_percent_is_customary(effects, change, point, guarded):
    """Without a criterion ±5 % decides: by the change itself, and by its whole interval."""
    (entry,) = effects(run(change=change))

    assert entry.interferes is point
    assert entry.interferes_guarded == guarded


def test_the_criterion_of_the_study_replaces_the_custom(effects):
    """A study that allows 15 % is not held to 5 %."""
    criteria = [{"characteristic": "interference", "max": 15}]

    (entry,) = effects(run(change=8), criteria=criteria)

    assert entry.interferes is False
    assert entry.tolerance_ratio == 1


def test_the_tolerated_ratio_is_the_largest_below_the_first_that_interferes(effects):
    """A ratio that passes beyond one that interferes is not tolerated."""
    entries = effects(run(100, 1.0), run(1, 0.1), run(10, 9.0))

    assert [entry.ratio for entry in entries] == [1, 10, 100]
    assert {entry.tolerance_ratio for entry in entries} == {1}


def test_no_ratio_is_tolerated(effects):
    """Where even the smallest ratio interferes there is none, and the file says null."""
    (entry,) = effects(run(1, 20))

    assert entry.tolerance_ratio is None


def test_interferents_and_scales_are_kept_apart(effects):
    """A ratio of masses, one of amounts and a level in a unit are three scales with a tolerance each."""
    by_level = {"interferent_level": 2, "interferent_unit": "mg/L"}
    written = [
        run(10, 1),
        run(10, 20, ratio_kind="molar"),
        {**{key: value for key, value in run(1, 30).items() if key != "ratio"}, **by_level},
        run(1, 1, name="iron(III)"),
        run(1, 0, ratio_kind="mass"),
    ]

    entries = effects(*written)

    assert [(one.interferent, one.ratio, one.ratio_kind, one.tolerance_ratio) for one in entries] == [
        ("copper(II)", 1, "mass", 10),
        ("copper(II)", 10, "mass", 10),
        ("copper(II)", 10, "molar", None),
        ("copper(II)", None, None, None),
        ("iron(III)", 1, "mass", 1),
    ]
    assert entries[3].interferent_unit == "mg/L"


def test_rows_of_one_ratio_are_joined(effects):
    """One row for each reading, as in a table, is the same as lists in one run."""
    whole = run(10, 4)
    rows = [
        {**whole, "found": with_it, "reference": without}
        for with_it, without in zip(whole["found"], [5.0, 5.1, 4.9, 5.01], strict=True)
    ]

    (joined,) = effects(*rows)
    (listed,) = effects({**whole, "reference": [5.0, 5.1, 4.9, 5.01]})

    assert joined == listed


def test_a_reference_repeated_on_every_row_counts_once(effects):
    """The same reference list beside every row is one set of measurements, not several."""
    rows = [{**run(10), "found": one} for one in run(10, 4)["found"]]

    (entry,) = effects(*rows)

    assert (entry.n, entry.n_reference) == (4, 4)


def test_repeated_readings_count_once_on_both_sides(effects):
    """Readings of one solution are one result, with the interferent and without it."""
    (entry,) = effects({**run(10, 4), "preparation": "repeated_reading"})

    assert (entry.n, entry.n_reference) == (1, 1)
    assert entry.ci is None
    assert entry.reason


def test_signals_are_compared_as_signals(effects):
    """Signals need no calibration: the change is that of the signal."""
    signals = {key: value for key, value in run(1, 8).items() if key != "found"}

    (entry,) = effects({**signals, "signals": run(1, 8)["found"]})

    assert entry.relative_change_percent == pytest.approx(8)


def test_excluded_runs_are_left_out(effects):
    """An excluded run enters neither the change nor the tolerance."""
    entries = effects(run(1, 0.1), {**run(10, 30), "excluded": "wrong salt"})

    assert [(entry.ratio, entry.tolerance_ratio) for entry in entries] == [(1, 1), (10, None)]
    assert (entries[1].n, entries[1].relative_change_percent) == (0, None)


def test_the_effect_of_an_exclusion_stands_beside(effects):
    """The change with the excluded results is shown, with each of them and its cause."""
    bad = run(change=40, excluded="interferent added twice")
    (entry,) = effects(run(change=2), bad)
    (both,) = effects(run(change=2), run(change=40))

    assert entry.relative_change_percent == pytest.approx(2)
    assert entry.with_excluded.value == pytest.approx(both.relative_change_percent)
    assert {point.cause for point in entry.excluded} == {"interferent added twice"}
    assert len(entry.excluded) == 4
    assert (both.excluded, both.with_excluded) == ((), None)


def test_an_interferent_left_out_altogether_stays_in_sight(effects):
    """A ratio whose results are all excluded is not assessed, and tolerates nothing by itself."""
    first, second = effects(run(ratio=1, excluded="wrong flask"), run(ratio=10, change=1))

    assert first.reason == "all results at this ratio are excluded"
    assert (first.relative_change_percent, first.tolerance_ratio) == (None, None)
    assert second.tolerance_ratio == 10
