"""Relative scatter within units of different size, pooled over them."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from validator.errors import NotEstimable
from validator.statistics.precision_intervals import Figure, standard_deviation
from validator.statistics.sample import summarise

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import ArrayLike


def pooled_relative_scatter(units: Sequence[ArrayLike], *, level: float = 0.95) -> Figure:
    r"""Relative standard deviation within units, percent, each unit divided by its own mean.

    .. math:: \mathrm{RSD} = 100\sqrt{\frac{\sum_g \sum_i (y_{gi}/\bar y_g - 1)^2}{\sum_g (n_g - 1)}}

    with ν = Σ(n_g − 1) and the chi-squared interval of a standard deviation. What drifts within a unit is
    part of it.

    Args:
        units: for each unit (a device) its readings; units with a single reading add nothing.
        level: level of the interval.

    Raises:
        NotEstimable: no unit with two readings, or a mean that is not positive.

    References:
        Pooled variances of relative deviations: ISO 5725-2:1994, 7.4.5.1 on y/ȳ (from memory); interval
        ISO 2854:1976 (from memory).
    """
    samples = []
    for readings in units:
        values = np.asarray(readings, dtype=np.float64)
        if values.size < 2:
            continue
        mean = summarise(values).mean
        if mean <= 0:
            raise NotEstimable("a mean reading is not positive", "positive readings")
        samples.append(summarise(100 * (values - mean) / mean))
    nu = sum(sample.degrees_of_freedom for sample in samples)
    if nu == 0:
        raise NotEstimable("each device was read only once", "at least one device with two or more readings")
    total = sum(one.degrees_of_freedom * one.variance for one in samples if one.variance is not None)
    return standard_deviation(total / nu, nu, level)
