"""Stability from the study to its records."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import stats

from validator.evaluation.results import NotAssessed

FOUND = {0: [8.33, 8.07, 8.41], 7: [8.05, 8.21, 8.17], 14: [7.86, 8.00, 8.00], 28: [7.13, 7.82, 7.98]}


def series(condition="4 °C", found=FOUND, **more):
    return [
        {"condition": condition, "time": time, "time_unit": "d", "level": 8, "found": values, **more}
        for time, values in found.items()
    ]


@pytest.fixture
def kept(record_of, described):
    """The stability records of a study."""

    def kept(runs, **more):
        return record_of(described(stability={"runs": runs}, **more)).stability

    return kept


def test_last_in_percent_of_first(kept):
    """The means of the two ends, with Fieller's interval at Welch's degrees of freedom."""
    (entry,) = kept(series())
    first, last = np.array(FOUND[0]), np.array(FOUND[28])

    assert entry.remaining_percent.value == pytest.approx(100 * last.mean() / first.mean(), rel=1e-9)
    assert entry.relative_to == "start"
    assert (entry.first_time, entry.last_time, entry.times, entry.n) == (0, 28, 4, 12)
    # at both ends of the interval the ratio is just rejected by Welch's t at the ratio found
    v1, v0 = last.var(ddof=1) / 3, first.var(ddof=1) / 3
    rho = last.mean() / first.mean()
    nu = (v1 + rho**2 * v0) ** 2 / ((v1**2 + (rho**2 * v0) ** 2) / 2)
    for end in entry.remaining_percent.ci:
        ratio = end / 100
        t = (last.mean() - ratio * first.mean()) / np.sqrt(v1 + ratio**2 * v0)
        assert abs(t) == pytest.approx(stats.t.ppf(0.975, nu), rel=1e-6)


def test_trend_is_that_of_the_line_over_all_times(kept):
    """Slope over the fitted start, its test, and the time until the allowed change."""
    (entry,) = kept(series())
    x = np.repeat(list(FOUND), 3)
    line = stats.linregress(x, np.concatenate(list(FOUND.values())))
    rate = line.slope / line.intercept

    trend = entry.trend
    assert trend.change_per_time.value == pytest.approx(100 * rate, rel=1e-9)
    assert trend.change_at_end.value == pytest.approx(100 * rate * 28, rel=1e-9)
    assert trend.test.p == pytest.approx(line.pvalue, rel=1e-9)
    assert trend.time_until_allowed == pytest.approx(0.10 / -rate, rel=1e-9)
    assert trend.shown == min(28, trend.time_until_allowed_guarded)
    assert (entry.allowed_percent, entry.allowed_by, entry.direction) == (10, "customary", "either")


@pytest.mark.parametrize(
    ("criterion", "allowed", "direction"),
    [({"min": 85}, 15, "decrease"), ({"max": 105}, 5, "increase"), ({"min": 80, "max": 110}, 10, "either")],
)
def test_the_studys_own_limits_say_which_change_counts(kept, criterion, allowed, direction):
    """Limits of what remains are limits of the change, on one side or on both."""
    (entry,) = kept(series(), criteria=[{"characteristic": "stability", **criterion}])

    assert (entry.allowed_percent, entry.direction) == (allowed, direction)
    assert entry.allowed_by == "criterion of the study"


def test_conditions_and_levels_are_apart(kept):
    """Each condition and each level makes a record, in the order of the study."""
    high = [{**run, "level": 80} for run in series()]

    found = kept([*series("dry"), *series(), *high])

    assert [(entry.condition, entry.level) for entry in found] == [("dry", 8), ("4 °C", 8), ("4 °C", 80)]


def test_a_single_time_is_held_against_the_nominal_level(kept):
    """Without a start the level stands in for it; signals cannot be held against a level."""
    (entry,) = kept(series(found={28: FOUND[28]}))
    (signal,) = kept(
        [{"condition": "4 °C", "time": 28, "time_unit": "d", "level": 8, "signals": [1.0, 1.1, 1.2]}]
    )

    percent = 100 * np.array(FOUND[28]) / 8
    assert entry.relative_to == "nominal"
    assert entry.remaining_percent.value == pytest.approx(percent.mean(), rel=1e-9)
    half = stats.t.ppf(0.975, 2) * percent.std(ddof=1) / np.sqrt(3)
    assert entry.remaining_percent.ci == pytest.approx(
        (percent.mean() - half, percent.mean() + half), rel=1e-9
    )
    assert isinstance(entry.trend, NotAssessed)
    assert isinstance(signal.remaining_percent, NotAssessed)


def test_results_below_a_limit_are_not_left_out_quietly(kept):
    """A fall below reporting must not look like stability: such results stand at their limit, and count."""
    (entry,) = kept([*series(), *series(found={42: ["<1", "<1", 7.9]})])

    assert kept([*series(), *series(found={42: [1.0, 1.0, 7.9]})]) == (entry,)
    assert entry.remaining_percent.value < 50


def test_repeated_readings_are_averaged_within_one_time(kept):
    """Readings of one aliquot add no degrees of freedom, and times are never averaged together."""
    (entry,) = kept(series(preparation="repeated_reading"))
    rows = [
        {**run, "found": [value], "preparation": "repeated_reading"}
        for run in series()
        for value in run["found"]
    ]

    assert entry.n == 4
    assert entry.remaining_percent.ci is None
    assert kept(rows) == (entry,)


def test_an_excluded_result_stays_in_sight(kept):
    """It is listed with its cause, and what remains with it stands beside."""
    runs = [*series(), *series(found={28: [2.0]}, excluded="leaking cap")]

    (entry,) = kept(runs)

    assert entry.remaining_percent == kept(series())[0].remaining_percent
    assert [(one.value, one.cause) for one in entry.excluded] == [(2.0, "leaking cap")]
    assert entry.with_excluded.value < entry.remaining_percent.value


def test_absent_block(record_of, described):
    """Without runs the characteristic is not assessed."""
    record = record_of(described(precision={"runs": [{"level": 5, "concentrations": [4, 5]}]})).stability

    assert record.not_assessed == "no stability data were provided"


# --- batches, and a level that is claimed -----------------------------------------------------------
def batches(seed=7, **rates):
    """Two results of each batch at five times; *rates* in percent per month."""
    rng = np.random.default_rng(seed)
    return [
        {
            "condition": "25 °C",
            "time": month,
            "time_unit": "month",
            "level": 100,
            "found": (100 + rate * month + 0.3 * rng.standard_normal(2)).round(3).tolist(),
            "series": batch,
        }
        for batch, rate in rates.items()
        for month in (0, 3, 6, 9, 12)
    ]


LIMIT = [{"characteristic": "stability", "min": 90}]


def test_batches_that_differ_are_judged_by_the_worst(kept, judged, described):
    """ICH Q1E (from memory): batches whose slopes differ are not pooled; one that fails, fails."""
    runs = batches(A=0.0, B=0.0, C=0.0, D=0.0, E=0.0, F=-1.2)
    (entry,) = kept(runs, criteria=LIMIT)
    (alone,) = kept([run for run in runs if run["series"] == "F"], criteria=LIMIT)

    assert (entry.batches.decision, entry.batches.worst) == ("separate lines", "F")
    assert entry.remaining_percent == alone.remaining_percent
    assert entry.trend == alone.trend
    assert [one.batch for one in entry.batches.each] == list("ABCDEF")
    _, results = judged(described(stability={"runs": runs}, criteria=LIMIT))
    assert [one.outcome for one in results.assessment.findings] == ["does not meet"]


def test_a_batch_without_an_interval_is_never_hidden_by_one_that_has(judged, described):
    """The batch that shows nothing decides before those that are shown to keep the limit."""
    runs = batches(A=0.0, B=-0.3)
    single = [{**run, "found": run["found"][:1]} if run["series"] == "A" else run for run in runs]

    _, results = judged(described(stability={"runs": single}, criteria=LIMIT))

    (finding,) = results.assessment.findings
    assert (finding.outcome, finding.what) == ("inconclusive", "25 °C, batch A")


def test_poolability_is_the_analysis_of_covariance(kept):
    """Both F tests against statsmodels' comparison of nested models."""
    statsmodels = pytest.importorskip("statsmodels.formula.api")
    import pandas as pd
    from statsmodels.stats.anova import anova_lm

    runs = batches(seed=1, A=-0.1, B=-0.1, C=-0.1)
    data = pd.DataFrame(
        [{"y": y, "t": run["time"], "b": run["series"]} for run in runs for y in run["found"]]
    )
    one, common, own = (
        statsmodels.ols(formula, data).fit() for formula in ("y ~ t", "y ~ t + b", "y ~ t * b")
    )

    (entry,) = kept(runs)

    slopes = anova_lm(common, own)
    intercepts = anova_lm(one, common)
    assert entry.batches.slopes.statistic == pytest.approx(slopes["F"][1], rel=1e-9)
    assert entry.batches.slopes.p == pytest.approx(slopes["Pr(>F)"][1], rel=1e-9)
    assert entry.batches.intercepts.p == pytest.approx(intercepts["Pr(>F)"][1], rel=1e-9)
    assert entry.batches.decision == "one line"


