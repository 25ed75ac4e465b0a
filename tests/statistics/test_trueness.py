"""Recovery of what was added, of a reference value and of a known level."""

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats

from validator.errors import NotEstimable
from validator.statistics.trueness import known_level_recovery, reference_recovery, spike_recovery

found_values = st.lists(st.integers(850, 1150), min_size=3, max_size=9, unique=True)


def test_spike_written_out():
    """Single recoveries, mean, sd and Student interval of a spike with an exact native content."""
    r = spike_recovery([10.4, 10.1, 10.9], 0.5, 10)

    singles = [99.0, 96.0, 104.0]
    u = np.std(singles, ddof=1) / math.sqrt(3)
    assert r.values == pytest.approx(singles)
    assert (r.kind, r.n, r.level, r.series, r.method) == ("spike", 3, 10.0, None, "independent results")
    assert r.sd == pytest.approx(np.std(singles, ddof=1))
    assert r.mean_recovery.value == pytest.approx(np.mean(singles))
    assert r.mean_recovery.interval.upper == pytest.approx(np.mean(singles) + stats.t.ppf(0.975, 2) * u)
    assert r.native_uncertainty_used is None


@given(found_values)
@settings(deadline=None, max_examples=30)
def test_bias_test_agrees_with_scipy(found):
    """Without further uncertainties t and p are those of scipy's one-sample t test against 100 %."""
    r = known_level_recovery(found, 1000)
    theirs = stats.ttest_1samp(np.array(found) / 10, 100)

    assert r.t == pytest.approx(theirs.statistic, rel=1e-9, abs=1e-9)
    assert r.p_bias == pytest.approx(theirs.pvalue, rel=1e-9)
    assert r.mean_recovery.degrees_of_freedom == len(found) - 1


def test_shared_native_enters_once_and_undivided():
    """The native's standard uncertainty is common to all results, so it does not shrink with n."""
    r = spike_recovery([10.4, 10.1, 10.9], 0.5, 10, native_sd=0.2, native_n=4)

    u_native = 100 * 0.1 / 10
    u_scatter = r.sd / math.sqrt(3)
    assert r.native_uncertainty_used == pytest.approx(0.1)
    assert r.mean_recovery.standard_error == pytest.approx(math.hypot(u_native, u_scatter))
    nu = (u_native**2 + u_scatter**2) ** 2 / (u_native**4 / 3 + u_scatter**4 / 2)
    assert r.mean_recovery.degrees_of_freedom == pytest.approx(nu)


def test_native_sd_without_number_is_its_standard_uncertainty():
    """Nothing is divided, and ν is that of the scatter alone in Welch–Satterthwaite."""
    r = spike_recovery([10.4, 10.1, 10.9], 0.5, 10, native_sd=0.1)

    u_scatter = r.sd / math.sqrt(3)
    assert r.native_uncertainty_used == 0.1
    assert r.mean_recovery.degrees_of_freedom == pytest.approx((1 + u_scatter**2) ** 2 / (u_scatter**4 / 2))


def test_results_that_share_one_of_several_natives_form_a_series():
    """Two natives with two results each are two independent units, and their error is in the scatter."""
    r = spike_recovery([10.4, 10.1, 11.9, 11.7], [0.5, 0.5, 1.7, 1.7], 10, native_sd=0.1)

    assert r.native_uncertainty_used is None
    assert r.series == 2
    assert r.mean_recovery.degrees_of_freedom == 1
    assert r.method == "mean of 2 series means (series as independent units)"


def test_one_native_for_each_result_is_independent():
    """Every result with a native of its own: n − 1 degrees of freedom."""
    r = spike_recovery([10.4, 10.1, 11.9], [0.5, 0.4, 1.7], 10)

    assert (r.series, r.mean_recovery.degrees_of_freedom) == (None, 2)


