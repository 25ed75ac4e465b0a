"""Repeated use: scatter and decline of the signal of devices that are used again and again."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
from msgspec import Struct
from msgspec.structs import replace

from validator.errors import NotEstimable
from validator.evaluation.chosen_guidance import BY_STUDY, CUSTOMARY, own_criterion
from validator.evaluation.convert import attempt, figure_record
from validator.evaluation.results import (
    DeclineRecord,
    DeviceUses,
    EstimateRecord,
    NotAssessed,
    RepeatedUseRecord,
)
from validator.evaluation.rows import Cell, excluded, excluded_points, independent_values, kept, runs_of
from validator.statistics.interval import Estimate
from validator.statistics.repeated_use import pooled_relative_scatter
from validator.statistics.repeated_use import repeated_use as decline_of
from validator.study.models.precision import RepeatedUseRun

if TYPE_CHECKING:
    from collections.abc import Sequence

    from validator.study import Study

LOSS_PERCENT = 10.0
"""Loss that ends the life of a device where the study states none (common practice)."""


class Uses(Struct, frozen=True):
    """Signals of one device in the order of use."""

    device: str
    uses: tuple[int, ...]
    signals: tuple[float, ...]


def uses_of(runs: Sequence[RepeatedUseRun]) -> tuple[Uses, ...]:
    """The devices of *runs*, each with its uses; repeated readings of one use are averaged."""
    by_device: dict[str, dict[int, list[RepeatedUseRun]]] = {}
    for run in runs:
        by_device.setdefault(run.device, {}).setdefault(run.use, []).append(run)
    devices = []
    for device, uses in by_device.items():
        signals = [(use, value.value) for use in sorted(uses) for value in independent_values(uses[use])]
        devices.append(Uses(device, tuple(use for use, _ in signals), tuple(y for _, y in signals)))
    return tuple(devices)


def repeated_use(study: Study, cell: Cell) -> RepeatedUseRecord | NotAssessed:
    """Scatter and decline over the uses of the devices of *cell*."""
    runs = [run for run in runs_of(study.repeated_use, cell) if isinstance(run, RepeatedUseRun)]
    if not runs:
        return NotAssessed(
            not_assessed="no repeated-use data were provided",
            needs="signals of several devices, each over several uses",
        )
    devices = uses_of(kept(runs))
    if not devices:
        return NotAssessed(
            not_assessed="all repeated-use data are excluded", needs="data that are not excluded"
        )
    criterion = own_criterion(study, cell, "repeated_use", "min")
    least = criterion.min if criterion is not None else None
    loss = 100 - least if least is not None and least < 100 else None
    confidence = study.analysis_for(cell.analyte).confidence
    beside = None
    if excluded(runs):
        everything = uses_of(runs)
        beside = attempt(lambda: _rsd(everything, confidence))
    return RepeatedUseRecord(
        n=sum(len(one.signals) for one in devices),
        devices=len(devices),
        last_use=max(use for one in devices for use in one.uses),
        rsd=attempt(lambda: _rsd(devices, confidence)),
        decline=attempt(lambda: _decline(devices, loss, confidence)),
        by_device=tuple(_device(one) for one in devices),
        excluded=excluded_points(runs),
        with_excluded=beside,
    )


def _rsd(devices: Sequence[Uses], confidence: float) -> EstimateRecord:
    signals = [one.signals for one in devices]
    found = figure_record(pooled_relative_scatter(signals, level=confidence))
    if isinstance(found, NotAssessed):
        raise NotEstimable(found.not_assessed, found.needs)
    return found


def _device(device: Uses) -> DeviceUses:
    signals = np.array(device.signals)
    mean = float(signals.mean())
    rsd = attempt(lambda: pooled_relative_scatter([signals]))
    return DeviceUses(
        device=device.device,
        uses=device.uses,
        signals=device.signals,
        mean=mean,
        rsd=rsd.value if isinstance(rsd, Estimate) else None,
    )


def _decline(devices: Sequence[Uses], loss: float | None, confidence: float) -> DeclineRecord:
    # a device used once says nothing of a decline
    used = [one for one in devices if len(set(one.uses)) > 1]
    uses = [float(use) for one in used for use in one.uses]
    signals = [signal for one in used for signal in one.signals]
    labels = [one.device for one in used for _ in one.signals]
    if not signals:
        raise NotEstimable("each device was used only once", "at least 3 uses of one device")
    found = decline_of(
        uses,
        signals,
        labels if len(used) > 1 else None,
        loss_percent=LOSS_PERCENT if loss is None else loss,
        confidence=confidence,
    )
    return replace(found, loss_by=CUSTOMARY if loss is None else BY_STUDY)
