"""Device to device: how far results depend on which sensor, plate or column was used."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
from msgspec import Struct

from validator.errors import NotEstimable
from validator.statistics.interval import Estimate, SignificanceTest
from validator.statistics.precision import PrecisionResult, one_way
from validator.statistics.precision_intervals import Figure, relative_standard_deviation

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import ArrayLike


class DeviceToDevice(Struct, frozen=True, kw_only=True):
    """Variance components of devices × readings, as relative standard deviations in percent.

    Attributes:
        devices: number of devices.
        n: number of readings.
        mean: mean of all readings, with devices as the independent units.
        device_rsd: spread of the devices' mean signals as observed, 100·s(ȳ_j)/mean; None without scatter.
        between_rsd: what the devices add to the scatter of readings, or why it cannot be told.
        within_rsd: repeatability on one device, or why it cannot be told.
        total_rsd: of one reading on a device taken at random, or why it cannot be told.
        test: F test of no difference between devices; None without replicates.
        device_means: mean of each device, in the order given.
        precision: the analysis behind it.
    """

    devices: int
    n: int
    mean: Estimate
    device_rsd: float | None
    between_rsd: Figure
    within_rsd: Figure
    total_rsd: Figure
    test: SignificanceTest | None
    device_means: tuple[float, ...]
    precision: PrecisionResult


def device_to_device(readings: Sequence[ArrayLike], *, confidence: float = 0.95) -> DeviceToDevice:
    """One-way analysis of readings grouped by device (:func:`validator.statistics.precision.one_way`).

    With a single reading on each device the total is all that can be told.

    Args:
        readings: for each device its readings at one level.
        confidence: level of the intervals.

    Raises:
        NotEstimable: fewer than 2 devices, or a mean that is not positive.

    References:
        As :func:`validator.statistics.precision.one_way`.
    """
    groups = [np.atleast_1d(np.asarray(values, dtype=np.float64)) for values in readings]
    groups = [values for values in groups if values.size]
    if len(groups) < 2:
        raise NotEstimable(f"{len(groups)} device" if groups else "no device", "at least 2 devices")
    result = one_way(groups, level=confidence)
    if result.mean.value <= 0:
        raise NotEstimable("the mean of the readings is not positive", "positive readings")
    means = np.array([float(values.mean()) for values in groups])
    spread = float(np.std(means - means[0], ddof=1))
    test = None
    if result.f is not None:
        df = (float(result.df_between), float(result.df_within))
        test = SignificanceTest(name="devices", statistic=result.f, df=df, p=result.p)
    return DeviceToDevice(
        devices=len(groups),
        n=result.n,
        mean=result.mean,
        device_rsd=100 * spread / result.mean.value if spread else None,
        between_rsd=relative_standard_deviation(result.between_sd, result.mean.value),
        within_rsd=result.repeatability_rsd,
        total_rsd=result.intermediate_rsd,
        test=test,
        device_means=tuple(float(m) for m in means),
        precision=result,
    )