def test_replicates_of_a_day_are_not_independent():
    """Six results on three days have the ν of three days."""
    r = reference_recovery(
        [9.9, 9.8, 10.2, 10.3, 10.0, 10.1], 10.0, series=["mo", "mo", "tu", "tu", "we", "we"]
    )

    days = np.array([98.5, 102.5, 100.5])
    assert (r.n, r.series, r.mean_recovery.degrees_of_freedom) == (6, 3, 2)
    assert r.mean_recovery.standard_error == pytest.approx(days.std(ddof=1) / math.sqrt(3))


def test_reference_uncertainty_widens_the_interval_and_gives_scores():
    """Standard uncertainty of the reference in t, zeta, En and the 2u check, written out."""
    found = [9.6, 9.8, 9.7, 9.9]
    r = reference_recovery(found, 10.0, reference_uncertainty=0.1)

    u_mean = np.std(found, ddof=1) / 2
    centre = np.mean(found) / 10
    assert r.mean_recovery.standard_error == pytest.approx(100 * math.hypot(u_mean / 10, centre * 0.01))
    assert r.reference_uncertainty_used == 0.1
    assert r.scores.difference == pytest.approx(-0.25)
    u = math.hypot(u_mean, 0.1)
    assert r.scores.standard_uncertainty == pytest.approx(u)
    assert r.scores.zeta == pytest.approx(-0.25 / u)
    assert r.scores.en == pytest.approx(-0.25 / math.hypot(stats.t.ppf(0.975, 3) * u_mean, 0.2))
    assert r.scores.within_two_u == (2 * u >= 0.25)


def test_reference_without_uncertainty_has_no_scores():
    """Zeta and En need the reference's uncertainty; zero counts as unknown."""
    for u in (None, 0.0):
        r = reference_recovery([9.6, 9.8, 9.7], 10.0, reference_uncertainty=u)
        assert r.scores is None
        assert r.reference_uncertainty_used is None


def test_equivalence_uses_the_same_standard_error():
    """The equivalence tests see the native's uncertainty and the series too."""
    r = spike_recovery(
        [10.4, 10.2, 10.9, 10.7], 0.5, 10, native_sd=0.1, series=[1, 1, 2, 2], equivalence_bounds=(80, 120)
    )

    assert (r.equivalence.lower, r.equivalence.upper) == (80, 120)
    mean = r.mean_recovery
    t = (120 - mean.value) / mean.standard_error
    assert r.equivalence.p_upper == pytest.approx(stats.t.sf(t, mean.degrees_of_freedom))


@pytest.mark.parametrize(
    ("found", "reason"),
    [
        ([9.8], "only one result; its variation is unknown"),
        ([9.8, 9.8, 9.8], "the results show no variation at the recorded resolution"),
    ],
)
def test_mean_without_interval_says_why(found, reason):
    """One result, or equal ones, give a mean, no interval, no test, and the reason."""
    r = reference_recovery(found, 10.0, reference_uncertainty=None, equivalence_bounds=(90, 110))

    assert r.mean_recovery.value == pytest.approx(98.0)
    assert (r.mean_recovery.interval, r.t, r.p_bias, r.equivalence) == (None,) * 4
    assert r.reason == reason


def test_one_result_beside_an_uncertain_reference_stays_without_interval():
    """The reference's uncertainty alone is no interval of a method that was run once."""
    r = reference_recovery([9.8], 10.0, reference_uncertainty=0.1)

    assert r.mean_recovery.interval is None
    assert r.scores is None


def test_rounding_is_no_scatter():
    """Results less native that are equal in decimals but not in binary counts as no scatter."""
    r = spike_recovery([0.3, 10.3], [0.2, 10.2], 0.1)

    assert r.reason == "the results show no variation at the recorded resolution"


