"""β-expectation and β-content tolerance intervals from results in series."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import integrate, optimize, special, stats

from validator.errors import NotEstimable
from validator.statistics.accuracy_profile import tolerance_intervals

quick = settings(max_examples=50, deadline=None)
thousandths = st.integers(-(10**6), 10**6).map(lambda number: number / 1000)
balanced = st.integers(2, 4).flatmap(
    lambda n: st.lists(st.lists(thousandths, min_size=n, max_size=n), min_size=2, max_size=5)
)


def series(rng, sizes, between, within, mean=0.0):
    return [mean + rng.normal(0, 1) * between + rng.normal(0, within, n) for n in sizes]


def by_the_book(groups, beta):
    """Mee's interval written out from the mean squares of a balanced layout."""
    y = np.array(groups)
    p, n = y.shape
    ms_w = y.var(axis=1, ddof=1).mean()
    s_b2 = max(0.0, (n * y.mean(axis=1).var(ddof=1) - ms_w) / n)
    ratio = s_b2 / ms_w
    b2 = (ratio + 1) / (n * ratio + 1)
    nu = (ratio + 1) ** 2 / ((ratio + 1 / n) ** 2 / (p - 1) + (1 - 1 / n) / (p * n))
    half = stats.t.ppf((1 + beta) / 2, nu) * math.sqrt(ms_w + s_b2) * math.sqrt(1 + 1 / (p * n * b2))
    return y.mean() - half, y.mean() + half, nu


@pytest.mark.parametrize(("p", "n"), [(3, 3), (5, 2), (4, 6)])
@pytest.mark.parametrize("between", [0.3, 2.0])
def test_balanced_series_follow_the_published_formula(p, n, between):
    """Centre, ν and limits equal those written out from mean squares (Mee 1984, from memory)."""
    groups = series(np.random.default_rng(p * n), (n,) * p, between, 1.0, mean=50.0)

    found = tolerance_intervals(groups, beta=0.9)

    lower, upper, nu = by_the_book(groups, 0.9)
    assert (found.expectation.lower, found.expectation.upper) == pytest.approx((lower, upper), rel=1e-12)
    assert found.degrees_of_freedom == pytest.approx(nu, rel=1e-10)


def test_unbalanced_series_count_once_each():
    """The centre is the mean of the series means, whatever the sizes of the series."""
    found = tolerance_intervals([[1.0, 1.2], [2.0, 2.1, 2.2, 2.3, 1.9], [3.0, 2.9, 3.1]])

    assert found.centre == pytest.approx((1.1 + 2.1 + 3.0) / 3)
    assert "unbalanced" in found.method


def test_single_results_give_the_prediction_interval():
    """One result per series: the interval is x̄ ± t(p − 1)·s·√(1 + 1/p), that of a further normal result."""
    x = np.array([9.8, 10.3, 10.1, 9.7, 10.4, 10.0])

    found = tolerance_intervals([[value] for value in x], beta=0.95)

    half = stats.t.ppf(0.975, 5) * x.std(ddof=1) * math.sqrt(7 / 6)
    assert found.expectation.upper == pytest.approx(x.mean() + half)
    assert isinstance(found.precision.repeatability_sd, NotEstimable)


@pytest.mark.parametrize(
    ("sizes", "between", "within"),
    [((3,) * 5, 1.0, 1.0), ((4,) * 4, 2.0, 0.5), ((1,) * 6, 1.0, 1.0), ((1, 2, 6, 3), 1.0, 1.0)],
)
def test_contents_are_those_promised(sizes, between, within):
    """On average β of future results lie inside, and β or more with confidence γ, unbalanced included.

    1200 simulated studies. The content may miss β by 0.015: ν is Satterthwaite's approximation, and with few
    series and a small ratio the clipped component makes the interval longer.  The β-content interval is on
    the safe side where two components are summed.
    """
    rng = np.random.default_rng(20)
    total = math.hypot(between, within)
    contents, held = [], 0
    for _ in range(1200):
        found = tolerance_intervals(series(rng, sizes, between, within), beta=0.9, gamma=0.95)
        ends = np.array([found.expectation.lower, found.expectation.upper, found.content.lower])
        low, high, low_content = special.ndtr(ends / total)
        contents.append(high - low)
        held += float(special.ndtr(found.content.upper / total)) - low_content >= 0.9

    standard_error = np.std(contents) / math.sqrt(1200)
    assert abs(np.mean(contents) - 0.9) < 0.015 + 2 * standard_error
    assert 0.95 - 0.02 <= held / 1200 <= 0.985


