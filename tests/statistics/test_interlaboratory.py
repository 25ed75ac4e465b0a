"""Interlaboratory precision by the estimators of ISO 5725-2."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from statsmodels.robust.scale import Huber

from validator.errors import NotEstimable
from validator.statistics.interlaboratory import (
    algorithm_a,
    algorithm_s,
    interlaboratory,
    mandel,
    mandel_h_critical,
    mandel_k_critical,
    robust_interlaboratory,
)
from validator.statistics.interval import Estimate

SIZES = (3, 2, 4, 3, 3, 2, 3, 4)


def laboratories(seed, between=1.0, sizes=SIZES):
    rng = np.random.default_rng(seed)
    return [30 + rng.normal(0, between) + rng.normal(0, 0.5, size) for size in sizes]


def test_estimators_are_those_of_the_standard():
    """s_r, s_d, n̿, s_L, s_R written out once more, for unequal cells."""
    cells = laboratories(1)
    n = np.array(SIZES)
    means, variances = np.array([c.mean() for c in cells]), np.array([c.var(ddof=1) for c in cells])
    m = np.sum(n * means) / n.sum()
    s_r2 = np.sum((n - 1) * variances) / np.sum(n - 1)
    s_d2 = (np.sum(n * means**2) - m**2 * n.sum()) / (len(n) - 1)
    n_bar = (n.sum() - np.sum(n**2) / n.sum()) / (len(n) - 1)
    s_L2 = (s_d2 - s_r2) / n_bar

    result = interlaboratory(cells)

    assert result.mean.value == pytest.approx(m)
    assert result.repeatability_sd.value == pytest.approx(math.sqrt(s_r2))
    assert result.between_sd.value == pytest.approx(math.sqrt(s_L2))
    assert result.reproducibility_sd.value == pytest.approx(math.sqrt(s_r2 + s_L2))
    assert result.reproducibility_limit == pytest.approx(2.8 * math.sqrt(s_r2 + s_L2))
    assert result.reproducibility_rsd.value == pytest.approx(100 * math.sqrt(s_r2 + s_L2) / m)
    assert result.cell_sizes == SIZES
    assert result.cell_means == pytest.approx(tuple(means))
    assert result.cell_sds == pytest.approx(tuple(np.sqrt(variances)))


@settings(max_examples=30, deadline=None)
@given(st.integers(0, 10**6), st.sampled_from([1e-6, 1.0, 1e6]), st.floats(-20, 20))
def test_unit_origin_and_order_do_not_matter(seed, factor, shift):
    """Scale scales, shift moves the mean, the order of laboratories does not change the figures."""
    cells = laboratories(seed)
    order = np.random.default_rng(seed).permutation(len(cells))

    plain, moved = interlaboratory(cells), interlaboratory([(cells[i] + shift) * factor for i in order])

    assert moved.mean.value == pytest.approx((plain.mean.value + shift) * factor)
    for name in ("repeatability_sd", "between_sd", "reproducibility_sd"):
        assert getattr(moved, name).value == pytest.approx(getattr(plain, name).value * factor, rel=1e-6)
    assert moved.reproducibility_sd.value >= moved.repeatability_sd.value
    assert moved.mandel.h == pytest.approx([plain.mandel.h[i] for i in order], abs=1e-6)
    assert moved.mandel.k == pytest.approx([plain.mandel.k[i] for i in order], abs=1e-6)


def test_laboratories_that_agree_too_well_are_clipped():
    """A negative s_L² is zero, and s_R is s_r."""
    result = interlaboratory([[1.0, 3.0], [1.1, 2.9], [0.9, 3.1]])

    assert result.between_sd.value == 0.0
    assert result.reproducibility_sd.value == result.repeatability_sd.value
    assert "set to zero" in result.method


def test_single_results_give_reproducibility_alone():
    """One result a laboratory: s_R is the standard deviation of the results, s_r cannot be had."""
    result = interlaboratory([[30.1], [29.7], [30.6], [30.2]])

    assert isinstance(result.repeatability_sd, NotEstimable)
    assert isinstance(result.between_sd, NotEstimable)
    assert result.reproducibility_sd.value == pytest.approx(np.std([30.1, 29.7, 30.6, 30.2], ddof=1))
    assert result.repeatability_limit is None
    assert result.mandel.k == (None,) * 4
    assert result.mandel.k_critical == (None,) * 4


def test_identical_readings_in_every_cell():
    """Cells without scatter have no repeatability; the reproducibility is still there."""
    result = interlaboratory([[1.0, 1.0], [2.0, 2.0], [4.0, 4.0]])

    assert isinstance(result.repeatability_sd, NotEstimable)
    assert isinstance(result.reproducibility_sd, Estimate)
    assert result.mandel.k == (None,) * 3


def test_one_laboratory_is_refused():
    """Reproducibility needs laboratories."""
    with pytest.raises(NotEstimable, match="one laboratory"):
        interlaboratory([[1.0, 2.0], []])


def test_mandel_finds_the_odd_laboratory():
    """A shifted laboratory stands out in h, a scattered one in k."""
    cells = [list(cell) for cell in laboratories(3, between=0.2, sizes=(3,) * 8)]
    cells[2] = [reading + 5 for reading in cells[2]]
    cells[5] = [30.0, 33.0, 27.0]

    result = interlaboratory(cells)

    h, k = result.mandel.h, result.mandel.k
    assert [abs(value) > result.mandel.h_critical[1] for value in h] == [i == 2 for i in range(8)]
    assert [k_i > bound[1] for k_i, bound in zip(k, result.mandel.k_critical, strict=True)] == [
        i == 5 for i in range(8)
    ]
    flagged = {test.name: test.index for test in result.outlier_tests if test.flagged}
    assert flagged["Cochran (Bonferroni)"] == (5,)
    assert flagged["Grubbs (Bonferroni)"] == (2,)


@pytest.mark.parametrize("alpha", [0.05, 0.01])
def test_mandel_bounds_are_passed_at_their_level(alpha):
    """20 000 simulated rounds of 7 laboratories, 3 readings: one laboratory passes its bound in α of them."""
    rng = np.random.default_rng(5)
    cells = rng.standard_normal((20_000, 7, 3))
    means, sds = cells.mean(axis=2), cells.std(axis=2, ddof=1)
    h = (means[:, 0] - means.mean(axis=1)) / means.std(axis=1, ddof=1)
    k = sds[:, 0] / np.sqrt((sds**2).mean(axis=1))

    error = 4 * math.sqrt(alpha / 20_000)
    assert np.mean(np.abs(h) > mandel_h_critical(7, alpha)) == pytest.approx(alpha, abs=error)
    assert np.mean(k > mandel_k_critical(7, 3, alpha)) == pytest.approx(alpha, abs=error)


def test_mandel_refuses_two_laboratories_and_equal_means():
    """With fewer than three laboratories, or none that differ, there is no consistency to judge."""
    with pytest.raises(NotEstimable, match="only 2 laboratories"):
        mandel([[1.0, 2.0], [2.0, 3.0]])
    with pytest.raises(NotEstimable, match="all cell means are identical"):
        mandel([[1.0, 2.0]] * 3)
    assert isinstance(interlaboratory([[1.0, 2.0], [2.0, 3.0]]).mandel, NotEstimable)


def test_robust_figures_stay_where_a_wild_laboratory_moves_the_others():
    """One laboratory 100 units off: the robust figures barely move, the classical ones do."""
    cells = laboratories(6, sizes=(3,) * 8)
    wild = [*cells[:-1], cells[-1] + 100]

    plain, robust = interlaboratory(wild), robust_interlaboratory(wild)
    reference = robust_interlaboratory(cells)

    assert plain.reproducibility_sd.value > 30
    assert robust.reproducibility_sd < 2 * reference.reproducibility_sd
    assert robust.repeatability_sd == pytest.approx(reference.repeatability_sd)
    assert robust.reproducibility_sd**2 == pytest.approx(robust.between_sd**2 + robust.repeatability_sd**2)


def test_robust_figures_are_algorithms_a_and_s_put_together():
    """s_L² = s_d² - s_r²·mean(1/n_i), written out once more for unequal cells."""
    cells = laboratories(8)
    s_r = algorithm_s([cell.std(ddof=1) for cell in cells], 2)
    average = algorithm_a([cell.mean() for cell in cells])
    s_L2 = average.sd**2 - s_r**2 * np.mean([1 / size for size in SIZES])

    robust = robust_interlaboratory(cells)

    assert robust.mean == pytest.approx(average.mean)
    assert robust.repeatability_sd == pytest.approx(s_r)
    assert robust.between_sd == pytest.approx(math.sqrt(s_L2))
    assert robust.reproducibility_sd == pytest.approx(math.sqrt(s_L2 + s_r**2))


def test_robust_figures_agree_with_classical_ones_on_clean_data():
    """Many clean laboratories: algorithms A and S estimate what the standard estimators estimate."""
    cells = laboratories(7, sizes=(3,) * 400)

    plain, robust = interlaboratory(cells), robust_interlaboratory(cells)

    assert robust.mean == pytest.approx(plain.mean.value, rel=0.005)
    assert robust.repeatability_sd == pytest.approx(plain.repeatability_sd.value, rel=0.05)
    assert robust.reproducibility_sd == pytest.approx(plain.reproducibility_sd.value, rel=0.06)


def test_single_results_have_a_robust_mean_and_reproducibility():
    """Huber's second proposal in statsmodels (c = 1.5) gives the same mean and sd, but for 1.1336 in 1.134.

    Single results carry no repeatability, robust or not.
    """
    mean, sd = Huber(c=1.5, tol=1e-10, maxiter=500)(np.array([4.5, 4.9, 5.6, 4.2, 6.2, 5.2, 9.9]))

    found = robust_interlaboratory([[one] for one in (4.5, 4.9, 5.6, 4.2, 6.2, 5.2, 9.9)])

    assert found.mean == pytest.approx(mean, rel=1e-3)
    assert found.reproducibility_sd == pytest.approx(sd, rel=2e-3)
    assert found.standard_error == pytest.approx(1.25 * found.reproducibility_sd / np.sqrt(7))
    assert found.repeatability_sd is None
    assert found.between_sd is None