def test_days_of_measurement_are_no_batches(kept):
    """A series that was measured at a single time says nothing of a slope."""
    runs = [{**run, "series": f"day {run['time']}"} for run in series()]

    (entry,) = kept(runs)

    assert entry.batches is None


def test_remaining_of_what_is_claimed(kept, judged, described):
    """Relative to the level, a product that starts at 95 % of it reaches 92 % sooner."""
    rng = np.random.default_rng(3)
    times = np.repeat([0.0, 3, 6, 9, 12], 3)
    values = 95 - 0.3 * times + 0.1 * rng.standard_normal(times.size)
    runs = [
        {"condition": "c", "time": float(t), "time_unit": "month", "level": 100, "found": [float(y)]}
        for t, y in zip(times, values, strict=True)
    ]
    criteria = [{"characteristic": "stability", "min": 92}]
    (entry,) = kept(runs, criteria=criteria)
    study = described(stability={"relative_to": "level", "runs": runs}, criteria=criteria)
    _, results = judged(study)
    claimed = results.analytes["x"].configurations["default"].stability[0]

    assert entry.remaining_percent.value > 95
    assert claimed.relative_to == "nominal"
    assert claimed.remaining_percent.value == pytest.approx(values[-3:].mean())
    assert [one.outcome for one in results.assessment.findings] == ["does not meet"]
    # where the one-sided 95 % confidence limit of the mean line reaches 92
    line = stats.linregress(times, values)
    grid = np.linspace(0, 12, 120_001)
    scatter = np.sqrt(((values - line.intercept - line.slope * times) ** 2).sum() / (times.size - 2))
    error = scatter * np.sqrt(1 / times.size + (grid - 6) ** 2 / ((times - 6) ** 2).sum())
    bound = line.intercept + line.slope * grid - stats.t.ppf(0.95, times.size - 2) * error
    assert claimed.trend.time_until_allowed == pytest.approx((92 - line.intercept) / line.slope, rel=1e-6)
    assert claimed.trend.shown == pytest.approx(grid[np.argmax(bound < 92)], abs=2e-4)


def test_a_level_that_is_claimed_must_be_given(study_of, described):
    """Each run that lacks it is named, with what is missing."""
    from validator.errors import StudyError

    runs = [{"condition": "c", "time": 0, "time_unit": "d", "found": [1.0]}]

    with pytest.raises(StudyError, match="level is missing; it is required where relative_to is level"):
        study_of(described(stability={"relative_to": "level", "runs": runs}))
