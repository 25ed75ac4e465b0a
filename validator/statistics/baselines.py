r"""Baselines under a peak: what the curve would be without it.

Each baseline is, for given settings, linear in the ordinates: b = B y. The transpose of B is kept, because it
carries the noise of the curve into whatever is measured above the baseline (see ``peaks.py``).
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
from msgspec import Struct
from msgspec.structs import replace

from validator.errors import NotEstimable
from validator.numbers import counted

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from numpy.typing import NDArray

Window = tuple[float, float]
"""An interval of the abscissa, lower end first."""

DISPLACED = 0.1
"""Share of its own width by which a window is moved to see what the choice of it matters."""
MOST_ROUNDS = 50
"""Rounds of re-weighting within which asymmetric least squares settles on real curves (customary)."""


class LinearBaseline(Struct, frozen=True):
    """A straight line between the means of the points in two windows, the feet of the peak."""

    feet: tuple[Window, Window]


class PolynomialBaseline(Struct, frozen=True):
    """A polynomial of ``degree``, by least squares through the points in the windows ``through``."""

    degree: int
    through: tuple[Window, ...]


class AsymmetricBaseline(Struct, frozen=True):
    """The smoother of Whittaker, points above it weighted ``asymmetry`` and those below 1 - ``asymmetry``.

    ``smoothness`` is λ, the weight of squared second differences against squared distances.
    """

    smoothness: float
    asymmetry: float


Baseline = LinearBaseline | PolynomialBaseline | AsymmetricBaseline


class FittedBaseline(Struct, frozen=True):
    """The baseline over the points of a curve, ``values``, and a ↦ Bᵀ a for b = B y."""

    values: NDArray[np.float64]
    transposed: Callable[[NDArray[np.float64]], NDArray[np.float64]]


def fit_baseline(x: NDArray[np.float64], y: NDArray[np.float64], baseline: Baseline) -> FittedBaseline:
    """The *baseline* of the curve (*x*, *y*), x rising.

    Raises:
        NotEstimable: a window holds too few points.
    """
    match baseline:
        case LinearBaseline():
            return _linear(x, y, baseline)
        case PolynomialBaseline():
            return _polynomial(x, y, baseline)
        case AsymmetricBaseline():
            return _asymmetric(y, baseline)


def displaced(baseline: Baseline) -> list[tuple[Baseline, Baseline]]:
    """The baseline with each of its settings a little lower and a little higher, one at a time."""
    match baseline:
        case LinearBaseline(feet=(left, right)):
            return [
                (
                    replace(baseline, feet=(moved(left, -1), right)),
                    replace(baseline, feet=(moved(left, 1), right)),
                ),
                (
                    replace(baseline, feet=(left, moved(right, -1))),
                    replace(baseline, feet=(left, moved(right, 1))),
                ),
            ]
        case PolynomialBaseline(through=windows):
            return [
                (
                    replace(baseline, through=_with(windows, index, -1)),
                    replace(baseline, through=_with(windows, index, 1)),
                )
                for index in range(len(windows))
            ]
        case AsymmetricBaseline(smoothness=smoothness):
            return [
                (replace(baseline, smoothness=smoothness / 2), replace(baseline, smoothness=smoothness * 2))
            ]


def moved(window: Window, side: int) -> Window:
    """The *window* moved by ``DISPLACED`` of its width, to higher values where *side* is 1."""
    step = side * DISPLACED * (window[1] - window[0])
    return window[0] + step, window[1] + step


def _with(windows: Sequence[Window], index: int, side: int) -> tuple[Window, ...]:
    return (*windows[:index], moved(windows[index], side), *windows[index + 1 :])


def inside(x: NDArray[np.float64], window: Window, fewest: int, what: str) -> NDArray[np.bool_]:
    """Which points lie in *window*.

    Raises:
        NotEstimable: fewer than *fewest* do; *what* names the window.
    """
    chosen = (x >= window[0]) & (x <= window[1])
    found = int(np.count_nonzero(chosen))
    if found < fewest:
        raise NotEstimable(
            (
                f"{what} from {window[0]:g} to {window[1]:g} contains {counted(found, 'point')}; the curve "
                f"extends from {x[0]:g} to {x[-1]:g}"
            ),
            f"at least {counted(fewest, 'point')} there",
        )
    return chosen


def _linear(x: NDArray[np.float64], y: NDArray[np.float64], baseline: LinearBaseline) -> FittedBaseline:
    left, right = (inside(x, foot, 1, "the baseline window") for foot in baseline.feet)
    x_1, x_2 = float(x[left].mean()), float(x[right].mean())
    if x_1 >= x_2:
        raise NotEstimable(
            "the two baseline windows are not in order", "one baseline window below and one above the peak"
        )
    t = (x - x_1) / (x_2 - x_1)
    n_1, n_2 = np.count_nonzero(left), np.count_nonzero(right)

    def transposed(a: NDArray[np.float64]) -> NDArray[np.float64]:
        back: NDArray[np.float64] = left * (np.sum((1 - t) * a) / n_1) + right * (np.sum(t * a) / n_2)
        return back

    return FittedBaseline((1 - t) * y[left].mean() + t * y[right].mean(), transposed)


def _polynomial(
    x: NDArray[np.float64], y: NDArray[np.float64], baseline: PolynomialBaseline
) -> FittedBaseline:
    chosen = np.zeros(x.size, dtype=np.bool_)
    for window in baseline.through:
        chosen |= inside(x, window, 1, "the window of the baseline")
    terms = baseline.degree + 1
    if np.count_nonzero(chosen) <= terms:
        raise NotEstimable(
            f"{np.count_nonzero(chosen)} points are too few for a polynomial of degree {baseline.degree}",
            f"at least {terms + 1} points in the baseline windows",
        )
    # centred and scaled on the points that carry it: powers of raw potentials or times would cancel
    centre, scale = x[chosen].mean(), float(np.ptp(x[chosen])) / 2
    phi = np.vander((x - centre) / scale, terms, increasing=True)
    inverse = np.linalg.pinv(phi[chosen])

    def transposed(a: NDArray[np.float64]) -> NDArray[np.float64]:
        back = np.zeros_like(a)
        back[chosen] = inverse.T @ (phi.T @ a)
        return back

    values: NDArray[np.float64] = phi @ (inverse @ y[chosen])
    return FittedBaseline(values, transposed)


def _asymmetric(y: NDArray[np.float64], baseline: AsymmetricBaseline) -> FittedBaseline:
    r"""Asymmetric least squares: minimise Σ w (y - z)² + λ Σ (Δ²z)², w = p above z and 1 - p below.

    P. H. C. Eilers, Analytical Chemistry 75 (2003) 3631 (the smoother) and P. H. C. Eilers and H. F. M.
    Boelens, Baseline correction with asymmetric least squares smoothing, 2005 (both from memory). The weights
    are found by repetition until they no longer change; for these weights z is linear in y. Under a baseline
    that bends, z is a chord from one side of the peak to the other.
    """
    from scipy.linalg import solveh_banded

    n = y.size
    if n < 5:
        raise NotEstimable(f"the curve has {n} points", "at least 5 points")
    penalty = _squared_second_differences(n, baseline.smoothness)
    p = baseline.asymmetry
    w = np.ones(n)

    def solved(right: NDArray[np.float64]) -> NDArray[np.float64]:
        bands = penalty.copy()
        bands[2] += w
        found: NDArray[np.float64] = solveh_banded(bands, right, check_finite=False)
        return found

    level = float(y.mean())  # differences from it keep more digits
    z = solved(w * (y - level))
    for _ in range(MOST_ROUNDS):
        before, w = w, np.where(y - level > z, p, 1 - p)
        if np.array_equal(before, w):
            break
        z = solved(w * (y - level))
    return FittedBaseline(z + level, lambda a: w * solved(a))


def _squared_second_differences(n: int, smoothness: float) -> NDArray[np.float64]:
    """λ DᵀD in upper banded form, D the second differences of n points."""
    bands = np.zeros((3, n))
    bands[2] = 6.0
    bands[2, [0, -1]], bands[2, [1, -2]] = 1.0, 5.0
    bands[1, 1:] = -4.0
    bands[1, [1, -1]] = -2.0
    bands[0, 2:] = 1.0
    return smoothness * bands
