"""Repeatability and intermediate precision from one grouping factor, from a series, from duplicates.

A *group* is what shares conditions: a day, a series, an operator's batch. Readings within a group
are made under repeatability conditions.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np
from msgspec import Struct

from validator.errors import NotEstimable
from validator.statistics.distributions import f_upper_tail, student, t_two_sided
from validator.statistics.interval import Estimate, SignificanceTest
from validator.statistics.precision_intervals import (
    Figure,
    between_estimate,
    mean_over_groups,
    relative_standard_deviation,
    repeatability_estimate,
    standard_deviation,
    total_estimate,
    total_terms,
)
from validator.statistics.variance_components import (
    FloatArray,
    OneWayLayout,
    checked_readings,
    one_way_layout,
    one_way_reml,
)

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import ArrayLike


LIMIT_FACTOR = 2.8
"""Critical difference of two readings at 95 %, in s (ISO 5725-6:1994, 4.1.4; from memory)."""


class PrecisionResult(Struct, frozen=True, kw_only=True):
    """Precision from readings in groups. Standard deviations in the unit of the data, RSDs in percent.

    Attributes:
        n: number of readings N.
        groups: number of groups p.
        mean: arithmetic mean of all readings; its standard error lets readings of one group go together.
        repeatability_sd: s_r, within groups.
        repeatability_rsd: 100·s_r/mean.
        between_sd: s_b, what the groups add.
        intermediate_sd: s_I = √(s_r² + s_b²); with single readings per group, the sd of the results.
        intermediate_rsd: 100·s_I/mean.
        ms_within, ms_between: mean squares of the analysis of variance; None where without df.
        df_within, df_between: their degrees of freedom.
        f, p: F test of the between mean square; None where there is no within scatter to test against.
        method: how it was computed, in a sentence.
    """

    n: int
    groups: int
    mean: Estimate
    repeatability_sd: Figure
    repeatability_rsd: Figure
    between_sd: Figure
    intermediate_sd: Figure
    intermediate_rsd: Figure
    ms_within: float | None
    ms_between: float | None
    df_within: int
    df_between: int
    f: float | None
    p: float | None
    method: str


class DuplicatesResult(Struct, frozen=True, kw_only=True):
    """Repeatability from duplicates of different samples.

    Attributes:
        pairs: number of pairs k, also the degrees of freedom.
        mean: mean of all readings.
        repeatability_sd: √(Σd²/2k), fit for use where the scatter does not change with level.
        repeatability_rsd: 100·√(Σ(d/x̄)²/2k), fit for use where the scatter is proportional to level.
        repeatability_limit: 2.8 times the standard deviation.
    """

    pairs: int
    mean: float
    repeatability_sd: Figure
    repeatability_rsd: Figure
    repeatability_limit: float | None


def one_way(groups: Sequence[Sequence[float] | FloatArray], *, level: float = 0.95) -> PrecisionResult:
    r"""Repeatability and intermediate precision from readings in groups, each of shape (n_i,).

    Balanced layouts by analysis of variance,

    .. math:: s_r^2 = MS_W, \qquad s_b^2 = \max(0, (MS_B - MS_W)/n), \qquad s_I^2 = s_r^2 + s_b^2,

    unbalanced ones by restricted maximum likelihood. Intervals: chi-squared for s_r, modified
    large-sample for s_b and s_I; unbalanced layouts enter the last two with the mean square of
    the group means and the harmonic mean of the n_i. Intervals of RSDs are those of the standard
    deviation divided by the mean, whose own doubt is left out: it matters beyond an RSD of about 30 %.

    Where every group has a single reading only s_I can be had: the standard deviation of the results.
    Empty groups are left out.

    Raises:
        NotEstimable: fewer than two readings, or one that is not finite.

    References:
        ISO 5725-3:1994, 8 and Annex B (one-way intermediate measures; from memory); R.K. Burdick,
        F.A. Graybill, Confidence Intervals on Variance Components (1992), ch. 4 (from memory).
    """
    return from_layout(one_way_layout(groups), level=level)


def from_layout(layout: OneWayLayout, *, level: float = 0.95) -> PrecisionResult:
    """As :func:`one_way`, from sums made beforehand: for several levels of confidence they are made once."""
    if layout.groups == 1:
        return _of_one_series(layout, level)
    mean = mean_over_groups(layout, level)
    if layout.ms_within is None or layout.ms_within == 0:
        return _result(layout, mean, _without_within_scatter(layout, level), level)
    return _result(layout, mean, _components(layout, level), level)


def single_series(values: Sequence[float] | FloatArray, *, level: float = 0.95) -> PrecisionResult:
    """Repeatability from one series of readings, shape (n,): s_r with n - 1 degrees of freedom.

    Raises:
        NotEstimable: fewer than two readings, or one that is not finite.
    """
    return _of_one_series(one_way_layout([values]), level)


def _of_one_series(layout: OneWayLayout, level: float) -> PrecisionResult:
    ms_within = layout.ss_within / layout.df_within
    mean = student(layout.mean, math.sqrt(ms_within / layout.n), layout.df_within, level)
    one_group = NotEstimable("all readings belong to one series", "at least 2 series (days, operators)")
    parts = _Parts(
        repeatability=standard_deviation(ms_within, layout.df_within, level),
        between=one_group,
        intermediate=one_group,
        method="standard deviation of one series (no grouping factor; repeatability only)",
    )
    return _result(layout, mean, parts, level)


def duplicates(pairs: Sequence[tuple[float, float]] | FloatArray, *, level: float = 0.95) -> DuplicatesResult:
    r"""Repeatability from k pairs, shape (k, 2), of samples that may differ in level.

    .. math:: s_r = \sqrt{\sum d_i^2 / 2k}, \qquad
        \mathrm{RSD} = 100\sqrt{\sum (d_i/\bar x_i)^2 / 2k}

    Raises:
        NotEstimable: no pair, or a reading that is not finite.

    References:
        J. Mandel, The Statistical Analysis of Experimental Data (1964); Nordtest TR 537, duplicates form
        (both from memory).
    """
    readings = checked_readings(np.asarray(pairs, dtype=np.float64)).reshape(-1, 2)
    k = len(readings)
    if k == 0:
        raise NotEstimable("no pair of readings", "at least 1, preferably 8 or more, pairs")
    d = readings[:, 0] - readings[:, 1]
    means = readings.mean(axis=1)
    sd = standard_deviation(float(np.dot(d, d)) / (2 * k), k, level)
    rsd: Figure
    if (means <= 0).any():
        rsd = NotEstimable("the mean of a pair is not positive", "pairs with means above zero")
    else:
        relative = 100 * d / means
        rsd = standard_deviation(float(np.dot(relative, relative)) / (2 * k), k, level)
    return DuplicatesResult(
        pairs=k,
        mean=float(readings.mean()),
        repeatability_sd=sd,
        repeatability_rsd=rsd,
        repeatability_limit=LIMIT_FACTOR * sd.value if isinstance(sd, Estimate) else None,
    )


class _Parts(Struct, frozen=True, kw_only=True):
    """The components and how they were found."""

    repeatability: Figure
    between: Figure
    intermediate: Figure
    method: str


def _without_within_scatter(layout: OneWayLayout, level: float) -> _Parts:
    """Only the standard deviation of the group results is left: single readings, or identical ones."""
    single = layout.df_within == 0
    if single:
        why = NotEstimable("every group has a single reading", "groups with at least 2 readings")
        method = "standard deviation of single results per group (repeatability cannot be separated)"
    else:
        why = NotEstimable(
            "the readings within each group are identical; their variation is below the resolution",
            "readings recorded with higher resolution",
        )
        method = "standard deviation of the group means (identical readings within groups)"
    return _Parts(
        repeatability=why,
        between=why,
        intermediate=standard_deviation(layout.variance_of_means, layout.df_between, level),
        method=method,
    )


def _components(layout: OneWayLayout, level: float) -> _Parts:
    if layout.is_balanced:
        means, within = total_terms(layout)
        s_r2 = within.mean_square
        s_b2 = max(0.0, (means.mean_square - s_r2) * means.coefficient)
        method = "one-way analysis of variance, balanced"
    else:
        s_r2, s_b2 = one_way_reml(layout)
        method = "restricted maximum likelihood (unbalanced one-way layout)"
    if s_b2 == 0:
        method += "; negative between-group variance set to zero"
    intermediate = total_estimate(layout, s_r2 + s_b2, level)
    return _Parts(
        repeatability=repeatability_estimate(layout, s_r2, level),
        between=between_estimate(layout, s_b2, level),
        intermediate=intermediate,
        method=method,
    )


def _result(layout: OneWayLayout, mean: Estimate, parts: _Parts, level: float) -> PrecisionResult:
    ms_within, ms_between = layout.ms_within, layout.ms_between
    f = ms_between / ms_within if ms_between is not None and ms_within else None
    return PrecisionResult(
        n=layout.n,
        groups=layout.groups,
        mean=mean,
        repeatability_sd=parts.repeatability,
        repeatability_rsd=relative_standard_deviation(parts.repeatability, layout.mean),
        between_sd=parts.between,
        intermediate_sd=parts.intermediate,
        intermediate_rsd=relative_standard_deviation(parts.intermediate, layout.mean),
        ms_within=ms_within,
        ms_between=ms_between,
        df_within=layout.df_within,
        df_between=layout.df_between,
        f=f,
        p=None if f is None else f_upper_tail(f, layout.df_between, layout.df_within),
        method=parts.method,
    )


def critical_difference(sd: Figure, *, exact: bool = False) -> float | None:
    """Difference that two results exceed one time in twenty: 2.8·s, or √2·t(0.975, ν)·s where *exact*.

    None without a standard deviation, or for the exact one without its degrees of freedom.

    References:
        ISO 5725-6:1994, 4.1 (from memory).
    """
    if isinstance(sd, NotEstimable):
        return None
    if not exact:
        return LIMIT_FACTOR * sd.value
    if sd.degrees_of_freedom is None:
        return None
    return math.sqrt(2) * t_two_sided(0.95, sd.degrees_of_freedom) * sd.value


class DeviceToDevice(Struct, frozen=True, kw_only=True):
    """Variance components of devices × readings, as relative standard deviations in percent.

    Attributes:
        devices: number of devices.
        n: number of readings.
        mean: mean of all readings, with devices as the independent units.
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
    test = None
    if result.f is not None:
        df = (float(result.df_between), float(result.df_within))
        test = SignificanceTest(name="devices", statistic=result.f, df=df, p=result.p)
    return DeviceToDevice(
        devices=len(groups),
        n=result.n,
        mean=result.mean,
        between_rsd=relative_standard_deviation(result.between_sd, result.mean.value),
        within_rsd=result.repeatability_rsd,
        total_rsd=result.intermediate_rsd,
        test=test,
        device_means=tuple(float(values.mean()) for values in groups),
        precision=result,
    )
