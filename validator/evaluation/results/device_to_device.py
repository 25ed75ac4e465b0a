"""Records of the spread between devices."""

from __future__ import annotations

from typing import Literal

from validator.records import (
    EstimateRecord,
    ExcludedPoint,
    NotAssessed,
    Record,
    SignificanceRecord,
)


class DeviceMean(Record, frozen=True, kw_only=True):
    """One device."""

    device: str
    n: int
    mean: float


class DeviceToDeviceRecord(Record, frozen=True, kw_only=True):
    """Spread between devices at one level, relative figures in percent.

    Attributes:
        level: of the material; None for signals of repeated use, whose level is not recorded.
        source: the readings: "precision", or "first uses" of the devices of ``repeated_use``.
        axis: what the readings are.
        devices, n: how many, and readings of them.
        mean: of all readings, devices being the independent units.
        device_sd, device_rsd: spread of the devices' means as observed; the scatter of the readings is part
            of it.
        between_rsd, within_rsd, total_rsd: components: what the devices add, on one device, of one reading on
            any device.
        test: of no difference between devices.
        confounded_with: what changes together with the device, so that the spread holds both.
    """

    level: float | None = None
    source: Literal["precision", "first uses"]
    axis: Literal["signal", "concentration"]
    devices: int
    n: int
    mean: EstimateRecord
    device_sd: EstimateRecord | NotAssessed
    device_rsd: EstimateRecord | NotAssessed
    between_rsd: EstimateRecord | NotAssessed
    within_rsd: EstimateRecord | NotAssessed
    total_rsd: EstimateRecord | NotAssessed
    test: SignificanceRecord | None = None
    confounded_with: str | None = None
    means: tuple[DeviceMean, ...] = ()
    excluded: tuple[ExcludedPoint, ...] = ()
    with_excluded: EstimateRecord | NotAssessed | None = None
