"""Recovery by level, kind and matrix: what makes one figure, and which doubt enters it."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import stats

from validator.evaluation.results import NotAssessed

FOUND = [4.9, 5.2, 5.1, 4.8, 5.0, 5.3]


@pytest.fixture
def recoveries(record_of, described):
    """The recovery records of a study."""

    def recoveries(*runs, **more):
        return record_of(described(recovery={"runs": list(runs)}, **more)).recovery

    return recoveries


def test_a_known_level_is_a_one_sample_t_test(recoveries):
    """Mean, interval, t and p are those of scipy's one-sample t test against 100 %."""
    (entry,) = recoveries({"level": 5, "found": FOUND})
    percent = 20 * np.array(FOUND)
    reference = stats.ttest_1samp(percent, 100)
    interval = reference.confidence_interval(0.95)

    assert (entry.kind, entry.level, entry.n) == ("level", 5, 6)
    assert entry.mean_recovery.value == pytest.approx(percent.mean())
    assert entry.mean_recovery.ci == pytest.approx((interval.low, interval.high), rel=1e-9)
    assert entry.sd == pytest.approx(percent.std(ddof=1))
    assert entry.t == pytest.approx(reference.statistic, rel=1e-9)
    assert entry.p_bias == pytest.approx(reference.pvalue, rel=1e-9)
    bounds = reference.confidence_interval(0.90)
    assert entry.mean_recovery.one_sided == pytest.approx((bounds.low, bounds.high), rel=1e-9)


def test_a_spike_is_what_was_found_of_the_addition(recoveries):
    """(found − native)/added; the native content is subtracted once from each result."""
    (entry,) = recoveries({"native": 1.5, "added": 5, "found": [one + 1.5 for one in FOUND]})

    assert (entry.kind, entry.level) == ("spike", 5)
    assert entry.values == pytest.approx(tuple(20 * one for one in FOUND))


def test_the_doubt_of_the_native_content_enters_once(recoveries):
    """The shared native content is a common error: added in quadrature, undivided by the results."""
    run = {"native": 1.5, "added": 5, "found": [one + 1.5 for one in FOUND]}

    (plain,) = recoveries(run)
    (with_native,) = recoveries({**run, "native_sd": 0.2})

    expected = np.hypot(plain.mean_recovery.standard_error, 100 * 0.2 / 5)
    assert with_native.mean_recovery.standard_error == pytest.approx(expected, rel=1e-9)
    assert with_native.mean_recovery.value == pytest.approx(plain.mean_recovery.value)


def test_the_doubt_of_a_certified_value_enters(recoveries):
    """The standard uncertainty of the certificate widens the interval, and is told."""
    (without,) = recoveries({"reference": 5, "found": FOUND})
    (with_it,) = recoveries({"reference": 5, "reference_uncertainty": 0.1, "found": FOUND})

    assert without.kind == with_it.kind == "reference"
    assert without.reference_uncertainty_used is None
    assert with_it.reference_uncertainty_used == 0.1
    mean = with_it.mean_recovery
    expected = np.hypot(without.mean_recovery.standard_error, mean.value * 0.1 / 5)
    assert mean.standard_error == pytest.approx(expected, rel=1e-9)


def test_results_of_one_day_are_not_independent(recoveries):
    """With days recorded the doubt is that of the day means: two days of three results have one degree."""
    runs = [{"level": 5, "series": day, "found": some} for day, some in (("a", FOUND[:3]), ("b", FOUND[3:]))]

    (entry,) = recoveries(*runs)

    means = 20 * np.array([np.mean(FOUND[:3]), np.mean(FOUND[3:])])
    assert (entry.n, entry.series) == (6, 2)
    assert entry.mean_recovery.degrees_of_freedom == 1
    assert entry.mean_recovery.standard_error == pytest.approx(means.std(ddof=1) / np.sqrt(2), rel=1e-9)


