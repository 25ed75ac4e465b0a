"""Curves to numbers: known peaks come back, within the uncertainty that is stated, whatever the baseline."""

from __future__ import annotations

import numpy as np
import pytest
import scipy.integrate
import scipy.signal
import scipy.sparse
import scipy.sparse.linalg
from hypothesis import given, settings
from hypothesis import strategies as st
from msgspec.structs import replace

from validator.errors import NotEstimable
from validator.statistics.curve_noise import independent, point_noise, window_noise
from validator.statistics.peaks import (
    AsymmetricBaseline,
    Difference,
    LinearBaseline,
    PeakSettings,
    PolynomialBaseline,
    UnclearPeak,
    baseline_effect,
    fit_baseline,
    half_width,
    other_baseline,
    reduce_peak,
)

E = np.linspace(-1.4, -0.6, 401)
"""Potentials of a sweep, 2 mV apart."""
PEAK_AT, WIDTH = -1.1, 0.03
WINDOW = (-1.25, -0.95)
FEET = ((-1.32, -1.22), (-0.98, -0.88))
LINEAR = PeakSettings(window=WINDOW, baseline=LinearBaseline(FEET), summit=0.02)
CUBIC = PeakSettings(window=WINDOW, baseline=PolynomialBaseline(3, ((-1.4, -1.2), (-1.0, -0.7))), summit=0.02)
QUINTIC = PeakSettings(
    window=WINDOW, baseline=PolynomialBaseline(5, ((-1.4, -1.2), (-1.0, -0.7))), summit=0.02
)
# λ^(1/4) points, the length over which it bends, is 100: three times the width of the peak at half its height
ASYMMETRIC = PeakSettings(window=WINDOW, baseline=AsymmetricBaseline(1e8, 0.001), summit=0.02)


def gaussian(height, at=PEAK_AT, width=WIDTH, x=E):
    return height * np.exp(-(((x - at) / width) ** 2) / 2)


def capacitive(slope=2.0, bend=0.0, drift=0.0, x=E):
    """The current of a charging double layer: it rises with the potential, bends, and drifts."""
    return 1.5 + slope * (x + 1.4) + bend * np.exp(-(x + 1.4) / 0.3) + drift * (x + 1.4)


@pytest.mark.parametrize("height", [0.2, 1.0, 25.0])
@pytest.mark.parametrize("shown", [LINEAR, CUBIC])
def test_a_peak_on_a_straight_baseline(height, shown):
    """Without noise the height comes back to the error of a parabola over a bell, 0.1 % of the height."""
    result = reduce_peak(E, capacitive() + gaussian(height), shown, noise=independent(0.0))

    assert result.signal == pytest.approx(height, rel=2e-3)
    assert result.position == pytest.approx(PEAK_AT, abs=1e-4)
    assert result.standard_error == 0


def test_the_single_highest_point():
    """Without a width at the summit the highest point above the baseline is the height."""
    shown = PeakSettings(window=WINDOW, baseline=LinearBaseline(FEET))

    result = reduce_peak(E, capacitive() + gaussian(1.0), shown)

    assert result.signal == pytest.approx(1.0, rel=2e-4)  # the feet of the bell lift the baseline a little
    assert result.position == E[np.argmin(np.abs(E - PEAK_AT))]


def test_a_peak_that_points_down():
    """Direction -1 turns the curve over: the same height, positive."""
    y = capacitive() + gaussian(1.0)
    down = PeakSettings(window=WINDOW, baseline=LinearBaseline(FEET), summit=0.02, direction=-1)

    assert reduce_peak(E, -y, down).signal == pytest.approx(reduce_peak(E, y, LINEAR).signal, rel=1e-12)


def test_a_bent_baseline():
    """A polynomial follows a bent charging current; a straight line cuts under it, as moved feet tell."""
    y = capacitive(bend=4.0) + gaussian(1.0)

    followed, cut = (reduce_peak(E, y, shown, noise=independent(0.0)) for shown in (QUINTIC, LINEAR))

    assert followed.signal == pytest.approx(1.0, abs=2e-3)
    assert abs(cut.signal - 1.0) > 0.05
    assert cut.settings_uncertainty > 0.01


