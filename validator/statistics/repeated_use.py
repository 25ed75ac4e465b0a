"""Repeated use: scatter and decline of the signal, and uses until a stated loss."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Literal

import numpy as np

from validator.errors import NotEstimable
from validator.records import EstimateRecord, Record, SignificanceRecord, finite
from validator.statistics.interval import Estimate, Interval, estimate_record, significance
from validator.statistics.precision_intervals import Figure, standard_deviation
from validator.statistics.sample import summarise
from validator.statistics.trend import RelativeTrend, pooled_trend, trend_of_units

if TYPE_CHECKING:
    from collections.abc import Hashable, Sequence

    from numpy.typing import ArrayLike


AcrossDevices = Literal["units", "pooled"]

# 100·(1 − 0.9) uses must count as ten in spite of binary rounding.
_ROUNDING = 1e-9


class DeclineRecord(Record, frozen=True, kw_only=True):
    """Straight-line decline with use, in percent of the signal of the first use.

    Attributes:
        decline_per_use: percent lost per use.
        test: of no decline.
        remaining_percent: signal at the last use in percent of that at the first, by the line.
        loss_percent: the loss that ends the life of a device; ``loss_by`` says who states it.
        uses_until_loss: use at which the line has lost it, by inverse prediction; None without a decline.
        uses_at_least: one-sided lower limit of it; None where not even the limit of the line declines.
        shown_uses: uses for which the loss is shown to stay smaller, never beyond those tested.
        extrapolated: ``uses_until_loss`` lies beyond the last use tested.
        homogeneity: do the devices decline alike?
        curvature: of a second-order term.
        method: how it was computed.
        reason: why there is no ``uses_until_loss``.
    """

    decline_per_use: EstimateRecord
    test: SignificanceRecord
    remaining_percent: EstimateRecord
    loss_percent: float
    loss_by: str = ""
    uses_until_loss: EstimateRecord | None = None
    uses_at_least: float | None = None
    shown_uses: int
    extrapolated: bool | None = None
    homogeneity: SignificanceRecord | None = None
    curvature: SignificanceRecord | None = None
    method: str
    reason: str | None = None


def repeated_use(
    use: ArrayLike,
    signal: ArrayLike,
    device: Sequence[Hashable] | None = None,
    *,
    loss_percent: float = 10.0,
    across_devices: AcrossDevices = "units",
    confidence: float = 0.95,
) -> DeclineRecord:
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
    return DeclineRecord(
        decline_per_use=estimate_record(decline),
        test=significance(trend.test),
        remaining_percent=estimate_record(decline.scaled(trend.start - trend.end)).shifted(100),
        loss_percent=loss_percent,
        uses_until_loss=None if until is None else estimate_record(until),
        uses_at_least=finite(at_least),
        shown_uses=math.floor(trend.end) if whole is None else min(whole, math.floor(trend.end)),
        extrapolated=None if until is None else until.value > trend.end,
        homogeneity=None if trend.homogeneity is None else significance(trend.homogeneity),
        curvature=None if trend.curvature is None else significance(trend.curvature),
        method=trend.method,
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
