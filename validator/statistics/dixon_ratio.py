r"""Distribution of Dixon's ratio r10 = gap/range, by numerical integration instead of a table.

.. math:: P(\text{upper } Q \ge r) = n(n-1)\iint_{a<b} \varphi(a)\varphi(b)
    \left[\Phi(b - r(b-a)) - \Phi(a)\right]^{n-2}\,da\,db

and for both sides 2P less the probability that both gaps reach r (nil for r > 1/2).

References:
    W.J. Dixon, Ann. Math. Stat. 22 (1951) 68; two-sided critical values as in D.B. Rorabacher, Anal. Chem.
    63 (1991) 139 (from memory; compared in the tests).
"""

from __future__ import annotations

import math
from functools import lru_cache
from typing import TYPE_CHECKING

import numpy as np
from scipy import special

if TYPE_CHECKING:
    from validator.statistics.variance_components import FloatArray


def dixon_p(Q: float, n: int) -> float:
    """Two-sided probability of a Dixon ratio r10 of *Q* or more among *n* normal values."""
    a, b, weight = _dixon_nodes()
    step = Q * (b - a)
    one = float(np.sum(weight * np.maximum(0.0, _normal(b - step) - _normal(a)) ** (n - 2)))
    both = float(np.sum(weight * np.maximum(0.0, _normal(b - step) - _normal(a + step)) ** (n - 2)))
    return min(1.0, n * (n - 1) * (2 * one - both))


@lru_cache(maxsize=128)
def dixon_critical(n: int, alpha: float) -> float:
    """Ratio r10 that is reached with probability *alpha*, two-sided, by bisection of :func:`dixon_p`."""
    low, high = 0.0, 1.0
    for _ in range(32):
        middle = (low + high) / 2
        low, high = (middle, high) if dixon_p(middle, n) > alpha else (low, middle)
    return (low + high) / 2


def _normal(deviates: FloatArray) -> FloatArray:
    tail: FloatArray = special.ndtr(deviates)
    return tail


@lru_cache(maxsize=1)
def _dixon_nodes() -> tuple[FloatArray, FloatArray, FloatArray]:
    """Nodes a, b and weights φ(a)φ(b)·da·db: trapezoids over a, Gauss-Legendre over b - a >= 0."""
    a = np.linspace(-9.0, 9.0, 181)
    nodes, weights = np.polynomial.legendre.leggauss(120)
    distance, dd = 8.0 * (nodes + 1), 8.0 * weights
    grid_a, b = a[:, None], a[:, None] + distance
    density = np.exp(-0.5 * (grid_a**2 + b**2)) / (2 * math.pi)
    return np.broadcast_to(grid_a, b.shape), b, density * (a[1] - a[0]) * dd
