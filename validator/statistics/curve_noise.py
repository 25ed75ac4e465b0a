r"""Noise of recorded curves: its standard deviation, and how it is correlated from point to point.

Filters and smoothing correlate neighbouring points; treated as independent, these make the uncertainty of a
peak five times too small. For a number that is linear in the ordinates, S = w·y, the variance is wᵀCw, C the
covariance of the points (JCGM 100:2008, 5.2.2, equation 13, from memory).
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
from msgspec import Struct

from validator.errors import NotEstimable
from validator.numbers import counted

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import ArrayLike, NDArray

    from validator.statistics.peaks import Window

Points = tuple["NDArray[np.float64]", "NDArray[np.float64]"]
"""Abscissae and ordinates of a curve."""

_MAD_TO_SD = 1.482602218505602
"""Median absolute deviation to standard deviation of a normal distribution: 1/Φ⁻¹(3/4)."""
FEWEST_IN_WINDOW = 10
FEWEST_BESIDE = 15
"""Points beside a peak from which its noise is read there (customary)."""
_MOST_LAGS = 40
_LAGS_BELOW = 5
"""Lags in a row without a significant correlation after which there is none (Politis 2003)."""
_GAP = 1 / 4
"""Share of the window of a peak beside it where its tails may reach (customary)."""
_UNEQUAL = 4.0
"""Ratio of variances, of two sides or of two curves, above which only the smaller is noise (customary)."""


class WindowNoise(Struct, frozen=True):
    """Noise about the straight line of a window: standard deviation, and largest minus smallest."""

    sd: float
    peak_to_peak: float


class Noise(Struct, frozen=True):
    """Covariance of two points of a curve by their distance in points, γ₀, γ₁ …; zero beyond the last."""

    covariance: NDArray[np.float64]

    @property
    def sd(self) -> float:
        """Standard deviation of one point."""
        return float(np.sqrt(self.covariance[0]))

    def of(self, weights: NDArray[np.float64]) -> float:
        """Standard deviation of the sum of the points, each times its weight.

        An estimated covariance may have a spectrum that is negative somewhere; there it counts as zero.
        """
        if self.covariance.size == 1:
            return float(self.sd * np.sqrt(np.sum(weights**2)))
        lags = self.covariance.size
        n = 4 * max(weights.size, lags)
        around = np.zeros(n)
        around[:lags] = self.covariance
        around[1 - lags :] = self.covariance[:0:-1]
        spectrum = np.clip(np.fft.fft(around).real, 0, None)
        return float(np.sqrt(np.mean(np.abs(np.fft.fft(weights, n)) ** 2 * spectrum)))


def independent(sd: float) -> Noise:
    """Noise without correlation."""
    return Noise(np.array([sd**2]))


class Part(Struct, frozen=True):
    """A stretch of the curve without peaks, and the degree of the polynomial that it follows."""

    window: Window
    degree: int


class NoiseModel(Struct, frozen=True):
    """Noise that curves have in common: where it is read, and its correlation by distance in points."""

    parts: tuple[Part, ...]
    correlation: NDArray[np.float64]

    def of(self, x: NDArray[np.float64], y: NDArray[np.float64]) -> Noise:
        """The noise of one curve: its own standard deviation, the correlation of all of them."""
        variance = 0.0
        if self.parts:
            products, expected = _moments(x, y, self.parts, self.correlation.size - 1)
            variance = float(products[0]) / max(float(expected[0] @ self.correlation), 1.0)
        if variance <= 0:  # too few points there, or recorded with so few digits that they are equal
            variance = point_noise(x, y) ** 2
        return Noise(variance * self.correlation)


def noise_model(curves: Sequence[Points], peak: Window, *, quiet: Window | None = None) -> NoiseModel:
    r"""The noise of *curves* that were recorded in the same way.

    It is read about a straight line in the window *quiet*, else about a cubic on each side of the *peak*,
    from a quarter of the width of its window beside it, over one width; only on the quieter side where the
    variances differ by more than a factor of 4 (a neighbour). Curves with more than 4 times the median
    variance tell nothing of the correlation (the tails of a large peak). Points are taken as evenly spaced;
    as independent, with fewer than ``FEWEST_BESIDE`` points on either side.

    Residuals r = M z of a fit have less noise than z, mostly of the slow kind: the expectation of a sum of
    products of r at lag k is Σⱼ γⱼ tr(D M T M), D and T the matrices of lags k and j. These equations, summed
    over the curves, are solved for γ. Correlations beyond twice the last significant lag are zero, tapered
    before (D. N. Politis, Journal of Nonparametric Statistics 15 (2003) 467, from memory).
    """
    parts = (Part(quiet, 1),) if quiet else _beside(curves, peak)
    fewest = min((_chosen(x, part).size for x, _ in curves for part in parts), default=0)
    if fewest < FEWEST_IN_WINDOW:
        return NoiseModel((), np.ones(1))
    products, expected, n = _summed(_quieter(curves, parts), parts, min(fewest // 4, _MOST_LAGS))
    covariance = np.linalg.solve(expected, products)
    if covariance[0] <= 0:
        return NoiseModel(parts, np.ones(1))
    return NoiseModel(parts, _tapered(covariance / covariance[0], n))


def _beside(curves: Sequence[Points], peak: Window) -> tuple[Part, ...]:
    width = peak[1] - peak[0]
    near, far = _GAP * width, (1 + _GAP) * width
    sides = [Part((peak[0] - far, peak[0] - near), 3), Part((peak[1] + near, peak[1] + far), 3)]
    sides = [one for one in sides if all(_chosen(x, one).size >= FEWEST_BESIDE for x, _ in curves)]
    if len(sides) < 2:
        return tuple(sides)
    variances = [float(np.median(_variances(curves, (one,)))) for one in sides]
    if max(variances) <= _UNEQUAL * min(variances):
        return tuple(sides)
    return (sides[int(np.argmin(variances))],)


def _quieter(curves: Sequence[Points], parts: Sequence[Part]) -> list[Points]:
    variances = _variances(curves, parts)
    most = _UNEQUAL * float(np.median(variances))
    return [one for one, variance in zip(curves, variances, strict=True) if variance <= most]


def _variances(curves: Sequence[Points], parts: Sequence[Part]) -> list[float]:
    """That of each curve, its points taken as independent."""
    found = (_moments(x, y, parts, 0) for x, y in curves)
    return [float(products[0] / expected[0, 0]) for products, expected in found]


def _chosen(x: NDArray[np.float64], part: Part) -> NDArray[np.intp]:
    return np.flatnonzero((x >= part.window[0]) & (x <= part.window[1]))


def _summed(
    curves: Sequence[Points], parts: Sequence[Part], lags: int
) -> tuple[NDArray[np.float64], NDArray[np.float64], int]:
    """The equations of all *curves* together, and the number of their points."""
    found = [_moments(x, y, parts, lags) for x, y in curves]
    n = sum(_chosen(x, part).size for x, _ in curves for part in parts)
    return np.sum([one for one, _ in found], axis=0), np.sum([one for _, one in found], axis=0), n


def _moments(
    x: NDArray[np.float64], y: NDArray[np.float64], parts: Sequence[Part], lags: int
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Sums of products of residuals by their lag, and what each γ adds to each: (lags + 1,), twice."""
    products, expected = np.zeros(lags + 1), np.zeros((lags + 1, lags + 1))
    for part in parts:
        chosen = _chosen(x, part)
        n, u = chosen.size, x[chosen] - x[chosen].mean()
        q, _ = np.linalg.qr(np.vander(u / max(float(np.ptp(u)), np.finfo(float).tiny), part.degree + 1))
        r = y[chosen] - y[chosen].mean()
        r = r - q @ (q.T @ r)
        shifted = np.array([_shifted(q, k) for k in range(lags + 1)])
        inner = np.einsum("ia,kib->kab", q, shifted)
        traces = np.diag([n, *((n - k) / 2 for k in range(1, lags + 1))])
        traces = (
            traces - 2 * np.einsum("kia,jia->kj", shifted, shifted) + np.einsum("kab,jba->kj", inner, inner)
        )
        traces[:, 1:] *= 2
        products += [r @ _shifted(r, k) for k in range(lags + 1)]
        expected += traces
    return products, expected