@pytest.mark.parametrize(
    ("call", "message"),
    [
        (lambda: spike_recovery([], 0, 1), "no results; needs at least 2 independent results"),
        (
            lambda: spike_recovery([1.0], 0, 0),
            "an added amount that is not positive; needs a positive amount to recover",
        ),
        (
            lambda: reference_recovery([1.0], -1.0),
            "a reference value that is not positive; needs a positive amount to recover",
        ),
        (
            lambda: known_level_recovery([1.0, 2.0], [1.0, 0.0]),
            "a level that is not positive; needs a positive amount to recover",
        ),
    ],
)
def test_refuses_in_a_sentence(call, message):
    """Nothing found and nothing to recover are refused with what is needed."""
    with pytest.raises(NotEstimable) as refusal:
        call()
    assert str(refusal.value) == message


@given(found_values, st.sampled_from([1e-12, 1e-3, 1e12]))
@settings(deadline=None, max_examples=30)
def test_the_unit_does_not_matter(found, scale):
    """Recovery, interval and p are free of the unit of the results."""
    x = np.array(found, dtype=float)
    plain = spike_recovery(x, 50, 900, native_sd=5, native_n=3)
    scaled = spike_recovery(x * scale, 50 * scale, 900 * scale, native_sd=5 * scale, native_n=3)

    assert scaled.mean_recovery.value == pytest.approx(plain.mean_recovery.value, rel=1e-9)
    assert scaled.mean_recovery.standard_error == pytest.approx(plain.mean_recovery.standard_error, rel=1e-6)
    assert scaled.p_bias == pytest.approx(plain.p_bias, rel=1e-4, abs=1e-9)


@given(st.permutations(list(range(6))))
@settings(deadline=None, max_examples=20)
def test_order_of_runs_does_not_matter(order):
    """Shuffled rows with their series give the same mean and interval."""
    found, series = np.array([9.9, 9.8, 10.2, 10.3, 10.0, 10.1]), np.array([1, 1, 2, 2, 3, 3])
    plain = known_level_recovery(found, 10.0, series=series.tolist())
    shuffled = known_level_recovery(found[order], 10.0, series=series[order].tolist())

    assert shuffled.mean_recovery.value == pytest.approx(plain.mean_recovery.value, rel=1e-12)
    assert shuffled.mean_recovery.standard_error == pytest.approx(
        plain.mean_recovery.standard_error, rel=1e-9
    )


def _coverage(hits, runs):
    return sum(hits) / runs


def test_interval_with_series_covers_where_counting_replicates_would_not():
    """10⁴ studies, 4 unequal days, day effect as large as repeatability: 94 to 96 % covered.

    The same data with the days left out cover far less, which is what pseudo-replicates do.
    """
    rng = np.random.default_rng(20)
    series = [0, 0, 0, 1, 1, 1, 2, 2, 3, 3, 3, 3]
    runs = 10_000
    day = rng.normal(0, 2, (runs, 4))[:, series]
    data = 98 + day + rng.normal(0, 2, (runs, 12))

    with_days = [98 in known_level_recovery(row, 100, series=series).mean_recovery.interval for row in data]
    without = [98 in known_level_recovery(row, 100).mean_recovery.interval for row in data[:3000]]

    assert 0.94 <= _coverage(with_days, runs) <= 0.96
    assert _coverage(without, 3000) < 0.90


def test_interval_with_an_estimated_native_covers():
    """10⁴ studies with the native measured 5 times: 94 to 96 % covered, and fewer when it is ignored."""
    rng = np.random.default_rng(21)
    runs = 10_000
    natives = rng.normal(2, 0.4, (runs, 5))
    found = rng.normal(2 + 9.5, 0.4, (runs, 5))

    def covered(row, native, **native_spread):
        return 95 in spike_recovery(row, native.mean(), 10, **native_spread).mean_recovery.interval

    known = [
        covered(row, native, native_sd=native.std(ddof=1), native_n=5)
        for row, native in zip(found, natives, strict=True)
    ]
    ignored = [covered(row, native) for row, native in zip(found[:3000], natives[:3000], strict=True)]

    assert 0.94 <= _coverage(known, runs) <= 0.96
    assert _coverage(ignored, 3000) < 0.90