def test_asymmetric_least_squares_lie_like_a_chord():
    """On a straight baseline exact to 0.2 %; under a bent one a chord from side to side, as any smoother."""
    straight, bent = (
        reduce_peak(E, capacitive(bend=bend) + gaussian(1.0), ASYMMETRIC, noise=independent(0.0))
        for bend in (0.0, 4.0)
    )
    between_feet = reduce_peak(E, capacitive(bend=4.0) + gaussian(1.0), LINEAR, noise=independent(0.0))

    assert straight.signal == pytest.approx(1.0, abs=2e-3)
    assert abs(bent.signal - 1.0) < abs(between_feet.signal - 1.0)
    assert abs(bent.signal - 1.0) > 0.01


def test_area_of_a_bell():
    """The area of a bell is height · width · √(2π); trapezoids on 2 mV are exact to its feet."""
    baseline = PolynomialBaseline(1, ((-1.4, -1.27), (-0.93, -0.7)))
    shown = PeakSettings(window=(-1.26, -0.94), baseline=baseline, measure="area")

    result = reduce_peak(E, capacitive() + gaussian(3.0), shown)

    assert result.signal == pytest.approx(3.0 * WIDTH * np.sqrt(2 * np.pi), rel=1e-5)
    assert result.position is None


def test_height_at_a_given_place():
    """Read at a given potential, a curve without a peak gives a number about zero, of either sign."""
    rng = np.random.default_rng(3)
    shown = PeakSettings(window=WINDOW, baseline=LinearBaseline(FEET), summit=0.02, at=PEAK_AT)
    found = [reduce_peak(E, capacitive() + rng.normal(0, 0.01, E.size), shown) for _ in range(200)]
    signals = np.array([one.signal for one in found])

    assert {one.position for one in found} == {PEAK_AT}
    assert abs(signals.mean()) < 4 * found[0].standard_error / np.sqrt(200)
    assert reduce_peak(E, capacitive() + gaussian(2.0), shown).signal == pytest.approx(2.0, rel=2e-3)


# --- uncertainty ------------------------------------------------------------------------------------
SIMULATED = 400
SIGMA = 0.01


@pytest.mark.parametrize(
    ("shown", "bend"),
    [(LINEAR, 0.0), (CUBIC, 4.0)],
    ids=["straight feet, sloping baseline", "polynomial, bent baseline"],
)
def test_a_known_peak_within_its_stated_uncertainty(shown, bend):
    """Sloping or bent charging current, drift, noise: 95 % of the k = 2 intervals hold the true height.

    400 curves: a true coverage of 95 % shows at least 91 % (four standard deviations).
    """
    rng = np.random.default_rng(11)
    held = 0
    truth = 0.8
    for _ in range(SIMULATED):
        noise = rng.normal(0, SIGMA, E.size)
        y = capacitive(rng.normal(2, 0.3), bend, rng.normal(0, 0.2)) + gaussian(truth, width=0.035) + noise
        result = reduce_peak(E, y, shown)
        held += abs(result.signal - truth) <= 2 * result.standard_uncertainty

    assert held / SIMULATED > 0.91


@pytest.mark.parametrize(
    "shown",
    [
        LINEAR,
        CUBIC,
        PeakSettings(window=WINDOW, baseline=LinearBaseline(FEET), measure="area"),
        PeakSettings(window=WINDOW, baseline=LinearBaseline(FEET), at=-1.0991),
    ],
    ids=["parabola", "polynomial", "area", "interpolated"],
)
def test_standard_error_is_the_scatter_of_repeated_curves(shown):
    """What the weights say is what many curves show (1000 curves: to 10 %, 4.5 times 1/√2000)."""
    rng = np.random.default_rng(7)
    clean = capacitive() + gaussian(1.0)
    found = [
        reduce_peak(E, clean + rng.normal(0, SIGMA, E.size), shown, noise=independent(SIGMA))
        for _ in range(1000)
    ]

    assert np.std([one.signal for one in found]) == pytest.approx(found[0].standard_error, rel=0.1)


@pytest.mark.parametrize("sd", [1e-6, 0.01, 3.0])
def test_noise_of_a_point_from_the_whole_curve(sd):
    """The median of the pseudo-residuals finds the noise under a peak and a slope (401 points: to 20 %)."""
    rng = np.random.default_rng(5)

    found = point_noise(E, capacitive() * sd + gaussian(20 * sd) + rng.normal(0, sd, E.size))

    assert found == pytest.approx(sd, rel=0.2)


def test_noise_of_a_curve_recorded_with_few_digits():
    """Where most points equal their neighbours the median says zero, and the root mean square is taken."""
    y = np.zeros(200)
    y[[20, 90, 150]] = 1.0

    assert point_noise(np.arange(200.0), y) > 0
    assert point_noise(np.arange(200.0), np.zeros(200)) == 0


