"""Repeated use: scatter and decline of the signal, and uses until a stated loss."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Literal

import numpy as np
from msgspec import Struct

from validator.errors import NotEstimable
from validator.statistics.interval import Estimate, Interval, SignificanceTest
from validator.statistics.precision_intervals import Figure, standard_deviation
from validator.statistics.sample import summarise
from validator.statistics.trend import RelativeTrend, pooled_trend, trend_of_units

if TYPE_CHECKING:
    from collections.abc import Hashable, Sequence

    from numpy.typing import ArrayLike


AcrossDevices = Literal["units", "pooled"]

# 100·(1 − 0.9) uses must count as ten in spite of binary rounding.
_ROUNDING = 1e-9


class RepeatedUse(Struct, frozen=True, kw_only=True):
    """Decline with use, in percent of the signal of the first use.

    Attributes:
        decline_per_use: percent per use, positive for a loss.
        test: t test of no decline, two-sided.
        loss_at_last_use: percent lost at the last use tested.
        loss_percent: stated loss L.
        uses_until_loss: number of the use at which the line has lost L; interval by inverse prediction,
            its upper end infinite when a decline is not shown; None when the line does not decline.
        at_least: one-sided lower limit of uses_until_loss; None when even the limit of the line does not
            decline.
        shown_uses: whole uses in at_least, but not beyond the last use tested.
        extrapolated: uses_until_loss lies beyond the last use tested; None without it.
        homogeneity: F test of equal relative decline of the devices.
        curvature: t test of a quadratic term: a decline that is not a straight line.
        trend: the line behind all this.
        reason: why there is no uses_until_loss.
    """

    decline_per_use: Estimate
    test: SignificanceTest
    loss_at_last_use: Estimate
    loss_percent: float
    uses_until_loss: Estimate | None
    at_least: float | None
    shown_uses: int
    extrapolated: bool | None
    homogeneity: SignificanceTest | None
    curvature: SignificanceTest | None
    trend: RelativeTrend
    reason: str | None


def repeated_use(
    use: ArrayLike,
    signal: ArrayLike,
    device: Sequence[Hashable] | None = None,
    *,
    loss_percent: float = 10.0,
    across_devices: AcrossDevices = "units",
    confidence: float = 0.95,
) -> RepeatedUse:
    r"""Uses until a loss of L percent.

    With ρ the decline per use as a fraction of the signal of the first use u₁,

    .. math:: U = u_1 + L/(100\,\rho), \qquad U_{lower} = u_1 + L/(100\,\rho_{upper})

    The limits of ρ are those of :mod:`validator.statistics.trend`: by default each device has a line of its
    own and devices are the independent units (ν = G − 1); ``pooled`` takes the same relative decline for
    all devices and every signal as independent, which is only right when the devices decline alike.  A
    single device says nothing of other devices.

    Args:
        use: (N,) number of the use, 1 for the first.
        signal: (N,) signals at constant level.
        device: (N,) label of the device of each signal; None for one device.
        loss_percent: L > 0.
        across_devices: see above.
        confidence: level of the interval and of the one-sided limit.

    Raises:
        NotEstimable: fewer than 3 signals of a single device, fewer than 2 uses of a device, no scatter, or
            signals not shown to be above zero.

    References:
        Inverse of the confidence limit of a line, as for a shelf life in ICH Q1E (2003), Appendix B.1 (from
        memory); Fieller, J. R. Stat. Soc. B 16 (1954) 175–185 (from memory).
    """
    if not loss_percent > 0:
        message = "the stated loss must be positive"
        raise ValueError(message)
    devices = 1 if device is None else len(set(device))
    if devices > 1 and device is not None and across_devices == "units":
        trend = trend_of_units(use, signal, device, confidence=confidence)
    else:
        trend = pooled_trend(use, signal, device, confidence=confidence)
    decline = trend.slope.scaled(-100)
    slowest = -100 * trend.limits.one_sided.lower
    at_least = _use_at(trend.start, loss_percent, slowest)
    until = _uses_until(trend, decline, loss_percent, confidence)
    whole = _whole(at_least)
    return RepeatedUse(
        decline_per_use=decline,
        test=trend.test,
        loss_at_last_use=decline.scaled(trend.end - trend.start),
        loss_percent=loss_percent,
        uses_until_loss=until,
        at_least=at_least,
        shown_uses=math.floor(trend.end) if whole is None else min(whole, math.floor(trend.end)),
        extrapolated=None if until is None else until.value > trend.end,
        homogeneity=trend.homogeneity,
        curvature=trend.curvature,
        trend=trend,
        reason="the signal does not decline with use" if until is None else None,
    )


def _uses_until(
    trend: RelativeTrend, decline: Estimate, loss_percent: float, confidence: float
) -> Estimate | None:
    value = _use_at(trend.start, loss_percent, decline.value)
    if value is None or decline.interval is None or decline.standard_error is None:
        return None
    interval = decline.interval

    def limits(level: float) -> tuple[float, float]:
        rate = interval.at(level)
        earliest = _use_at(trend.start, loss_percent, rate.upper)
        latest = _use_at(trend.start, loss_percent, rate.lower)
        if earliest is None:
            raise NotEstimable(
                "the confidence interval of the decline does not include the estimate", "more precise signals"
            )
        return earliest, math.inf if latest is None else latest

    return Estimate(
        value=value,
        standard_error=loss_percent / decline.value**2 * decline.standard_error,
        interval=Interval.by(limits, confidence, "inverse prediction"),
        degrees_of_freedom=decline.degrees_of_freedom,
    )


def _use_at(first: float, loss_percent: float, decline: float) -> float | None:
    return first + loss_percent / decline if decline > 0 else None


def _whole(uses: float | None) -> int | None:
    return None if uses is None else math.floor(uses + _ROUNDING)


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
