"""Limits from the signal-to-noise ratio."""

import numpy as np
import pytest

from validator.errors import NotEstimable
from validator.statistics.detection import VARIANTS, DetectionInputs, NoiseReading


def limits(*readings):
    return VARIANTS["signal_to_noise"].limits(DetectionInputs(noise=readings))


def test_peak_to_peak_noise():
    """S/N = 2H/h: a height of 5 over noise of full width 1 is 10."""
    result = limits(NoiseReading(level=2.0, height=5.0, noise=1.0))

    assert result.inputs["signal_to_noise"] == pytest.approx(10.0)
    assert result.detection_limit.value == pytest.approx(0.6)
    assert result.quantification_limit.value == pytest.approx(2.0)
    assert result.detection_limit.interval is None


def test_rms_noise():
    """S/N = H/s with the standard deviation of the noise."""
    result = limits(NoiseReading(level=2.0, height=5.0, noise=1.0, kind="rms"))

    assert result.detection_limit.value == pytest.approx(3 * 2.0 / 5.0)


def test_several_readings_at_the_lowest_level():
    """Limits of readings at the lowest level are averaged with a Student interval; others are left out."""
    readings = [NoiseReading(level=1.0, height=height, noise=1.0) for height in (4.0, 5.0, 6.0)]
    result = limits(*readings, NoiseReading(level=50.0, height=1.0, noise=1.0))
    per_reading = 3 * 1.0 / (2 * np.array([4.0, 5.0, 6.0]))

    assert result.detection_limit.value == pytest.approx(per_reading.mean())
    assert result.detection_limit.standard_error == pytest.approx(np.std(per_reading, ddof=1) / np.sqrt(3))
    assert result.detection_limit.value in result.detection_limit.interval
    assert result.degrees_of_freedom == 2


@pytest.mark.parametrize(("height", "flagged"), [(5.0, False), (100.0, True), (1.0, True)])
def test_level_far_from_the_limit_is_flagged(height, flagged):
    """A ratio above 30 or below 3 is far from the limit it extrapolates to."""
    result = limits(NoiseReading(level=1.0, height=height, noise=1.0))

    assert ("level_far_from_limit" in result.cautions) is flagged


@pytest.mark.parametrize(
    "reading",
    [
        NoiseReading(level=1.0, height=0.0, noise=1.0),
        NoiseReading(level=1.0, height=1.0, noise=0.0),
        NoiseReading(level=0.0, height=1.0, noise=1.0),
    ],
)
def test_readings_without_signal_noise_or_level(reading):
    """A height, noise or level of zero gives a reason."""
    with pytest.raises(NotEstimable, match="a peak height, noise value or level is zero or negative"):
        limits(reading)


def test_no_readings():
    """No noise data give a reason."""
    with pytest.raises(NotEstimable, match="no noise data are available"):
        limits()
