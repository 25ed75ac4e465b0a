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

from validator.statistics.roots import falling_root

if TYPE_CHECKING:
    from validator.statistics.variance_components import FloatArray

NEGLIGIBLE = 1e-24
"""Weight of a node below which it cannot be seen in a probability: there are thousands."""


def dixon_p(Q: float, n: int) -> float:
    """Two-sided probability of a Dixon ratio r10 of *Q* or more among *n* normal values."""
    a, b, below_a, weight = _dixon_nodes()
    step = Q * (b - a)
    below_gap = special.ndtr(b - step)
    total = 2 * _moment(below_gap - below_a, n, weight)
    if Q < 0.5:  # beyond it the two gaps have no room beside each other
        total -= _moment(below_gap - special.ndtr(a + step), n, weight)
    return min(1.0, n * (n - 1) * total)


@lru_cache(maxsize=128)
def dixon_critical(n: int, alpha: float) -> float:
    """Ratio r10 that is reached with probability *alpha*, two-sided."""
    return falling_root(lambda Q: dixon_p(Q, n) - alpha, 0.0, 1.0)


def _moment(share: FloatArray, n: int, weight: FloatArray) -> float:
    """Weighted sum of the probabilities that n - 2 values lie between; nil where there is no room."""
    # not a dot product: at this length it would wake up every core, for a few microseconds' work
    return float(np.sum(weight * _power(np.maximum(0.0, share), n - 2)))


def _power(base: FloatArray, exponent: int) -> FloatArray:
    """A whole power by squaring, in a tenth of the time of the general one."""
    power = np.ones_like(base)
    while exponent:
        if exponent & 1:
            power *= base
        exponent >>= 1
        base = base * base if exponent else base
    return power


@lru_cache(maxsize=1)
def _dixon_nodes() -> tuple[FloatArray, FloatArray, FloatArray, FloatArray]:
    """Nodes a and b, Φ(a), weights φ(a)φ(b)·da·db: trapezoids over a, Gauss-Legendre over b - a >= 0.

    As many as give P to 1e-12 for any n up to 100; those so far out that all of them together weigh less
    than a rounding error are left out.
    """
    a = np.linspace(-9.0, 9.0, 121)
    nodes, weights = np.polynomial.legendre.leggauss(80)
    distance, dd = 8.0 * (nodes + 1), 8.0 * weights
    grid_a, b = a[:, None], a[:, None] + distance
    density = np.exp(-0.5 * (grid_a**2 + b**2)) / (2 * math.pi)
    weight = density * (a[1] - a[0]) * dd
    kept = weight > NEGLIGIBLE
    used_a = np.broadcast_to(grid_a, b.shape)[kept]
    return used_a, b[kept], special.ndtr(used_a), weight[kept]