def attained_confidence(n, beta, k):
    """Exact confidence that x̄ ± k·s of n normal results holds the share β, by integration over x̄."""

    def given_mean(z):
        half = optimize.brentq(
            lambda r: stats.norm.cdf(z + r) - stats.norm.cdf(z - r) - beta, 0, 10 + abs(z), xtol=1e-12
        )
        return stats.chi2.sf((n - 1) * (half / k) ** 2, n - 1) * stats.norm.pdf(z, 0, 1 / math.sqrt(n))

    return integrate.quad(given_mean, -8 / math.sqrt(n), 8 / math.sqrt(n))[0]


@pytest.mark.parametrize("n", [4, 6, 12, 40])
@pytest.mark.parametrize("beta", [0.8, 0.95, 0.99])
def test_confidence_for_single_results_is_exact_to_a_percent(n, beta):
    """With one result per series the confidence attained, by exact integration, is 0.95 to within 0.01."""
    x = np.arange(n) - (n - 1) / 2

    found = tolerance_intervals([[y] for y in x / x.std(ddof=1)], beta=beta, gamma=0.95)

    assert attained_confidence(n, beta, found.content.upper) == pytest.approx(0.95, abs=0.01)


def test_few_unequal_series_miss_by_little():
    """Three series of 2, 8 and 2: the content is still within 0.03 of β."""
    rng = np.random.default_rng(21)
    contents = []
    for _ in range(1200):
        found = tolerance_intervals(series(rng, (2, 8, 2), 1.0, 0.5), beta=0.9)
        limits = np.array([found.expectation.lower, found.expectation.upper])
        contents.append(np.diff(special.ndtr(limits / math.hypot(1, 0.5)))[0])

    assert np.mean(contents) == pytest.approx(0.9, abs=0.03)


def test_risk_is_that_of_the_predictive_distribution():
    """Probability outside limits equals the integral of the predictive t density."""
    found = tolerance_intervals(series(np.random.default_rng(2), (3, 3, 3), 1, 1, mean=10.0))
    predictive = stats.t(found.degrees_of_freedom, found.centre, found.prediction_sd)

    inside, _ = integrate.quad(predictive.pdf, 8.0, 13.0)

    assert found.probability_outside(8.0, 13.0) == pytest.approx(1 - inside, rel=1e-9)
    assert found.probability_outside(found.expectation.lower, found.expectation.upper) == pytest.approx(
        0.05, rel=1e-9
    )


@quick
@given(balanced, st.sampled_from([1e-12, 1.0, 1e12]))
def test_unit_and_order_never_matter(groups, factor):
    """Another unit scales both intervals; the order of series and results changes nothing."""
    try:
        before = tolerance_intervals(groups)
    except NotEstimable:
        return
    turned = [[y * factor for y in reversed(group)] for group in reversed(groups)]

    after = tolerance_intervals(turned)

    spread = np.ptp(np.concatenate(groups))
    for name in ("expectation", "content"):
        one, other = getattr(before, name), getattr(after, name)
        assert other.lower == pytest.approx(one.lower * factor, abs=1e-6 * spread * factor)
        assert other.upper == pytest.approx(one.upper * factor, abs=1e-6 * spread * factor)


@quick
@given(balanced)
def test_content_interval_holds_the_expectation_interval_of_equal_share(groups):
    """With γ = 0.95 the β-content interval is never shorter than s_I times the normal deviate."""
    try:
        found = tolerance_intervals(groups, beta=0.8, gamma=0.95)
    except NotEstimable:
        return

    half = found.content.upper - found.centre
    assert half >= stats.norm.ppf(0.9) * found.precision.intermediate_sd.value * (1 - 1e-9)


@pytest.mark.parametrize(
    ("groups", "words"),
    [
        ([[1.0, 2.0, 3.0]], "one series"),
        ([[1.0, 1.0], [1.0, 1.0]], "identical"),
        ([[1.0]], "fewer than 2"),
    ],
)
def test_data_that_cannot_carry_the_interval_say_why(groups, words):
    """One series, or no scatter, gives no interval for a future series."""
    with pytest.raises(NotEstimable, match=words):
        tolerance_intervals(groups)


@pytest.mark.parametrize("wrong", [{"beta": 1.0}, {"gamma": 0.5}])
def test_impossible_shares_are_refused(wrong):
    """β and γ are probabilities."""
    with pytest.raises(ValueError, match="beta lies"):
        tolerance_intervals([[1.0, 2.0], [2.0, 3.0]], **wrong)


def test_identical_results_within_series_count_by_series():
    """Where readings within a series never differ the series means are the results."""
    found = tolerance_intervals([[1.0, 1.0], [2.0, 2.0], [3.0, 3.0]])

    assert found.degrees_of_freedom == 2
    assert found.prediction_sd == pytest.approx(math.sqrt(4 / 3))
