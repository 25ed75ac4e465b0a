"""Limits from the height of a signal over the noise of its baseline."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np

from validator.errors import NotEstimable
from validator.sources import Source
from validator.statistics.detection.result import LEVEL_FAR_FROM_LIMIT, LimitResult
from validator.statistics.distributions import student_interval
from validator.statistics.interval import Estimate
from validator.statistics.sample import summarise

if TYPE_CHECKING:
    from validator.statistics.detection.inputs import DetectionInputs, NoiseReading

SIGNAL_TO_NOISE = Source(
    "European Pharmacopoeia 2.2.46 (S/N = 2H/h) and ICH Q2(R2), 2023, section 3.2.3 (ratios 3 and 10)",
    "memory",
)
DETECTION_RATIO = 3.0
QUANTIFICATION_RATIO = 10.0
HIGHEST_LEVEL_OVER_LIMIT = 10.0


def ratio(reading: NoiseReading) -> float:
    """S/N of one reading: 2H/h with the full width h of the noise, H/s with its standard deviation s."""
    return (2.0 if reading.kind == "peak_to_peak" else 1.0) * reading.height / reading.noise


def signal_to_noise(inputs: DetectionInputs) -> LimitResult:
    r"""Levels at which the signal-to-noise ratio would be 3 and 10, by proportion from the lowest level.

    .. math:: x_D = 3\, x/(S/N), \quad x_Q = 10\, x/(S/N), \qquad
              S/N = 2H/h \text{ (peak to peak)}, \; H/s \text{ (rms)}

    Several readings at the lowest level are averaged as limits, with a Student interval.

    Raises:
        NotEstimable: no noise data, or a signal or noise that is not above zero.

    References:
        European Pharmacopoeia, general chapter 2.2.46; ICH Q2(R2), 2023, 3.2.3.
    """
    if not inputs.noise:
        raise NotEstimable("no noise data are available", "peak height and noise at a level near the limit")
    level = min(reading.level for reading in inputs.noise)
    readings = [reading for reading in inputs.noise if reading.level == level]
    if not all(reading.height > 0 and reading.noise > 0 for reading in readings) or level <= 0:
        raise NotEstimable(
            "a peak height, noise value or level is zero or negative", "a level with a signal above the noise"
        )
    per_unit = np.array([level / ratio(reading) for reading in readings])
    unit = _mean(per_unit, inputs.confidence)
    detection = unit.scaled(DETECTION_RATIO)
    far = level / detection.value > HIGHEST_LEVEL_OVER_LIMIT or level < detection.value
    return LimitResult(
        detection_limit=detection,
        quantification_limit=unit.scaled(QUANTIFICATION_RATIO),
        sigma=unit.value,
        sigma_unit="concentration",
        sigma_source="baseline noise",
        sigma_concentration=unit.value,
        degrees_of_freedom=unit.degrees_of_freedom,
        k=DETECTION_RATIO,
        quantification_k=QUANTIFICATION_RATIO,
        inputs={
            "level": level,
            "n": float(len(readings)),
            "signal_to_noise": level / unit.value,
            "level_over_limit": level / detection.value,
        },
        source=SIGNAL_TO_NOISE,
        note="σ is the noise of one recorded baseline; variation between preparations is not included.",
        cautions=(LEVEL_FAR_FROM_LIMIT,) if far else (),
    )


def _mean(values: np.ndarray[tuple[int], np.dtype[np.float64]], level: float) -> Estimate:
    sample = summarise(values)
    if sample.sd is None or not sample.sd:
        return Estimate(value=sample.mean)
    error, nu = sample.sd / math.sqrt(sample.n), sample.degrees_of_freedom
    interval = student_interval(sample.mean, error, nu, level).through(lambda unit: max(unit, 0.0))
    return Estimate(value=sample.mean, standard_error=error, interval=interval, degrees_of_freedom=nu)