def _shifted(a: NDArray[np.float64], lag: int) -> NDArray[np.float64]:
    """Half the sum of *a* moved by *lag* points to either side."""
    if lag == 0:
        return a
    moved = np.zeros_like(a)
    moved[lag:] += a[:-lag] / 2
    moved[:-lag] += a[lag:] / 2
    return moved


def _tapered(rho: NDArray[np.float64], n: int) -> NDArray[np.float64]:
    significant = np.abs(rho) >= 2 * np.sqrt(np.log10(n) / n)
    last = next(m for m in range(rho.size) if not significant[m + 1 : m + 1 + _LAGS_BELOW].any())
    lags = np.arange(min(2 * last, rho.size - 1) + 1)
    taper: NDArray[np.float64] = np.minimum(1.0, 2 - lags / max(last, 1))
    return rho[lags] * taper


def point_noise(x: NDArray[np.float64], y: NDArray[np.float64]) -> float:
    r"""Standard deviation of a point about the line between its neighbours, from the median.

    .. math:: r_i = y_i - (v_i y_{i-1} + u_i y_{i+1}), \quad
              \sigma = 1.4826 \, \mathrm{median} |r_i| / \sqrt{1 + u_i^2 + v_i^2}

    Pseudo-residuals of T. Gasser, L. Sroka and C. Jennen-Steinmetz, Biometrika 73 (1986) 625 (from memory),
    taken by their median because a curve with peaks is no line everywhere; by their root mean square where
    the median is zero, as on curves recorded with few digits.
    """
    u = (x[1:-1] - x[:-2]) / (x[2:] - x[:-2])
    v = 1 - u
    r = (y[1:-1] - (v * y[:-2] + u * y[2:])) / np.sqrt(1 + u**2 + v**2)
    by_median = _MAD_TO_SD * float(np.median(np.abs(r)))
    return by_median if by_median > 0 else float(np.sqrt(np.mean(r**2)))


def window_noise(x: ArrayLike, y: ArrayLike, window: Window) -> WindowNoise:
    """Noise in a window without peaks, about its straight line.

    Raises:
        NotEstimable: fewer than ten points lie there.
    """
    xs, ys = np.asarray(x, dtype=np.float64), np.asarray(y, dtype=np.float64)
    chosen = (xs >= window[0]) & (xs <= window[1])
    if np.count_nonzero(chosen) < FEWEST_IN_WINDOW:
        raise NotEstimable(
            (
                f"the window of the noise from {window[0]:g} to {window[1]:g} contains "
                f"{counted(int(np.count_nonzero(chosen)), 'point')}; the curve extends from {xs[0]:g} to "
                f"{xs[-1]:g}"
            ),
            f"at least {FEWEST_IN_WINDOW} points there",
        )
    u, v = xs[chosen] - xs[chosen].mean(), ys[chosen] - ys[chosen].mean()
    residuals = v - u * (np.sum(u * v) / np.sum(u * u))
    sd = float(np.sqrt(np.sum(residuals**2) / (residuals.size - 2)))
    return WindowNoise(sd, float(np.ptp(residuals)))