def test_kinds_levels_and_matrices_are_kept_apart(recoveries):
    """A figure has one kind, one level and one matrix; they are listed by kind, then by level."""
    entries = recoveries(
        {"level": 10, "found": [10.1, 9.9], "matrix": "tap water"},
        {"level": 5, "found": [5.1, 4.9], "matrix": "sea water"},
        {"level": 5, "found": [5.2, 4.9], "matrix": "tap water"},
        {"native": 1, "added": 5, "found": [6.1, 5.9], "matrix": "tap water"},
        {"reference": 5, "found": [5.0, 5.1], "matrix": "tap water"},
        {"level": 5, "found": [5.3, 4.9], "matrix": "tap water"},
    )

    assert [(entry.kind, entry.level, entry.matrix, entry.n) for entry in entries] == [
        ("level", 5, "sea water", 2),
        ("level", 5, "tap water", 4),
        ("level", 10, "tap water", 2),
        ("reference", 5, "tap water", 2),
        ("spike", 5, "tap water", 2),
    ]


def test_two_sided_limits_of_the_study_ask_for_equivalence(recoveries):
    """A criterion with min and max is tested for equivalence; one side alone is not."""
    both = [{"characteristic": "recovery", "min": 90, "max": 110}]
    one = [{"characteristic": "recovery", "min": 90}]
    run = {"level": 5, "found": FOUND}

    (inside,) = recoveries(run, criteria=both)
    (wide,) = recoveries({"level": 5, "found": [4.2, 5.8, 5.5, 4.4]}, criteria=both)
    (none,) = recoveries(run, criteria=one)

    assert (inside.equivalence.lower, inside.equivalence.upper) == (90, 110)
    assert inside.equivalence.passes
    assert not wide.equivalence.passes
    assert none.equivalence is None


def test_limits_that_name_a_level_hold_there_only(recoveries):
    """A criterion for one level is no bound at another; one for all levels holds where none names it."""
    criteria = [
        {"characteristic": "recovery", "min": 90, "max": 110},
        {"characteristic": "recovery", "at": 50, "min": 98, "max": 102},
    ]

    low, high = recoveries(
        {"level": 5, "found": FOUND},
        {"level": 50, "found": [10 * one for one in FOUND]},
        criteria=criteria,
    )

    assert (low.equivalence.lower, low.equivalence.upper) == (90, 110)
    assert (high.equivalence.lower, high.equivalence.upper) == (98, 102)
    assert low.equivalence.passes
    assert not high.equivalence.passes
    assert low.equivalence.p < 0.05 < high.equivalence.p


def test_limits_of_the_bias_are_bounds_too(recoveries):
    """A relative bias within -8 to +8 % is a recovery of 92 to 108 %."""
    (entry,) = recoveries(
        {"level": 5, "found": FOUND}, criteria=[{"characteristic": "trueness", "min": -8, "max": 8}]
    )

    assert (entry.equivalence.lower, entry.equivalence.upper) == (92, 108)


def test_a_reference_value_with_its_uncertainty_has_scores(recoveries):
    """ISO 13528:2015, 9.6 and 9.7 (from memory): ζ and En, and the check of twice the uncertainty."""
    (entry,) = recoveries({"reference": 5, "reference_uncertainty": 0.1, "found": FOUND})
    (without,) = recoveries({"reference": 5, "found": FOUND})

    found = np.array(FOUND)
    u_mean = found.std(ddof=1) / np.sqrt(6)
    difference = found.mean() - 5
    assert entry.scores.difference == pytest.approx(difference)
    assert entry.scores.standard_uncertainty == pytest.approx(np.hypot(u_mean, 0.1))
    assert entry.scores.zeta == pytest.approx(difference / np.hypot(u_mean, 0.1))
    assert entry.scores.en == pytest.approx(difference / np.hypot(stats.t.ppf(0.975, 5) * u_mean, 0.2))
    assert entry.scores.within_two_u
    assert without.scores is None