# --- against a general library ------------------------------------------------------------------------
def test_parabola_is_the_filter_of_savitzky_and_golay():
    """On equal steps the weights at the summit are those of scipy.signal.savgol_filter."""
    y = capacitive() + gaussian(1.0) + np.random.default_rng(1).normal(0, 0.01, E.size)
    at = E[150]
    shown = PeakSettings(window=WINDOW, baseline=PolynomialBaseline(0, (WINDOW,)), summit=0.02, at=at)

    result = reduce_peak(E, y, shown)

    smooth = scipy.signal.savgol_filter(y, window_length=11, polyorder=2)
    assert result.signal + result.baseline[150] == pytest.approx(smooth[150], rel=1e-10)


def test_noise_in_a_window_is_that_of_the_detrended_points():
    """Residuals of scipy.signal.detrend: their extent, and their scatter with two constants fitted."""
    y = capacitive() + np.random.default_rng(2).normal(0, 0.01, E.size)
    chosen = (E >= -0.9) & (E <= -0.7)
    residuals = scipy.signal.detrend(y[chosen])

    found = window_noise(E, y, (-0.9, -0.7))

    assert found.sd == pytest.approx(np.sqrt(np.sum(residuals**2) / (residuals.size - 2)), rel=1e-10)
    assert found.peak_to_peak == pytest.approx(np.ptp(residuals), rel=1e-10)


def test_polynomial_is_that_of_numpy():
    """numpy.polynomial on the same points."""
    y = capacitive(bend=4.0) + np.random.default_rng(4).normal(0, 0.01, E.size)
    chosen = (E <= -1.2) | (E >= -1.0)

    found = fit_baseline(E, y, PolynomialBaseline(4, ((-1.4, -1.2), (-1.0, -0.6))))

    expected = np.polynomial.Polynomial.fit(E[chosen], y[chosen], 4)(E)
    np.testing.assert_allclose(found.values, expected, rtol=1e-9)


def test_area_is_that_of_trapezoids():
    """scipy.integrate.trapezoid between two points of the curve."""
    y = capacitive() + gaussian(1.0)
    shown = PeakSettings(window=(E[75], E[225]), baseline=LinearBaseline(FEET), measure="area")

    result = reduce_peak(E, y, shown)

    expected = scipy.integrate.trapezoid((y - result.baseline)[75:226], E[75:226])
    assert result.signal == pytest.approx(expected, rel=1e-10)


def test_asymmetric_least_squares_by_sparse_matrices():
    """The same equations solved by scipy.sparse, weights repeated to the end."""
    y = capacitive(bend=4.0) + gaussian(1.0) + np.random.default_rng(6).normal(0, 0.01, E.size)
    n = y.size
    second = scipy.sparse.diags_array([1.0, -2.0, 1.0], offsets=[0, 1, 2], shape=(n - 2, n))
    penalty = 1e6 * (second.T @ second)
    w, z = np.ones(n), np.zeros(n)
    for _ in range(100):
        z = scipy.sparse.linalg.spsolve((scipy.sparse.diags_array(w) + penalty).tocsc(), w * y)
        new = np.where(y > z, 0.001, 0.999)
        if np.array_equal(new, w):
            break
        w = new

    found = fit_baseline(E, y, AsymmetricBaseline(1e6, 0.001))

    np.testing.assert_allclose(found.values, z, rtol=1e-6)


def test_height_of_a_symmetric_peak_is_its_prominence():
    """scipy.signal.peak_prominences on a level baseline."""
    y = gaussian(1.0, at=-1.0)
    top = int(np.argmax(y))
    shown = PeakSettings(window=(-1.2, -0.8), baseline=LinearBaseline(((-1.4, -1.3), (-0.7, -0.6))))

    (prominence,), _, _ = scipy.signal.peak_prominences(y, [top])
    assert reduce_peak(E, y, shown).signal == pytest.approx(prominence, rel=1e-9)


# --- properties -----------------------------------------------------------------------------------------
baselines = st.sampled_from(
    [LinearBaseline(FEET), PolynomialBaseline(2, ((-1.4, -1.2), (-1.0, -0.7))), AsymmetricBaseline(1e5, 0.01)]
)


