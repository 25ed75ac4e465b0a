"""Results that belong together in series (days, batches): the series are the independent units."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np

from validator.statistics.sample import Vector, summarise

if TYPE_CHECKING:
    from collections.abc import Hashable, Sequence


def mean_of_series(
    values: Vector, labels: Sequence[Hashable] | None
) -> tuple[float, float | None, float | None, str]:
    r"""Mean, its standard error and degrees of freedom when results of one series belong together.

    With labels of m > 1 series the series are the independent units, whatever their sizes:

    .. math:: \bar x = \frac1m\sum_j \bar x_j, \qquad u^2 = \frac{1}{m(m-1)}\sum_j(\bar x_j-\bar x)^2,
              \qquad \nu = m-1

    which is unbiased for u² with any sizes and any between-series variance.  Without labels, or with one
    series, u = s/√n with ν = n − 1.

    Returns:
        mean, standard error and ν (None for a single unit, standard error 0 without scatter), method.
    """
    groups = series_rows(labels, values.size)
    if len(groups) in (1, values.size):
        sample = summarise(values)
        method = (
            "independent results"
            if labels is None or len(groups) > 1
            else "one series; between-series variation not included"
        )
    else:
        sample = summarise([float(values[rows].mean()) for rows in groups])
        method = f"mean of {len(groups)} series means (series as independent units)"
    if sample.variance_of_mean is None:
        return sample.mean, None, None, method
    return sample.mean, math.sqrt(sample.variance_of_mean), sample.degrees_of_freedom, method


def series_rows(labels: Sequence[Hashable] | None, n: int) -> list[list[int]]:
    """Rows of each series in order of first appearance; every row by itself without labels."""
    if labels is None:
        return [[i] for i in range(n)]
    if len(labels) != n:
        message = f"{len(labels)} series labels for {n} results"
        raise ValueError(message)
    rows: dict[Hashable, list[int]] = {}
    for i, label in enumerate(labels):
        rows.setdefault(label, []).append(i)
    return list(rows.values())


def weights_of_series(labels: Sequence[Hashable] | None, n: int) -> Vector:
    """Weight of each result in the mean of series means; they add up to 1."""
    groups = series_rows(labels, n)
    weights = np.empty(n)
    for rows in groups:
        weights[rows] = 1 / (len(groups) * len(rows))
    return weights
