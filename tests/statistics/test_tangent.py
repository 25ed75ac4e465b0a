"""The tangent below a peak, held against the convex hull of scipy."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.signal import savgol_filter
from scipy.spatial import ConvexHull

from validator.errors import NotEstimable
from validator.statistics.peaks import TangentBaseline, fit_baseline, smoothed, touching_points

X = np.linspace(-1.3, -0.8, 126)
FEET = ((-1.27, -1.2), (-1.0, -0.9))


def curve(seed):
    rng = np.random.default_rng(seed)
    return 1 + 2 * (X + 1.3) ** 2 + 3 * np.exp(-(((X + 1.1) / 0.03) ** 2)) + rng.normal(0, 0.01, X.size)


@pytest.mark.parametrize("seed", range(20))
@pytest.mark.parametrize("direction", [1, -1])
def test_it_is_an_edge_of_the_convex_hull(seed, direction):
    """Of the points in both windows, no point lies beyond the line; the hull has the edge between them."""
    y = direction * curve(seed)
    chosen = np.flatnonzero(((FEET[0][0] <= X) & (FEET[0][1] >= X)) | ((FEET[1][0] <= X) & (FEET[1][1] >= X)))
    hull = ConvexHull(np.column_stack([X[chosen], y[chosen]]))
    edges = [X[chosen[edge]] for edge in hull.simplices]
    across = [sorted(edge) for edge in edges if edge.min() <= FEET[0][1] and edge.max() >= FEET[1][0]]

    baseline = TangentBaseline(FEET, direction)
    found = touching_points(X, y, baseline)

    assert any(np.allclose(found, edge) for edge in across)
    assert (direction * (y - fit_baseline(X, y, baseline).values)[chosen] >= -1e-12).all()


def test_with_fixed_ends_it_is_linear():
    """Where it touches is settled, the line follows the ordinates there and nothing else."""
    baseline = TangentBaseline(FEET, 1, (-1.25, -0.95))
    one, other = curve(1), curve(2)

    both = fit_baseline(X, one + 2 * other, baseline).values

    assert np.allclose(
        both, fit_baseline(X, one, baseline).values + 2 * fit_baseline(X, other, baseline).values
    )
    a = np.random.default_rng(3).normal(size=X.size)
    assert a @ fit_baseline(X, one, baseline).values == pytest.approx(
        fit_baseline(X, one, baseline).transposed(a) @ one
    )


def test_smoothing_is_the_filter_of_savitzky_and_golay():
    """Scipy's filter over as many points as the width holds; a parabola has the second derivative it has."""
    y = curve(4)

    assert np.array_equal(smoothed(X, y, width=0.028, degree=2), savgol_filter(y, 7, 2, delta=X[1] - X[0]))
    bent = smoothed(X, 1 + 3 * X + 5 * X**2, width=0.05, degree=3, second_derivative=True)
    assert bent == pytest.approx(np.full(X.size, -10.0), rel=1e-6)


def test_smoothing_needs_equal_steps():
    """Otherwise the polynomials would be fitted over unlike stretches."""
    with pytest.raises(NotEstimable, match="not equally spaced"):
        smoothed(np.append(X, -0.5), np.append(curve(1), 1.0), width=0.03, degree=2)
