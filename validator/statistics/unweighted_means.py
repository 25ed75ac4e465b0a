r"""Approximate mean squares of unbalanced layouts: every level counts once, whatever it holds.

Mean squares of unweighted means are close to independent multiples of chi-squared where the usual sums
of squares of an unbalanced layout are not, and so carry the modified large-sample interval.

References:
    R.K. Burdick, F.A. Graybill, Confidence Intervals on Variance Components (1992), chs. 4-6 (from
    memory; coverage is checked by simulation in the tests).
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from validator.statistics.precision_intervals import MeanSquareTerm
from validator.statistics.variance_components import FloatArray, differences_from_one

if TYPE_CHECKING:
    from collections.abc import Sequence

    from validator.statistics.reml import CodeArray


def nested_total_terms(y: FloatArray, stages: Sequence[CodeArray]) -> list[MeanSquareTerm]:
    r"""The sum of all components of a nested layout as a sum of mean squares of unweighted means.

    Stage K + 1 are the readings. From the innermost outwards M_k is the unweighted mean of the M_{k+1}
    inside, :math:`S_k^2` their pooled variance within the levels outside, and

    .. math:: \mathrm{E}(S_k^2) = \sum_{j \ge k} E_{kj}\sigma_j^2, \qquad c^TE = 1^T
        \;\Rightarrow\; \mathrm{E}\Bigl(\sum_k c_kS_k^2\Bigr) = \sum_j \sigma_j^2

    Args:
        y: readings, shape (N,).
        stages: codes of each stage, outermost first.
    """
    chain = [np.zeros(len(y), dtype=np.intp), *stages, np.arange(len(y))]
    K = len(stages) + 1
    means, _ = differences_from_one(y)
    shares = np.zeros((len(y), K))  # a_lj: part of σ_j² in the variance of M_l
    shares[:, K - 1] = 1.0
    squares, degrees, E = np.empty(K), np.empty(K), np.zeros((K, K))
    for k in range(K, 0, -1):
        parent = _parents(chain[k - 1], chain[k])
        children = np.bincount(parent).astype(np.float64)
        outer_means = np.bincount(parent, means) / children
        deviations = means - outer_means[parent]
        outer_shares = np.stack([np.bincount(parent, shares[:, j]) for j in range(K)], axis=1)
        degrees[k - 1] = len(means) - len(children)
        squares[k - 1] = deviations @ deviations / degrees[k - 1]
        E[k - 1] = ((children - 1) / children) @ outer_shares / degrees[k - 1]
        means, shares = outer_means, outer_shares / children[:, None] ** 2
        if k > 1:
            shares[:, k - 2] = 1.0
    coefficients = np.linalg.solve(E.T, np.ones(K))
    return [
        MeanSquareTerm(coefficient=max(0.0, c), mean_square=S2, degrees_of_freedom=nu)
        for c, S2, nu in zip(coefficients.tolist(), squares.tolist(), degrees.tolist(), strict=True)
    ]


def _parents(outer: CodeArray, inner: CodeArray) -> CodeArray:
    """For each level of the inner stage the level of the outer one that holds it."""
    parent = np.zeros(int(inner.max()) + 1, dtype=np.intp)
    parent[inner] = outer
    return parent
