"""Noise of curves: the stated uncertainty of a reading is its true scatter, whatever the filter."""

from __future__ import annotations

import numpy as np
import pytest
import scipy.linalg
from scipy.signal import lfilter, savgol_filter

from validator.statistics.curve_noise import Noise, independent, noise_model
from validator.statistics.peaks import LinearBaseline, PeakSettings, reduce_peak

E = np.round(np.arange(-1.3, -0.8 + 1e-9, 0.004), 3)
WINDOW = (-1.16, -1.04)
LINE = LinearBaseline(((-1.21, -1.18), (-1.02, -0.99)))
SIGMA = 0.01

FILTERS = {
    "white": lambda e: e,
    "mean of five points": lambda e: np.convolve(e, np.ones(5) / 5, "same"),
    "Savitzky-Golay, nine points": lambda e: savgol_filter(e, 9, 2),
    "autoregressive, 0.7": lambda e: lfilter([1.0], [1.0, -0.7], e),
}


def curves_of(kind, number, seed):
    """Curves of that noise on a baseline that slopes and drifts."""
    rng = np.random.default_rng(seed)
    found = []
    for _ in range(number):
        noise = FILTERS[kind](rng.normal(0, SIGMA, E.size + 200))[100 : 100 + E.size]
        found.append((E, 1 + rng.normal(2, 0.2) * (E + 1.3) + noise))
    return found


@pytest.mark.parametrize("kind", FILTERS)
@pytest.mark.parametrize("quiet", [None, (-0.96, -0.82)], ids=["beside the peak", "in a window"])
@pytest.mark.parametrize(
    "shown",
    [
        PeakSettings(window=WINDOW, baseline=LINE, at=-1.1, summit=0.04),
        PeakSettings(window=WINDOW, baseline=LINE, at=-1.1),
        PeakSettings(window=WINDOW, baseline=LINE, measure="area"),
    ],
    ids=["parabola", "point", "area"],
)
def test_stated_uncertainty_is_the_true_scatter(kind, quiet, shown):
    """Within 15 %, for noise of every filter: 400 curves in sets of 20, each set telling its own noise.

    Treated as independent, the points of the filtered curves gave 1/6 to 1/3 of the true scatter.
    """
    signals, variances = [], []
    curves = curves_of(kind, 400, seed=21)
    for first in range(0, 400, 20):
        some = curves[first : first + 20]
        model = noise_model(some, WINDOW, quiet=quiet)
        for x, y in some:
            result = reduce_peak(x, y, shown, noise=model.of(x, y))
            signals.append(result.signal)
            variances.append(result.standard_error**2)

    assert np.sqrt(np.mean(variances)) == pytest.approx(np.std(signals), rel=0.15)


@pytest.mark.parametrize("kind", FILTERS)
def test_a_single_curve_tells_its_own_noise(kind):
    """Less precisely, 15 % in the root mean square of 300 curves; no kind is taken for quieter than it is."""
    shown = PeakSettings(window=WINDOW, baseline=LINE, at=-1.1, summit=0.04)
    found = [reduce_peak(x, y, shown) for x, y in curves_of(kind, 300, seed=5)]

    truth = np.std([one.signal for one in found])
    stated = np.sqrt(np.mean([one.standard_error**2 for one in found]))
    assert stated == pytest.approx(truth, rel=0.15)


def test_of_known_covariance():
    """The variance of a sum by the spectrum is wᵀCw, C from scipy.linalg.toeplitz."""
    rho = 0.7 ** np.arange(60.0)
    w = np.random.default_rng(2).normal(size=E.size)
    column = np.zeros(E.size)
    column[:60] = 4 * rho

    assert Noise(4 * rho).of(w) ** 2 == pytest.approx(w @ scipy.linalg.toeplitz(column) @ w, rel=1e-6)
    assert Noise(4 * rho).sd == 2


def test_independent_points():
    """JCGM 100:2008, equation 10 (from memory): the square root of Σ w² times the standard deviation."""
    w = np.arange(5.0)

    assert independent(3.0).of(w) == pytest.approx(3 * np.sqrt(30))
    assert noise_model(curves_of("white", 200, seed=1), WINDOW).correlation == pytest.approx(np.ones(1))


def test_a_neighbour_on_one_side_is_no_noise():
    """The quieter side is read; a peak on the other would be taken for noise."""
    neighbour = 2 * np.exp(-(((E + 0.97) / 0.02) ** 2) / 2)
    curves = [(x, y + neighbour) for x, y in curves_of("white", 20, seed=3)]

    model = noise_model(curves, WINDOW)

    assert [part.window for part in model.parts] == [pytest.approx((-1.31, -1.19))]
    assert np.sqrt(np.mean([model.of(*one).sd ** 2 for one in curves])) == pytest.approx(SIGMA, rel=0.1)


def test_a_curve_that_ends_beside_its_peak():
    """Where too little of the curve is left beside the peak, neighbouring points tell the noise."""
    some = [(x[30:70], y[30:70]) for x, y in curves_of("white", 20, seed=4)]

    model = noise_model(some, WINDOW)

    assert model.parts == ()
    assert np.mean([model.of(*one).sd for one in some]) == pytest.approx(SIGMA, rel=0.15)


def test_each_curve_has_its_own_scatter():
    """Correlation is common to the curves, the standard deviation is not."""
    quiet, loud = curves_of("autoregressive, 0.7", 20, seed=6), curves_of("autoregressive, 0.7", 20, seed=7)
    loud = [(x, 5 * y) for x, y in loud]
    model = noise_model([*quiet, *loud], WINDOW)

    ratio = np.mean([model.of(*one).sd for one in loud]) / np.mean([model.of(*one).sd for one in quiet])

    assert ratio == pytest.approx(5, rel=0.2)
