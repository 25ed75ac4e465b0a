"""Pattern, correlation, normality and influence in residuals."""

from __future__ import annotations

import itertools

import numpy as np
import pytest
import statsmodels.api as sm
from hypothesis import assume, given, settings
from hypothesis import strategies as st
from scipy import stats
from statsmodels.stats.stattools import durbin_watson as their_durbin_watson

from validator.errors import NotEstimable
from validator.statistics.regression import fit
from validator.statistics.residuals import durbin_watson, influence, runs_test, shapiro_wilk


def line(seed, n=12):
    rng = np.random.default_rng(seed)
    x = np.arange(1.0, n + 1)
    return fit(x, 2 * x + rng.standard_normal(n))


def runs_by_counting(signs):
    """Exact two-sided p over all arrangements of the signs."""
    n, positive = len(signs), sum(s > 0 for s in signs)
    found = 1 + sum(a != b for a, b in itertools.pairwise(signs))
    counts = []
    for places in itertools.combinations(range(n), positive):
        arranged = [1 if i in places else -1 for i in range(n)]
        counts.append(1 + sum(a != b for a, b in itertools.pairwise(arranged)))
    counts = np.array(counts)
    return found, min(1.0, 2 * min((counts <= found).mean(), (counts >= found).mean()))


@pytest.mark.parametrize("seed", range(8))
def test_runs_p_is_exact(seed):
    """Number of runs and p equal a count over all arrangements of the signs."""
    found = line(seed, n=10)
    runs, p = runs_by_counting(np.sign(found.residuals))
    test = runs_test(found)
    assert test.statistic == runs
    assert test.p == pytest.approx(p, rel=1e-9)
    positive = int((found.residuals > 0).sum())
    assert test.expected == 1 + 2 * positive * (10 - positive) / 10


def test_a_bent_calibration_has_too_few_runs():
    """A line through a parabola leaves three runs."""
    x = np.arange(1.0, 21.0)
    test = runs_test(fit(x, x**2))
    assert test.statistic == 3
    assert test.p < 0.001


def test_replicates_count_once():
    """A replicated level has the sign of its mean residual, whatever the order of its replicates."""
    x = np.repeat(np.arange(1.0, 7.0), 2)
    y = x**2 + np.tile([0.1, -0.1], 6)
    swapped = np.arange(12).reshape(6, 2)[:, ::-1].ravel()
    assert runs_test(fit(x, y)) == runs_test(fit(x[swapped], y[swapped]))
    assert runs_test(fit(x, y)).statistic == 3


@pytest.mark.parametrize("weighted", [False, True])
def test_durbin_watson_agrees_with_a_general_library(weighted):
    """The statistic is that of statsmodels on the (weighted) residuals in run order."""
    rng = np.random.default_rng(3)
    x = np.arange(1.0, 16.0)
    found = fit(x, x + rng.standard_normal(15), weights=1 / x if weighted else None)
    order = rng.permutation(15)
    e = np.sqrt(found.weights) * found.residuals
    test = durbin_watson(found, order)
    assert test.statistic == pytest.approx(their_durbin_watson(e[np.argsort(order)]), rel=1e-10)


@pytest.mark.parametrize("model", ["linear", "linear_through_origin", "quadratic"])
def test_durbin_watson_p_matches_simulation(model):
    """The p from exact moments lies within 0.008 of that of 200 000 simulated d."""
    rng = np.random.default_rng(4)
    x = np.array([1.0, 2, 4, 4, 8, 16, 16, 30, 50])
    powers = {"linear": (0, 1), "linear_through_origin": (1,), "quadratic": (0, 1, 2)}[model]
    q, _ = np.linalg.qr(np.stack([x**power for power in powers], axis=1))
    noise = rng.standard_normal((200_000, x.size))
    residuals = noise - noise @ q @ q.T
    simulated = (np.diff(residuals, axis=1) ** 2).sum(axis=1) / (residuals**2).sum(axis=1)
    for row in range(12):
        test = durbin_watson(fit(x, 3 * x + noise[row], model=model), np.arange(x.size))
        lower = (simulated <= test.statistic).mean()
        assert test.p == pytest.approx(2 * min(lower, 1 - lower), abs=0.008)


@pytest.mark.parametrize("n", [3, 4, 5, 6, 11, 12, 50, 5000])
@pytest.mark.parametrize("distribution", ["normal", "exponential"])
def test_shapiro_wilk_agrees_with_a_general_library(n, distribution):
    """W and p are those of scipy."""
    values = getattr(np.random.default_rng(n), distribution)(size=n)
    ours, theirs = shapiro_wilk(values), stats.shapiro(values)
    assert ours.statistic == pytest.approx(theirs.statistic, abs=1e-8)
    assert ours.p == pytest.approx(theirs.pvalue, rel=1e-4, abs=1e-300)


