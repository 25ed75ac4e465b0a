"""What stands beside the limits: factors, standard errors, intervals and numbers, against plain formulas."""

from __future__ import annotations

import math

import numpy as np
import pytest
from msgspec.structs import replace
from scipy import stats

from validator.statistics.detection import VARIANTS, DetectionInputs, NoiseReading
from validator.statistics.detection.multiples import multiples_of_sigma
from validator.statistics.detection.result import BELOW_CALIBRATION
from validator.statistics.detection.scatter import Scatter, inverse
from validator.statistics.regression import fit


def limits(variant, inputs):
    return VARIANTS[variant].limits(inputs)


def test_factors_of_blanks(study):
    """Quantification is 10 standard deviations of the blank over the slope where detection is 3.3."""
    s = np.std(study.blank_signals, ddof=1) / study.fit.slope.value

    result = limits("blank_3.3", study)

    assert result.detection_limit.value == pytest.approx(3.3 * s, rel=1e-12)
    assert result.quantification_limit.value == pytest.approx(10 * s, rel=1e-12)


def test_interval_of_the_mean_blank_and_three_sigma(study):
    """On a line that is as good as exact, x̄ + 3 s of the blanks scatters as drawn from χ² and the normal.

    The limits of the simulation against one of our own with other draws, within the doubt of both.
    """
    x = np.repeat([0.0, 1.0, 2.0, 4.0], 25)
    exact = fit(x, 0.01 + 0.5 * x + 1e-6 * np.tile([1.0, -1.0, 0.5, -0.5], 25))
    blanks = np.array([0.0121, 0.0084, 0.0142, 0.0103])
    rng = np.random.default_rng(99)
    sigma = np.std(blanks, ddof=1) * np.sqrt(3 / rng.chisquare(3, 400_000))
    drawn = blanks.mean() + sigma * rng.standard_normal(400_000) / 2 + 3 * sigma
    lower, upper = (np.quantile(drawn, [0.05, 0.95]) - 0.01) / 0.5

    interval = limits(
        "blank_mean_3s",
        replace(study, fit=exact, blank_signals=blanks, blank_series=(), confidence=0.90),
    ).detection_limit.interval

    assert interval.lower == pytest.approx(lower, rel=0.02)
    assert interval.upper == pytest.approx(upper, rel=0.03)


def test_interval_of_the_signal_to_noise_ratio():
    """Student's interval of the limits that single readings give, not below zero."""
    readings = tuple(NoiseReading(level=1.0, height=height, noise=1.0) for height in (4.0, 5.0, 6.0))
    per_reading = 3 * 1.0 / (2 * np.array([4.0, 5.0, 6.0]))

    interval = limits("signal_to_noise", DetectionInputs(noise=readings)).detection_limit.interval

    expected = stats.t.interval(0.95, 2, per_reading.mean(), stats.sem(per_reading))
    assert (interval.lower, interval.upper) == pytest.approx(expected, rel=1e-9)


@pytest.mark.parametrize("variant", ["low_level_3s", "epa_mdl"])
def test_how_far_the_spikes_lie_above_the_limit(study, variant):
    """Level over limit is told, and decides the caution: twice the limit needs none."""
    result = limits(variant, study)
    (spiked,) = study.low_level

    far = spiked.level / result.detection_limit.value

    assert result.inputs["level_over_limit"] == pytest.approx(far, rel=1e-9)
    assert 1 < far < 3
    assert "level_far_from_limit" not in result.cautions


def test_interval_of_the_precision_profile_follows_both_coefficients(study):
    """By the gradient of ln x_Q = ½ ln s0² − ½ ln(R² − θ²), taken here by differences."""
    from validator.statistics.variance_function import fit_variance_function

    levels = study.precision_levels
    function = fit_variance_function(
        [one.level for one in levels],
        [one.sd**2 for one in levels],
        [one.degrees_of_freedom for one in levels],
    )
    target = 0.1

    def log_limit(s0_squared, theta_squared):
        return 0.5 * math.log(s0_squared / (target**2 - theta_squared))

    at = np.array([function.s0**2, function.theta**2])
    step = 1e-6 * at
    gradient = np.array(
        [(log_limit(*(at + move)) - log_limit(*(at - move))) / (2 * move.sum()) for move in np.diag(step)]
    )
    relative = math.sqrt(gradient @ function.covariance @ gradient)

    limit = limits("precision_profile", study).quantification_limit

    assert limit.standard_error == pytest.approx(limit.value * relative, rel=1e-6)


SCATTER = Scatter(sd=0.2, degrees_of_freedom=8, n=9, unit="concentration", source="blanks")


@pytest.mark.parametrize(
    ("factors", "k"),
    [
        ({"critical": 1.6, "detection": 3.3, "quantification": 10.0}, 3.3),
        ({"critical": 1.6, "quantification": 10.0}, 1.6),
        ({"quantification": 10.0}, 10.0),
    ],
)
def test_the_factor_told_is_that_of_detection_where_there_is_one(factors, k):
    """Else that of the critical level, else that of quantification; each limit is its factor times sigma."""
    found = multiples_of_sigma(DetectionInputs(), SCATTER, **factors, source="test")

    assert found.k == k
    for name, factor in factors.items():
        limit = found.critical_level if name == "critical" else getattr(found, f"{name}_limit")
        assert limit.value == pytest.approx(0.2 * factor)


@pytest.mark.parametrize(
    ("levels", "sd", "cautioned"),
    [
        ([0.0, 3.0, 6.0, 9.0], 0.33, True),
        ([0.0, 3.0, 6.0, 9.0], 0.34, False),
        ([0.9, 3.0, 6.0, 9.0], 0.33, False),
        ([2.7, 3.0, 6.0, 9.0], 0.33, False),
    ],
)
def test_a_limit_far_below_the_lowest_calibrator_is_cautioned(levels, sd, cautioned):
    """Three times below the lowest level above zero; three standard deviations are 0.99 and 1.02 here."""
    x = np.repeat(levels, 2)
    y = 1 + 2 * x + np.tile([0.01, -0.01], 4)
    blanks = sd * np.array([-1.0, 0.0, 1.0])

    found = limits("blank_3s", DetectionInputs(fit=fit(x, y), blank_concentrations=blanks))

    assert found.detection_limit.value == pytest.approx(3 * sd)
    assert (BELOW_CALIBRATION in found.cautions) is cautioned


def test_levels_are_read_on_the_branch_at_zero():
    """Of the two levels that give a signal on a parabola; at its summit one is left, above it none."""
    signals = [1.0, 3.95, 9.2, 21.0, 21.01]
    levels = inverse(signals, 1.0, 2.0, -0.05)

    assert levels[:4] == pytest.approx([0.0, *(20 - math.sqrt(400 - 20 * (y - 1)) for y in signals[1:4])])
    assert levels[4] == math.inf
    assert inverse([0.5, 0.0], 0.0, -2.0, 0.0) == pytest.approx([-0.25, 0.0])
    assert inverse([-1.75], 0.0, -2.0, 0.25) == pytest.approx([1.0])
