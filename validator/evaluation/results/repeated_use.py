"""Records of repeated use of one device."""

from __future__ import annotations

from typing import ClassVar

from validator.records import (
    EstimateRecord,
    ExcludedPoint,
    NotAssessed,
    Record,
    SignificanceRecord,
)


class DeviceUses(Record, frozen=True, kw_only=True):
    """The uses of one device: signals in the order of use, their mean and relative scatter in percent."""

    always: ClassVar[tuple[str, ...]] = ("rsd",)
    device: str
    uses: tuple[int, ...]
    signals: tuple[float, ...]
    mean: float
    rsd: float | None


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
    loss_by: str
    uses_until_loss: EstimateRecord | None = None
    uses_at_least: float | None = None
    shown_uses: int
    extrapolated: bool | None = None
    homogeneity: SignificanceRecord | None = None
    curvature: SignificanceRecord | None = None
    method: str
    reason: str | None = None


class RepeatedUseRecord(Record, frozen=True, kw_only=True):
    """Signals of devices used again and again.

    Attributes:
        n, devices, last_use: signals, devices, highest number of a use.
        rsd: relative standard deviation over the uses of one device, pooled over the devices, percent; a
            decline is part of it.
        decline: the trend with use.
        by_device: the devices one by one.
    """

    n: int
    devices: int
    last_use: int
    rsd: EstimateRecord | NotAssessed
    decline: DeclineRecord | NotAssessed
    by_device: tuple[DeviceUses, ...]
    excluded: tuple[ExcludedPoint, ...] = ()
    with_excluded: EstimateRecord | NotAssessed | None = None
