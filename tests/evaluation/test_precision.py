"""Precision by level: what groups the readings, and what is said of each level."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import stats

from validator.evaluation.results import NotAssessed

DAYS = [[5.0, 5.2, 5.1], [5.4, 5.5, 5.3], [4.9, 5.0, 5.1], [5.2, 5.1, 5.4]]


@pytest.fixture
def levels(record_of, described):
    """The precision records of a study."""

    def levels(runs, **more):
        return record_of(described(precision={"runs": runs}, **more)).precision

    return levels


def grouped(field, groups=DAYS, level=5, **more):
    return [
        {"level": level, field: f"{field} {i}", "concentrations": some, **more}
        for i, some in enumerate(groups, start=1)
    ]


def by_hand(groups):
    """Repeatability, between-group and intermediate standard deviation of equal groups."""
    table = np.array(groups)
    within = table.var(axis=1, ddof=1).mean()
    between = max(0.0, (table.shape[1] * table.mean(axis=1).var(ddof=1) - within) / table.shape[1])
    return np.sqrt([within, between, within + between])


def sds(entry):
    return [entry.repeatability_sd.value, entry.between_sd.value, entry.intermediate_sd.value]


@pytest.mark.parametrize("field", ["series", "day", "date"])
def test_days_group_the_readings(levels, field):
    """Series, day and date are the same: what was measured under repeatability conditions."""
    runs = grouped(field)
    if field == "date":
        runs = [{**run, "date": f"2026-03-0{i}"} for i, run in enumerate(runs, start=1)]

    (entry,) = levels(runs)

    assert sds(entry) == pytest.approx(by_hand(DAYS), rel=1e-9)
    assert (entry.n, entry.groups) == (12, 4)
    assert entry.factor == ("series" if field == "series" else "day")
    assert entry.repeatability_rsd.value == pytest.approx(100 * by_hand(DAYS)[0] / np.mean(DAYS), rel=1e-9)
    assert entry.repeatability_limit == pytest.approx(2.8 * by_hand(DAYS)[0], rel=1e-9)


@pytest.mark.parametrize("field", ["operator", "instrument", "device"])
def test_another_condition_groups_where_no_day_is_recorded(levels, field):
    """Without days, operators, instruments or devices tell the groups apart."""
    (entry,) = levels(grouped(field))

    assert entry.factor == field
    assert sds(entry) == pytest.approx(by_hand(DAYS), rel=1e-9)


def test_laboratories_give_reproducibility(levels):
    """Between laboratories the wider figure is the reproducibility, by ISO 5725-2."""
    (entry,) = levels(grouped("laboratory"))

    within, between, total = by_hand(DAYS)
    assert entry.factor == "laboratory"
    assert entry.repeatability_sd.value == pytest.approx(within, rel=1e-9)
    assert entry.between_sd.value == pytest.approx(between, rel=1e-9)
    assert entry.reproducibility_sd.value == pytest.approx(total, rel=1e-9)
    assert entry.reproducibility_limit == pytest.approx(2.8 * total, rel=1e-9)
    assert entry.intermediate_sd is None


def test_readings_without_groups_give_repeatability_only(levels):
    """One series says nothing of other days, and the record says what that would take."""
    (entry,) = levels([{"level": 5, "concentrations": DAYS[0]}])

    assert entry.factor is None
    assert entry.repeatability_sd.value == pytest.approx(np.std(DAYS[0], ddof=1), rel=1e-9)
    for figure in (entry.between_sd, entry.intermediate_sd, entry.intermediate_rsd):
        assert isinstance(figure, NotAssessed)
        assert "2 series" in figure.needs


def test_half_labelled_days_are_not_grouped(levels):
    """A reading without its day spoils the days: all readings are taken as one series."""
    runs = grouped("day")
    del runs[0]["day"]

    (entry,) = levels(runs)

    assert entry.groups == 1
    assert isinstance(entry.intermediate_sd, NotAssessed)


def test_the_interval_of_the_repeatability_is_that_of_chi_squared(levels):
    """s√(ν/χ²), two-sided at 95 %, and the one-sided bounds at 95 % each (ISO 2854:1976)."""
    (entry,) = levels(grouped("day"))

    s, nu = entry.repeatability_sd.value, 8
    assert entry.repeatability_sd.degrees_of_freedom == nu
    two_sided = s * np.sqrt(nu / stats.chi2.ppf([0.975, 0.025], nu))
    one_sided = s * np.sqrt(nu / stats.chi2.ppf([0.95, 0.05], nu))
    assert entry.repeatability_sd.ci == pytest.approx(two_sided, rel=1e-9)
    assert entry.repeatability_sd.one_sided == pytest.approx(one_sided, rel=1e-9)


def test_levels_are_told_apart_and_ordered(levels):
    """Every level has its own figures, from low to high."""
    ten = [[2 * one for one in some] for some in DAYS]

    low, high = levels(grouped("day", ten, 10) + grouped("day"))

    assert (low.level, high.level) == (5, 10)
    assert sds(high) == pytest.approx([2 * sd for sd in sds(low)], rel=1e-9)
    assert high.repeatability_rsd.value == pytest.approx(low.repeatability_rsd.value, rel=1e-9)


def test_signals_are_read_from_the_calibration(levels):
    """Precision on signals is that of the concentrations that the line gives for them."""
    line = {"runs": [{"level": x, "signal": 0.1 * x} for x in (1.0, 2.0, 4.0, 8.0)]}
    runs = [
        {"level": 5, "day": f"{i}", "signals": [0.1 * one for one in some]} for i, some in enumerate(DAYS)
    ]

    (entry,) = levels(runs, calibration=line)

    assert sds(entry) == pytest.approx(by_hand(DAYS), rel=1e-6)
    assert entry.mean.value == pytest.approx(np.mean(DAYS), rel=1e-9)


def test_repeated_readings_are_one_result(levels):
    """Readings of one preparation never make a repeatability."""
    runs = grouped("day", preparation="repeated_reading")

    (entry,) = levels(runs)

    assert entry.n == 4
    assert isinstance(entry.repeatability_sd, NotAssessed)
    assert entry.intermediate_sd.value == pytest.approx(np.std(np.mean(DAYS, axis=1), ddof=1), rel=1e-9)


def test_excluded_readings_are_listed_and_their_effect_is_shown(levels):
    """The figures rest on what is left; what was left out stands beside them with its cause."""
    outlier = {"level": 5, "day": "day 1", "concentrations": [9.9], "excluded": "pipette lost its tip"}

    (entry,) = levels([*grouped("day"), outlier])
    (without,) = levels(grouped("day"))

    assert sds(entry) == sds(without)
    (point,) = entry.excluded
    assert (point.level, point.value, point.cause) == (5, 9.9, "pipette lost its tip")
    assert entry.with_excluded.n == 13
    assert entry.with_excluded.repeatability_sd.value > 2 * entry.repeatability_sd.value
    assert without.with_excluded is None


def test_a_level_of_excluded_readings_stays_in_sight(levels):
    """A level that was left out altogether is not assessed; what it held is listed."""
    (entry,) = levels([{"level": 5, "concentrations": [5.0, 5.1], "excluded": "wrong flask"}])

    assert entry.n == 0
    assert entry.repeatability_sd.not_assessed == "all readings at this level are excluded"
    assert [point.value for point in entry.excluded] == [5.0, 5.1]
    assert entry.with_excluded.n == 2


def test_outliers_are_reported_and_nothing_is_removed(levels):
    """A flagged reading stays in every figure."""
    readings = [5.0, 5.1, 5.0, 5.1, 4.9, 5.0, 7.0]

    (entry,) = levels([{"level": 5, "concentrations": readings}])

    flagged = {test.test.split()[0] for test in entry.outlier_tests if test.flagged}
    assert {"Grubbs", "Dixon"} <= {name.rstrip(",") for name in flagged}
    assert {test.suspect for test in entry.outlier_tests if test.flagged} == {7.0}
    assert entry.n == 7
    assert entry.repeatability_sd.value == pytest.approx(np.std(readings, ddof=1), rel=1e-9)


def test_the_figures_without_a_flagged_reading_stand_beside(levels):
    """The effect of a suspect is shown by the same figures without it; tests that flag nothing show none."""
    table = [[5.0, 5.2, 5.1], [5.4, 7.9, 5.3], [4.9, 5.0, 5.1], [5.2, 5.1, 5.4]]
    (entry,) = levels(grouped("day", table))
    table[1].remove(7.9)
    (left,) = levels(grouped("day", table))

    effects = {test.test: test.without for test in entry.outlier_tests}
    assert all((test.without is not None) == test.flagged for test in entry.outlier_tests)
    beside = effects["studentised residual within groups (Bonferroni), single values"]
    assert (beside.removed, beside.n, entry.n) == ((7.9,), 11, 12)
    for field in ("repeatability_sd", "repeatability_rsd", "intermediate_sd", "intermediate_rsd"):
        assert getattr(beside, field) == pytest.approx(getattr(left, field).value, rel=1e-12)
        assert getattr(beside, field) < getattr(entry, field).value


def test_no_precision_runs(record_of, described):
    """A study without precision says what it would take."""
    found = record_of(described()).precision

    assert found.not_assessed == "no precision data were provided"
    assert "several days" in found.needs


def test_readings_of_the_highest_standard_are_read_from_a_parabola(record_of, described):
    """Half of them lie above the curve's value there: the level is read, and its scatter is not cut off."""
    levels, deviations = (1.0, 2.0, 4.0, 6.0, 8.0, 10.0), (0.001, -0.001, 0.002, -0.002, 0.001, -0.001)
    runs = [
        {"level": x, "signal": 0.1 * x - 0.002 * x * x + d} for x, d in zip(levels, deviations, strict=True)
    ]
    signals = [0.8 + d for d in (-0.003, -0.002, -0.001, 0.001, 0.002, 0.003)]

    (found,) = record_of(
        described(
            analysis={"calibration": {"model": "quadratic"}},
            calibration={"runs": runs},
            precision={"runs": [{"level": 10, "signals": signals}]},
        )
    ).precision

    # the slope of the curve at 10 is 0.1 - 2·0.002·10
    assert found.mean.value == pytest.approx(10, abs=0.05)
    assert found.repeatability_sd.value == pytest.approx(np.std(signals, ddof=1) / 0.06, rel=0.03)
