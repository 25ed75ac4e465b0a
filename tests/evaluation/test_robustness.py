"""Robustness from the study to its record."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import stats

YOUDEN = ("+++++++", "++-+---", "+-+-+--", "+----++", "-++--+-", "-+--+-+", "--++--+", "---+++-")
RESULTS = [
    [8.65, 8.67],
    [7.66, 7.84],
    [7.81, 8.11],
    [8.08, 7.97],
    [8.11, 8.04],
    [7.69, 7.98],
    [7.06, 7.24],
    [8.22, 8.59],
]
SIGNS = np.array([[1 if sign == "+" else -1 for sign in run] for run in YOUDEN])


@pytest.fixture
def robust(record_of, described):
    """The robustness record of a study."""

    def robust(runs, *, design="youden", factors=7, names=None, **more):
        named = names or [f"factor {i}" for i in range(factors)]
        block = {
            "design": design,
            "factors": [{"name": name, "nominal": 0, "low": -1, "high": 1, "unit": "u"} for name in named],
            "runs": runs,
        }
        return record_of(described(robustness=block, **more)).robustness

    return robust


def youden(results=RESULTS, columns=7, **more):
    return [
        {"settings": list(run[:columns]), "result": result, **more}
        for run, result in zip(YOUDEN, results, strict=True)
    ]


def test_effects_are_differences_of_means_in_percent_of_the_mean(robust):
    """High less low, with the standard error of the replicates, as an ordinary t test has it."""
    record = robust(youden())
    y = np.array(RESULTS)
    effects = [y[column > 0].mean() - y[column < 0].mean() for column in SIGNS.T]
    s = np.sqrt(np.mean(y.var(axis=1, ddof=1)))

    assert [one.effect.value for one in record.effects] == pytest.approx(effects, rel=1e-9)
    assert [one.effect_percent.value for one in record.effects] == pytest.approx(
        [100 * effect / y.mean() for effect in effects], rel=1e-9
    )
    assert record.error_source == "replicates"
    assert record.standard_error == pytest.approx(2 * s / np.sqrt(16), rel=1e-9)
    assert (record.runs, record.results, record.degrees_of_freedom) == (8, 16, 8)
    assert record.margin == pytest.approx(stats.t.ppf(0.975, 8) * record.standard_error, rel=1e-9)
    assert record.orthogonal is True


def test_significant_factors_are_to_be_controlled(robust):
    """Beyond the margin of chance a factor must be kept, inside a range of its setting."""
    record = robust(youden())

    significant = [one.factor for one in record.effects if abs(one.effect.value) > record.margin]
    assert list(record.to_control) == significant == [one.factor for one in record.effects if one.significant]
    for one in record.effects:
        if one.significant:
            reach = record.margin / abs(one.effect.value)
            assert (one.controlled_range.lower, one.controlled_range.upper) == pytest.approx((-reach, reach))


def test_the_studys_own_limit_decides_by_size(robust):
    """With an allowed effect, what is beyond it must be controlled, significant or not."""
    criterion = {"characteristic": "robustness", "max": 5}

    record = robust(youden(), criteria=[criterion])

    assert record.allowed_percent == 5
    beyond = [one.factor for one in record.effects if abs(one.effect_percent.value) > 5]
    assert list(record.to_control) == beyond
    assert beyond


def test_bounds_of_one_sided_limits(robust):
    """The inner interval is the one at 90 %, whose ends are one-sided bounds at 95 %."""
    first = robust(youden()).effects[0].effect

    half = stats.t.ppf(0.95, 8) * first.standard_error
    assert first.one_sided == pytest.approx((first.value - half, first.value + half), rel=1e-9)


def test_single_runs_take_most_effects_as_null(robust):
    """Seven factors in eight single runs leave no other error than the effects themselves."""
    record = robust(youden([result[0] for result in RESULTS]))

    assert record.error_source == "lenth"
    assert record.standard_error is not None


def test_a_dummy_is_error_and_no_effect(robust):
    """A factor named dummy stands for none."""
    names = [*(f"factor {i}" for i in range(4)), "dummy 1", "Dummy 2", "dummy 3"]

    record = robust(youden([result[0] for result in RESULTS]), names=names)

    assert [one.factor for one in record.effects] == names[:4]
    assert (record.error_source, record.degrees_of_freedom) == ("dummies", 3)


def test_repeated_readings_of_one_run_are_averaged(robust):
    """They add no degrees of freedom, and runs of different settings are never averaged together."""
    record = robust(youden(preparation="repeated_reading"))
    rows = [
        {"settings": list(run), "result": value, "preparation": "repeated_reading"}
        for run, result in zip(YOUDEN, RESULTS, strict=True)
        for value in result
    ]

    assert record.results == 8
    assert record.error_source == "lenth"
    assert robust(rows) == record


def test_one_change_at_a_time(robust):
    """Each change is held against the nominal procedure, p adjusted for the number of comparisons."""
    settings = [(0, 0)] * 4 + [(1, 0)] * 2 + [(-1, 0)] * 2 + [(0, 1)] * 2
    results = [10.0, 10.2, 9.9, 10.1, 10.9, 11.1, 10.0, 10.1, 10.2, 9.8]
    signs = {0: "0", 1: "+", -1: "-"}
    runs = [
        {"settings": [signs[one] for one in some], "result": result}
        for some, result in zip(settings, results, strict=True)
    ]

    record = robust(runs, design="one_at_a_time", factors=2)

    assert [(one.factor, one.setting) for one in record.effects] == [
        ("factor 0", "low"),
        ("factor 0", "high"),
        ("factor 1", "high"),
    ]
    high = record.effects[1]
    assert high.effect.value == pytest.approx(11.0 - 10.05, rel=1e-9)
    assert high.effect_percent.value == pytest.approx(100 * 0.95 / 10.05, rel=1e-9)
    assert high.p_adjusted == pytest.approx(min(1.0, 3 * high.p), rel=1e-9)
    assert record.to_control == ("factor 0",)
    assert record.orthogonal is None
    assert record.mean == pytest.approx(10.05, rel=1e-12)


def test_an_excluded_run_stays_in_sight(robust):
    """Its replicate is listed with the cause; the effects with it stand beside."""
    spoilt = {"settings": list(YOUDEN[0]), "result": 5.0, "excluded": "film torn"}

    record = robust([*youden(), spoilt])

    assert record.effects == robust(youden()).effects
    assert [(one.value, one.cause) for one in record.excluded] == [(5.0, "film torn")]
    assert record.with_excluded.results == 17


def test_refusals(robust, record_of, described):
    """Effects that cannot be told apart, runs that are all excluded, and no runs at all."""
    few = robust(youden(columns=7)[:2] * 2)
    gone = robust(youden(excluded="oven failed"))
    absent = record_of(described(precision={"runs": [{"level": 5, "concentrations": [4, 5]}]})).robustness

    assert few.not_assessed
    assert gone.not_assessed == "all robustness data are excluded"
    assert absent.not_assessed == "no robustness data were provided"
