"""Spread between devices, from precision runs that name them or from the first uses of several."""

from __future__ import annotations

from typing import TYPE_CHECKING, Literal

from msgspec import Struct
from msgspec.structs import replace

from validator.errors import NotEstimable
from validator.evaluation.convert import attempt, figure_record
from validator.evaluation.repeated_use import uses_of
from validator.evaluation.results import DeviceMean, DeviceToDeviceRecord, NotAssessed
from validator.evaluation.rows import (
    Cell,
    excluded,
    excluded_points,
    group_label,
    independent_values,
    kept,
    runs_of,
)
from validator.statistics.interval import estimate_record, significance
from validator.statistics.precision import device_to_device as between_devices
from validator.statistics.precision import single_series
from validator.study.models.precision import PrecisionRun, RepeatedUseRun

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from validator.evaluation.concentrations import SignalReader
    from validator.study import Study
    from validator.study.models.runs import Run

NO_DEVICES = NotAssessed(
    not_assessed="no data with more than one recorded device were provided",
    needs="precision data from at least five recorded devices, with several readings on each",
)


class _Readings(Struct, frozen=True):
    """Readings of the devices at one level."""

    level: float | None
    source: Literal["precision", "first uses"]
    axis: Literal["signal", "concentration"]
    by_device: Mapping[str, Sequence[float]]
    confounded_with: str | None


def device_block(study: Study, cell: Cell) -> Literal["precision", "repeated_use"]:
    """The block that tells of the devices of *cell*.

    Precision runs come first, unless each device has its own day: then device and day cannot be told apart,
    and the first uses of the devices of ``repeated_use`` are taken where there are several.
    """
    named = kept(_named(study, cell))
    several_used = len({run.device for run in kept(_used(study, cell))}) > 1
    if several_used and (len({run.device for run in named}) < 2 or _confounding(named)):
        return "repeated_use"
    return "precision"


def device_to_device(
    study: Study, cell: Cell, reader: SignalReader
) -> tuple[DeviceToDeviceRecord, ...] | NotAssessed:
    """One record for each level of *cell* at which several devices were used."""
    confidence = study.analysis_for(cell.analyte).confidence
    if device_block(study, cell) == "repeated_use":
        used = _used(study, cell)
        records = [attempt(lambda: _of_first_uses(used, confidence))]
    else:
        named = _named(study, cell)
        if len({run.device for run in kept(named)}) < 2:
            return NO_DEVICES
        levels = sorted({run.level for run in named})
        groups = [[run for run in named if run.level == level] for level in levels]
        records = [_attempted(group, reader, confidence) for group in groups]
    found = [record for record in records if isinstance(record, DeviceToDeviceRecord)]
    refusals = [record for record in records if isinstance(record, NotAssessed)]
    return tuple(found) if found else refusals[0]


def _named(study: Study, cell: Cell) -> tuple[PrecisionRun, ...]:
    """Precision runs that name their device."""
    return tuple(
        run
        for run in runs_of(study.precision, cell)
        if isinstance(run, PrecisionRun) and run.device is not None
    )


def _used(study: Study, cell: Cell) -> tuple[RepeatedUseRun, ...]:
    return tuple(run for run in runs_of(study.repeated_use, cell) if isinstance(run, RepeatedUseRun))


def _confounding(runs: Sequence[PrecisionRun]) -> str | None:
    """What changes whenever the device does, where each device has a day of its own."""
    days: dict[str | None, set[tuple[str | None, str | None]]] = {}
    devices: dict[tuple[str | None, str | None], set[str | None]] = {}
    for run in runs:
        day = (run.laboratory, group_label(run))
        days.setdefault(run.device, set()).add(day)
        devices.setdefault(day, set()).add(run.device)
    alone = all(len(one) == 1 for one in days.values()) and all(len(one) == 1 for one in devices.values())
    if len(devices) < 2 or not alone:
        return None
    return "laboratory" if len({laboratory for laboratory, _ in devices}) > 1 else "series or day"


def _attempted(
    runs: Sequence[PrecisionRun], reader: SignalReader, confidence: float
) -> DeviceToDeviceRecord | NotAssessed:
    return attempt(lambda: _of_precision(runs, reader, confidence))


def _of_precision(
    runs: Sequence[PrecisionRun], reader: SignalReader, confidence: float
) -> DeviceToDeviceRecord:
    def readings(counted: Sequence[PrecisionRun]) -> _Readings:
        by_device: dict[str, list[PrecisionRun]] = {}
        for run in counted:
            by_device.setdefault(run.device or "", []).append(run)
        return _Readings(
            level=runs[0].level,
            source="precision",
            axis="concentration",
            by_device={
                device: reader.concentrations(independent_values(members))
                for device, members in by_device.items()
            },
            confounded_with=_confounding(counted),
        )

    record = _record(readings(kept(runs)), confidence)
    return _beside(record, runs, lambda: readings(runs), confidence)


def _of_first_uses(runs: Sequence[RepeatedUseRun], confidence: float) -> DeviceToDeviceRecord:
    def readings(counted: Sequence[RepeatedUseRun]) -> _Readings:
        # signals of the lowest number of use that the device has
        firsts = {
            one.device: [
                signal for use, signal in zip(one.uses, one.signals, strict=True) if use == min(one.uses)
            ]
            for one in uses_of(counted)
        }
        return _Readings(None, "first uses", "signal", firsts, None)

    record = _record(readings(kept(runs)), confidence)
    return _beside(record, runs, lambda: readings(runs), confidence)


def _beside(
    record: DeviceToDeviceRecord, runs: Sequence[Run], everything: object, confidence: float
) -> DeviceToDeviceRecord:
    if not excluded(runs):
        return record
    beside = attempt(lambda: _record(everything(), confidence).device_rsd)  # type: ignore[operator]
    return replace(record, excluded=excluded_points(runs), with_excluded=beside)


def _record(readings: _Readings, confidence: float) -> DeviceToDeviceRecord:
    if len(readings.by_device) < 2:
        raise NotEstimable("only one device at this level", "at least 2 devices")
    found = between_devices(list(readings.by_device.values()), confidence=confidence)
    # of the devices' means as observed, devices being the independent units
    spread = single_series(found.device_means, level=confidence)
    return DeviceToDeviceRecord(
        level=readings.level,
        source=readings.source,
        axis=readings.axis,
        devices=found.devices,
        n=found.n,
        mean=estimate_record(found.mean),
        device_sd=figure_record(spread.repeatability_sd),
        device_rsd=figure_record(spread.repeatability_rsd),
        between_rsd=figure_record(found.between_rsd),
        within_rsd=figure_record(found.within_rsd),
        total_rsd=figure_record(found.total_rsd),
        test=None if found.test is None else significance(found.test),
        confounded_with=readings.confounded_with,
        means=tuple(
            DeviceMean(device=device, n=len(values), mean=mean)
            for (device, values), mean in zip(readings.by_device.items(), found.device_means, strict=True)
        ),
    )