@settings(max_examples=50, deadline=None)
@given(
    values=st.lists(st.floats(-1, 1), min_size=3, max_size=20),
    unit=st.sampled_from([1e-12, 1.0, 1e12]),
)
def test_shapiro_wilk_takes_any_unit(values, unit):
    """W and p lie in [0, 1] and do not depend on the unit."""
    assume(np.ptp(values) > 1e-6)
    test = shapiro_wilk(np.array(values) * unit)
    assert 0 <= test.statistic <= 1
    assert 0 <= test.p <= 1
    assert test.statistic == pytest.approx(shapiro_wilk(values).statistic, abs=1e-9)


@pytest.mark.parametrize("model", ["linear", "quadratic"])
@pytest.mark.parametrize("weighted", [False, True])
def test_influence_agrees_with_a_general_library(model, weighted):
    """Cook's distances, externally studentised residuals and their Bonferroni p are those of statsmodels."""
    rng = np.random.default_rng(5)
    x = np.array([1.0, 2, 3, 5, 8, 13, 21, 34])
    y = x + rng.standard_normal(8)
    weights = 1 / x if weighted else np.ones(8)
    columns = np.stack([x**0, x] if model == "linear" else [x**0, x, x**2], axis=1)
    theirs = sm.OLS(np.sqrt(weights) * y, np.sqrt(weights)[:, None] * columns).fit()
    ours = influence(fit(x, y, model=model, weights=weights))

    measures = theirs.get_influence()
    assert ours.cook == pytest.approx(measures.cooks_distance[0], rel=1e-7)
    assert ours.externally_studentised == pytest.approx(measures.resid_studentized_external, rel=1e-7)
    outliers = theirs.outlier_test(method="bonf")
    assert ours.bonferroni_p == pytest.approx(np.asarray(outliers)[:, 2], rel=1e-6)
    assert ours.max_cook == ours.cook[ours.at] == ours.cook.max()


def test_a_gross_error_is_named():
    """One point off by far is the most deviant, significant after Bonferroni; the others are not."""
    rng = np.random.default_rng(6)
    x = np.arange(1.0, 13.0)
    y = 2 * x + 0.1 * rng.standard_normal(12)
    y[4] += 5
    found = influence(fit(x, y))
    assert found.most_deviant == 4
    assert found.bonferroni_p[4] < 1e-6
    assert np.delete(found.bonferroni_p, 4).min() > 0.05


def test_a_point_off_an_otherwise_exact_line_is_infinitely_deviant():
    """When the other points fit exactly the studentised residual has no bound."""
    found = influence(fit([1, 2, 3, 4, 5], [1, 2, 4, 4, 5]))
    assert np.isinf(found.externally_studentised[2])
    assert found.bonferroni_p[2] == 0


def test_a_point_that_determines_itself_has_no_influence_figure():
    """Leverage 1: the point has no residual, and no division by 0 happens."""
    found = influence(fit([1, 1, 1, 1, 2], [1.0, 2, 3, 1, 9]))
    assert found.cook[4] == 0
    assert found.externally_studentised[4] == 0


EXACT = "all points lie exactly on the fitted function"


@pytest.mark.parametrize(
    ("compute", "reason"),
    [
        (
            lambda: runs_test(fit([1, 2, 3, 4], [1, 3, 2, 5])),
            "2 positive and 2 negative residuals over 4 levels",
        ),
        (lambda: durbin_watson(line(1), [1] * 12), "the run order is not recorded for every point"),
        (
            lambda: durbin_watson(fit([1, 2, 3], [2, 4, 6]), [1, 2, 3]),
            "too few points, or all points exactly on the function",
        ),
        (lambda: influence(fit([1, 2, 3], [1, 2, 4])), "only 1 degree of freedom"),
        (lambda: influence(fit([1, 2, 3, 4], [2, 4, 6, 8])), EXACT),
        (lambda: shapiro_wilk([1, 2]), "2 values"),
        (lambda: shapiro_wilk([0.1] * 5), "all values are identical"),
    ],
)
def test_says_what_is_missing(compute, reason):
    """Data that cannot carry a test are refused in a sentence."""
    with pytest.raises(NotEstimable) as no:
        compute()
    assert no.value.reason == reason
