"""A small study with everything the variants may use, in plain numbers."""

from collections.abc import Callable

import numpy as np
import pytest
from msgspec.structs import replace

from validator.statistics.accuracy_profile import accuracy_profile
from validator.statistics.detection import (
    DetectionInputs,
    LowLevelSample,
    NoiseReading,
    PrecisionLevel,
    RecoveryLevel,
)
from validator.statistics.regression import fit

LEVELS = np.array([0.0, 0.0, 0.5, 0.5, 1.0, 1.0, 2.0, 2.0, 4.0, 4.0])
SIGNALS = np.array([0.0112, 0.0087, 0.2571, 0.2519, 0.5043, 0.5121, 1.0160, 1.0021, 2.0089, 2.0172])
BLANKS = np.array([0.0121, 0.0084, 0.0142, 0.0103, 0.0067, 0.0115, 0.0093, 0.0131, 0.0078, 0.0109])
INTERCEPTS = np.array([0.0121, 0.0098, 0.0143])
LOW = np.array([0.061, 0.048, 0.055, 0.039, 0.052, 0.066, 0.043, 0.058])
SERIES = tuple("abcabcabca")
TESTED = np.array([0.1, 0.5, 2.0])
FOUND = [
    [[0.088, 0.101], [0.109, 0.094], [0.097, 0.112]],
    [[0.490, 0.503], [0.511, 0.497], [0.502, 0.515]],
    [[1.980, 2.010], [2.030, 1.990], [2.020, 2.050]],
]


def recovered(level: float, mean: float, rsd: float) -> RecoveryLevel:
    """Six results at *level*, held against 90 to 110 % and 10 %."""
    return RecoveryLevel(
        level=level,
        mean_percent=mean,
        rsd_percent=rsd,
        n=6,
        limits_percent=(90.0, 110.0),
        rsd_max_percent=10.0,
    )


@pytest.fixture(scope="session")
def study() -> DetectionInputs:
    """Calibration with a blank level, blanks, low-level samples, precision, recovery, noise."""
    return DetectionInputs(
        fit=fit(LEVELS, SIGNALS),
        series_intercepts=INTERCEPTS,
        blank_signals=BLANKS,
        blank_series=SERIES,
        low_level=(LowLevelSample(level=0.05, concentrations=LOW, series=SERIES[:8]),),
        precision_levels=(
            PrecisionLevel(level=0.05, sd=0.009, degrees_of_freedom=9),
            PrecisionLevel(level=0.5, sd=0.02, degrees_of_freedom=9),
            PrecisionLevel(level=2.0, sd=0.06, degrees_of_freedom=9),
        ),
        recovery_levels=(
            recovered(0.1, 88.0, 12.0),
            recovered(0.5, 97.0, 5.0),
            recovered(2.0, 101.0, 3.0),
        ),
        accuracy_profile=accuracy_profile(TESTED, FOUND, acceptance_percent=15.0),
        linear_range_lower=0.5,
        noise=(NoiseReading(level=0.1, height=0.05, noise=0.012),),
    )


@pytest.fixture(scope="session")
def screened(study) -> DetectionInputs:
    """What the study lacks: calibrators in triplicate, and samples that are detected now and then."""
    return replace(
        study,
        fit=fit([*LEVELS, *LEVELS[::2]], [*SIGNALS, *SIGNALS[::2]]),
        low_level=tuple(
            LowLevelSample(level=level, concentrations=np.full(detected, level), censored=10 - detected)
            for level, detected in ((0.05, 2), (0.1, 5), (0.2, 9))
        ),
    )


@pytest.fixture(scope="session")
def rescaled() -> Callable[..., DetectionInputs]:
    """Function that expresses a study in other units: y·*signal* + *offset*, x·*level*."""

    def rescale(
        inputs: DetectionInputs, *, signal: float = 1.0, offset: float = 0.0, level: float = 1.0
    ) -> DetectionInputs:
        line = inputs.fit
        assert line is not None
        blanks, results = inputs.blank_signals, inputs.blank_concentrations
        intercepts = inputs.series_intercepts
        return replace(
            inputs,
            fit=fit(line.x * level, line.y * signal + offset, model=line.model, weights=line.weights),
            series_intercepts=None if intercepts is None else intercepts * signal + offset,
            blank_signals=None if blanks is None else blanks * signal + offset,
            blank_concentrations=None if results is None else results * level,
            low_level=tuple(
                replace(sample, level=sample.level * level, concentrations=sample.concentrations * level)
                for sample in inputs.low_level
            ),
            precision_levels=tuple(
                replace(entry, level=entry.level * level, sd=entry.sd * level)
                for entry in inputs.precision_levels
            ),
            recovery_levels=tuple(
                replace(entry, level=entry.level * level) for entry in inputs.recovery_levels
            ),
            accuracy_profile=accuracy_profile(
                TESTED * level,
                [[np.array(series) * level for series in found] for found in FOUND],
                acceptance_percent=15.0,
            ),
            linear_range_lower=(inputs.linear_range_lower or 0.0) * level,
            noise=tuple(
                replace(
                    entry,
                    level=entry.level * level,
                    height=entry.height * abs(signal),
                    noise=entry.noise * abs(signal),
                )
                for entry in inputs.noise
            ),
        )

    return rescale