@given(
    baselines, st.sampled_from(["height", "area"]), st.integers(0, 2**32), st.floats(-5, 5), st.floats(-5, 5)
)
@settings(max_examples=60, deadline=None)
def test_a_straight_line_added_changes_nothing(baseline, measure, seed, shift, slope):
    """Every baseline takes a straight line away completely."""
    y = capacitive(bend=1.0) + gaussian(1.0) + np.random.default_rng(seed).normal(0, 0.005, E.size)
    shown = PeakSettings(window=WINDOW, baseline=baseline, measure=measure, summit=0.02)

    one, other = reduce_peak(E, y, shown), reduce_peak(E, y + shift + slope * E, shown)

    assert other.signal == pytest.approx(one.signal, rel=1e-5, abs=1e-7)


@given(baselines, st.integers(0, 2**32), st.floats(-3, 3).map(lambda power: 10**power))
@settings(max_examples=40, deadline=None)
def test_the_unit_of_the_signal_does_not_matter(baseline, seed, factor):
    """A curve in another unit gives the height, and both uncertainties, in that unit."""
    y = capacitive() + gaussian(1.0) + np.random.default_rng(seed).normal(0, 0.005, E.size)
    shown = PeakSettings(window=WINDOW, baseline=baseline, summit=0.02)

    one, other = reduce_peak(E, y, shown), reduce_peak(E, factor * y, shown)

    for field in ("signal", "standard_error", "settings_uncertainty", "noise_sd"):
        assert getattr(other, field) == pytest.approx(
            factor * getattr(one, field), rel=1e-6, abs=1e-9 * factor
        )


def test_the_same_curve_gives_the_same_bits():
    """Reduction is reproducible: nothing in it is left to chance or to what ran before."""
    y = capacitive(bend=1.0) + gaussian(1.0) + np.random.default_rng(8).normal(0, 0.01, E.size)

    for shown in (LINEAR, CUBIC, ASYMMETRIC):
        one, other = reduce_peak(E, y, shown), reduce_peak(E.copy(), y.copy(), shown)
        assert (one.signal, one.standard_error, one.settings_uncertainty) == (
            other.signal,
            other.standard_error,
            other.settings_uncertainty,
        )


# --- refusals ---------------------------------------------------------------------------------------------
@pytest.mark.parametrize(
    ("changed", "reason"),
    [
        (
            {"baseline": LinearBaseline(((-2.0, -1.9), FEET[1]))},
            (
                r"the baseline window from -2 to -1\.9 "
                r"contains 0 points; the curve extends "
                r"from -1\.4 to -0\.6"
            ),
        ),
        ({"baseline": LinearBaseline((FEET[1], FEET[0]))}, "the two baseline windows are not in order"),
        (
            {"baseline": PolynomialBaseline(9, ((-1.4, -1.394), (-0.604, -0.6)))},
            "7 points are too few for a polynomial of degree 9",
        ),
        (
            {"window": (-0.5, -0.4)},
            (
                r"the window of the peak from -0\.5 to -0\.4 contains 0 points; "
                r"the curve extends from -1\.4 to -0\.6"
            ),
        ),
        (
            {"window": (-0.5, -0.4), "measure": "area"},
            (
                r"the window of the peak from -0\.5 to -0\.4 "
                r"contains 0 points; the curve extends from "
                r"-1\.4 to -0\.6"
            ),
        ),
        (
            {"summit": 0.004},
            (
                r"the summit from -1\.102 to -1\.098 contains 3 points; the curve extends "
                r"from -1\.4 to -0\.6"
            ),
        ),
        ({"at": 0.5}, "the reading position 0.5 is outside the curve, which extends from -1.4 to -0.6"),
        ({"window": (-0.9, -0.8)}, "no peak maximum was found between -0.9 and -0.8"),
        (
            {"window": (-1.2, -1.12), "summit": None},
            r"the curve is highest at -1\.122, at the border",
        ),
        ({"window": (-1.08, -0.95)}, "no peak maximum was found between -1.08 and -0.95"),
    ],
)
def test_what_cannot_be_reduced(changed, reason):
    """Windows beside the curve, too few points and a missing summit are said with their numbers."""
    y = gaussian(1.0) + 5 * (E + 1.4) ** 2
    given_settings = {"window": WINDOW, "baseline": LinearBaseline(FEET), "summit": 0.02} | changed

    with pytest.raises(NotEstimable, match=reason):
        reduce_peak(E, y, PeakSettings(**given_settings))