def test_a_significant_recovery_asks_for_a_correction(recoveries):
    """Eurachem/CITAC CG 4, 3rd ed. 2012, 7.16 and A4 (from memory): t against its critical value, 100/R."""
    (entry,) = recoveries({"level": 5, "found": [0.8 * one for one in FOUND]})
    (good,) = recoveries({"level": 5, "found": FOUND})
    (single,) = recoveries({"level": 5, "found": [4.9]})

    assert entry.correction.advised
    assert entry.correction.t == pytest.approx(abs(entry.t))
    assert entry.correction.critical == pytest.approx(stats.t.ppf(0.975, 5))
    assert entry.correction.factor == pytest.approx(100 / entry.mean_recovery.value)
    assert not good.correction.advised
    assert single.correction is None


def test_found_on_added_tests_slope_and_intercept_together(record_of, described):
    """Least squares over the levels and the extra sum of squares against found = added, by hand."""
    table = {2.0: [2.1, 1.9, 2.2], 5.0: [5.3, 5.2], 10.0: [10.6, 10.2, 10.4]}
    spikes = [{"native": 1.0, "added": x, "found": [1.0 + y for y in some]} for x, some in table.items()]
    materials = [{"reference": 7.0, "found": [9.0, 9.1]}]

    (line,) = record_of(described(recovery={"runs": spikes + materials})).found_on_added

    x = np.array([level for level, some in table.items() for _ in some])
    y = np.array([one for some in table.values() for one in some])
    fit = stats.linregress(x, y)
    residual = ((y - fit.intercept - fit.slope * x) ** 2).sum()
    f = (((y - x) ** 2).sum() - residual) / 2 / (residual / (x.size - 2))
    assert (line.n, line.levels, line.matrix) == (8, 3, None)
    assert line.slope.value == pytest.approx(fit.slope)
    assert line.intercept.value == pytest.approx(fit.intercept)
    assert line.slope.standard_error == pytest.approx(fit.stderr)
    assert line.joint_test.statistic == pytest.approx(f)
    assert line.joint_test.df == (2, 6)
    assert line.joint_test.p == pytest.approx(stats.f.sf(f, 2, 6))


def test_each_matrix_has_its_line_of_found_on_added(record_of, described):
    """Matrices are not mixed, and one level draws no line."""
    runs = [
        {"level": level, "matrix": matrix, "found": [level * f for f in (0.98, 1.01, 1.02)]}
        for matrix, levels in {"tap": (1.0, 5.0), "sea": (2.0, 8.0), "ice": (3.0,)}.items()
        for level in levels
    ]

    lines = record_of(described(recovery={"runs": runs})).found_on_added

    assert {line.matrix for line in lines} == {"tap", "sea"}


def test_excluded_results_are_listed_and_their_effect_is_shown(recoveries):
    """What is left decides; what was left out is listed, with the recovery it would have given."""
    runs = [{"level": 5, "found": FOUND}, {"level": 5, "found": [1.0], "excluded": "spilled"}]

    (entry,) = recoveries(*runs)
    (without,) = recoveries(runs[0])

    assert entry.mean_recovery == without.mean_recovery
    assert [(point.value, point.cause) for point in entry.excluded] == [(1.0, "spilled")]
    assert entry.with_excluded.value == pytest.approx(20 * np.mean([*FOUND, 1.0]))


def test_repeated_readings_are_one_result(recoveries):
    """Six readings of one extract are one recovery without an interval."""
    (entry,) = recoveries({"level": 5, "found": FOUND, "preparation": "repeated_reading"})

    assert entry.n == 1
    assert entry.mean_recovery.ci is None
    assert entry.mean_recovery.reason


def test_no_recovery_runs(record_of, described):
    """A study without recoveries says what it would take."""
    found = record_of(described()).recovery

    assert isinstance(found, NotAssessed)
    assert "certified reference material" in found.needs