@pytest.mark.parametrize("summit", [None, 0.02])
def test_the_highest_point_of_noise_is_no_peak(summit):
    """Of 300 curves of noise none is read at its highest point, and none of a clear peak is refused."""
    rng = np.random.default_rng(12)
    shown = PeakSettings(window=WINDOW, baseline=LinearBaseline(FEET), summit=summit)

    for _ in range(300):
        noise = rng.normal(0, SIGMA, E.size)
        with pytest.raises(UnclearPeak, match="exceeds 10 standard errors"):
            reduce_peak(E, capacitive() + noise, shown)
        assert reduce_peak(E, capacitive() + gaussian(20 * SIGMA) + noise, shown).signal > 10 * SIGMA


def test_curves_of_a_few_points():
    """Fewer than ten points are no curve; asymmetric least squares wants five."""
    with pytest.raises(NotEstimable, match="the curve has 9 points"):
        reduce_peak(np.arange(9.0), np.zeros(9), LINEAR)
    with pytest.raises(NotEstimable, match="the curve has 4 points"):
        fit_baseline(np.arange(4.0), np.zeros(4), AsymmetricBaseline(10, 0.1))
    with pytest.raises(NotEstimable, match="window of the noise"):
        window_noise(E, E, (-0.9, -0.89))


def test_a_curve_without_any_noise_or_peak():
    """A level line has height zero wherever it is read, and no uncertainty."""
    shown = PeakSettings(window=WINDOW, baseline=LinearBaseline(FEET), at=PEAK_AT)

    result = reduce_peak(E, np.full(E.size, 3.0), shown)

    assert (result.signal, result.standard_uncertainty) == (0, 0)


# --- another baseline -------------------------------------------------------------------------------------
def test_what_another_baseline_changes():
    """Offset, proportion and scatter come back as they were put in; noise alone is neither of them.

    200 sets of 30 curves: the test of the scatter at 1 % is wrong in at most 8 of them (99.9 %, binomial).
    """
    rng = np.random.default_rng(15)
    signals, scatter = np.linspace(0, 4, 30), rng.normal(0, 0.1, 30)
    differences = [Difference(0.3 - 0.05 * s + d, 0.01) for s, d in zip(signals, scatter, strict=True)]
    found = baseline_effect(signals, differences)
    alone = [
        baseline_effect(signals, [Difference(d, 0.01) for d in rng.normal(0, 0.01, 30)]) for _ in range(200)
    ]

    assert found.offset == pytest.approx(0.3, abs=3 * found.offset_error)
    assert found.percent == pytest.approx(-5, abs=4)
    assert found.scatter == pytest.approx(0.1, rel=0.3)
    assert sum(one.scatter > 0 for one in alone) <= 8
    assert np.std([one.offset / one.offset_error for one in alone]) == pytest.approx(1, rel=0.2)
    with pytest.raises(NotEstimable, match="2 curves with another baseline"):
        baseline_effect([1, 2], [Difference(0, 1)] * 2)


@pytest.mark.parametrize(
    ("baseline", "other"),
    [
        (LinearBaseline(FEET), PolynomialBaseline),
        (PolynomialBaseline(3, FEET), PolynomialBaseline),
        (AsymmetricBaseline(1e5, 0.01), LinearBaseline),
    ],
)
@pytest.mark.parametrize("measure", ["height", "area"])
def test_the_difference_is_that_of_two_reductions(baseline, other, measure):
    """Each kind has another beside it; its change is the signal above that minus that above its own."""
    y = capacitive(bend=4.0) + gaussian(1.0) + np.random.default_rng(1).normal(0, 0.01, E.size)
    at = None if measure == "area" else PEAK_AT
    shown = PeakSettings(window=WINDOW, baseline=baseline, measure=measure, at=at)

    one = reduce_peak(E, y, shown)

    two = reduce_peak(E, y, replace(shown, baseline=other_baseline(shown)))
    assert type(other_baseline(shown)) is other
    assert one.other.value == pytest.approx(two.signal - one.signal, rel=1e-9)
    assert one.other.standard_error > 0


def test_width_at_half_height():
    """That of a bell is 2 √(2 ln 2) times its width; a peak that is cut off has none."""
    shown = PeakSettings(window=WINDOW, baseline=LinearBaseline(FEET), at=PEAK_AT)
    y = gaussian(1.0)

    whole = half_width(E, y, reduce_peak(E, y, shown))

    assert whole == pytest.approx(2 * np.sqrt(2 * np.log(2)) * WIDTH, rel=0.01)
    assert half_width(E, np.where(PEAK_AT > E, 1.0, y), reduce_peak(E, y, shown)) is None
