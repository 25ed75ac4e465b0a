"""Quantification limits from profiles of precision, accuracy, recovery and linearity."""

import math

import numpy as np
import pytest
from msgspec.structs import replace

from validator.errors import NotEstimable
from validator.statistics.accuracy_profile import accuracy_profile
from validator.statistics.detection import (
    VARIANTS,
    DetectionInputs,
    PrecisionLevel,
    RecoveryLevel,
)
from validator.statistics.regression import fit


def limits(variant, inputs):
    return VARIANTS[variant].limits(inputs)


def levels_of(s0, theta, levels, nu=9):
    return tuple(PrecisionLevel(level=x, sd=math.hypot(s0, theta * x), degrees_of_freedom=nu) for x in levels)


def test_level_of_ten_percent():
    """Standard deviations exactly on s² = s0² + (θx)² give s0/sqrt(R² − θ²)."""
    inputs = DetectionInputs(precision_levels=levels_of(0.3, 0.05, (1.0, 3.0, 10.0, 30.0)))
    result = limits("precision_profile", inputs)
    x = result.quantification_limit.value

    assert x == pytest.approx(0.3 / math.sqrt(0.1**2 - 0.05**2), rel=1e-6)
    assert math.hypot(0.3, 0.05 * x) / x == pytest.approx(0.10, rel=1e-6)
    assert result.inputs["level_at_20_percent"] == pytest.approx(0.3 / math.sqrt(0.2**2 - 0.05**2), rel=1e-6)
    assert result.cautions == ()


def test_target_of_the_study():
    """The study may ask for another relative standard deviation."""
    inputs = DetectionInputs(
        precision_levels=levels_of(0.3, 0.05, (1.0, 3.0, 10.0, 30.0)), rsd_target_percent=20.0
    )
    result = limits("precision_profile", inputs)

    assert result.quantification_limit.value == pytest.approx(result.inputs["level_at_20_percent"])


def test_limit_outside_the_levels_is_flagged():
    """A limit below the lowest level with replicates is an extrapolation."""
    inputs = DetectionInputs(precision_levels=levels_of(0.3, 0.02, (5.0, 10.0, 30.0)))

    assert limits("precision_profile", inputs).cautions == ("extrapolated",)


@pytest.mark.parametrize(
    ("levels", "reason"),
    [
        ((), "no precision data are available"),
        (levels_of(0.3, 0.05, (1.0,)), "only 1 level with replicates"),
        (
            levels_of(0.3, 0.12, (1.0, 10.0, 100.0)),
            ("the relative standard deviation does not reach the target at any level"),
        ),
        (
            levels_of(0.0, 0.05, (1.0, 10.0, 100.0)),
            ("the standard deviation is proportional to the level over the whole range tested"),
        ),
    ],
)
def test_precision_that_carries_no_limit(levels, reason):
    """No levels, one level, or scatter that never reaches the target give a reason."""
    with pytest.raises(NotEstimable, match=reason):
        limits("precision_profile", DetectionInputs(precision_levels=levels))


def test_few_degrees_of_freedom_leave_no_interval():
    """Two levels of duplicates give the point but no interval."""
    inputs = DetectionInputs(precision_levels=levels_of(0.3, 0.05, (1.0, 20.0), nu=1))

    assert limits("precision_profile", inputs).quantification_limit.interval is None


def test_interval_of_the_precision_profile_covers():
    """About 95 % of intervals hold the true level (400 experiments, within three binomial errors)."""
    generator = np.random.default_rng(17)
    x, nu, s0, theta = np.array([1.0, 2.0, 5.0, 10.0, 20.0]), 9, 0.3, 0.05
    true = s0 / math.sqrt(0.1**2 - theta**2)
    sigma = np.hypot(s0, theta * x)
    covered = 0
    runs = 400
    for _ in range(runs):
        sd = sigma * np.sqrt(generator.chisquare(nu, x.size) / nu)
        levels = tuple(
            PrecisionLevel(level=a, sd=b, degrees_of_freedom=nu) for a, b in zip(x, sd, strict=True)
        )
        try:
            covered += (
                true
                in limits(
                    "precision_profile", DetectionInputs(precision_levels=levels)
                ).quantification_limit.interval
            )
        except NotEstimable:
            runs -= 1

    assert runs > 390
    assert covered / runs == pytest.approx(0.95, abs=3 * math.sqrt(0.95 * 0.05 / runs))


def test_lower_end_of_the_accuracy_profile(study):
    """The limit is the lower end of the valid range, where a tolerance limit crosses ±λ."""
    profile = study.accuracy_profile
    assert [level.inside for level in profile.levels] == [False, True, True]
    result = limits("accuracy_profile", study)
    x = result.quantification_limit.value
    low, high = (level.expectation for level in profile.levels[:2])
    share = (x - 0.1) / 0.4
    ends = (low.lower + share * (high.lower - low.lower), low.upper + share * (high.upper - low.upper))

    assert 0.1 < x < 0.5
    assert max(-ends[0], ends[1]) == pytest.approx(15.0)
    assert "Interpolated" in result.note
    assert result.cautions == ()


def profile_of(*errors, acceptance=10.0):
    """Profile at levels 1, 2, 3 … whose results err by these percents, with a scatter of one percent."""
    levels = np.arange(1.0, len(errors) + 1)
    scatter = np.array([[-0.01, 0.01], [0.01, -0.01], [0.0, 0.005]])
    found = [x * (1 + error / 100 + scatter) for x, error in zip(levels, errors, strict=True)]
    return DetectionInputs(accuracy_profile=accuracy_profile(levels, found, acceptance_percent=acceptance))


def test_accuracy_profile_inside_everywhere():
    """Where all levels are inside the limit is the lowest tested."""
    result = limits("accuracy_profile", profile_of(1, 2, 0))

    assert result.quantification_limit.value == 1.0
    assert "within the acceptance limits down to the lowest level tested" in result.note


def test_accuracy_profile_counts_from_above():
    """A low level inside does not bridge one outside above it, and is flagged."""
    result = limits("accuracy_profile", profile_of(0, 20, 0))

    assert 2.0 < result.quantification_limit.value < 3.0
    assert result.cautions == ("higher_level_fails",)


def test_accuracy_profile_that_carries_no_limit():
    """No profile, or no level inside, give a reason."""
    with pytest.raises(NotEstimable, match="no accuracy profile is available"):
        limits("accuracy_profile", DetectionInputs())
    with pytest.raises(
        NotEstimable, match=("the tolerance interval exceeds the acceptance limits at every level")
    ):
        limits("accuracy_profile", profile_of(20, 30, 25))


def test_lowest_validated_level(study):
    """The lowest level that meets both criteria counts; 88 % recovery at 0.1 does not."""
    result = limits("lowest_validated_level", study)

    assert result.quantification_limit.value == 0.5
    assert result.inputs["mean_recovery_percent"] == 97.0
    assert result.inputs["rsd_max_percent"] == 10.0
    assert result.cautions == ()


def recovered(level, mean, rsd, *, limits=(70.0, 120.0), rsd_max=20.0):
    return RecoveryLevel(
        level=level, mean_percent=mean, rsd_percent=rsd, n=5, limits_percent=limits, rsd_max_percent=rsd_max
    )


@pytest.mark.parametrize(
    ("levels", "lowest", "cautions"),
    [
        # the recovery is kept, the relative standard deviation is not
        ([recovered(1.0, 95.0, 26.0), recovered(2.0, 95.0, 7.0)], 2.0, ()),
        ([recovered(1.0, 95.0, 20.0), recovered(2.0, 95.0, 7.0)], 1.0, ()),
        # each level by its own limits
        (
            [recovered(1.0, 65.0, 26.0, limits=(60.0, 130.0), rsd_max=30.0), recovered(2.0, 95.0, 7.0)],
            1.0,
            (),
        ),
        ([recovered(1.0, 65.0, 5.0, limits=(60.0, None)), recovered(2.0, 95.0, 7.0)], 1.0, ()),
        ([recovered(1.0, 95.0, 5.0, limits=None), recovered(2.0, 95.0, 7.0)], 2.0, ()),
        # a level in two matrices meets the criteria in both
        ([recovered(1.0, 95.0, 5.0), recovered(1.0, 50.0, 5.0), recovered(2.0, 95.0, 7.0)], 2.0, ()),
        (
            [recovered(1.0, 95.0, 5.0), recovered(2.0, 95.0, 7.0), recovered(2.0, 50.0, 7.0)],
            1.0,
            ("higher_level_fails",),
        ),
    ],
)
def test_each_level_is_held_against_its_own_criteria(levels, lowest, cautions):
    """Recovery and scatter of every recovery of a level decide, by the limits that hold there."""
    result = limits("lowest_validated_level", DetectionInputs(recovery_levels=tuple(levels)))

    assert result.quantification_limit.value == lowest
    assert result.cautions == cautions


@pytest.mark.parametrize(
    ("levels", "reason"),
    [
        ([], "no recovery data are available"),
        ([recovered(1.0, 100.0, 1.0, limits=None)], "no acceptance limits for recovery"),
        ([recovered(1.0, 100.0, 21.0)], "no level meets the criteria"),
        ([recovered(1.0, 100.0, None)], "no level meets the criteria"),
    ],
)
def test_recovery_that_carries_no_limit(levels, reason):
    """No data, no criteria, or none met give a reason; a single result cannot show precision."""
    with pytest.raises(NotEstimable, match=reason):
        limits("lowest_validated_level", DetectionInputs(recovery_levels=tuple(levels)))


def test_recovery_alone_decides_where_no_precision_is_asked():
    """Without a limit for the relative standard deviation only recovery counts."""
    single = (recovered(1.0, 100.0, None, rsd_max=None),)
    result = limits("lowest_validated_level", DetectionInputs(recovery_levels=single))

    assert result.quantification_limit.value == 1.0
    assert "rsd_max_percent" not in result.inputs


def test_lower_end_of_the_linear_range(study):
    """The lower end is passed on; without a linear range there is a reason."""
    assert limits("lower_linear_limit", study).quantification_limit.value == 0.5
    with pytest.raises(NotEstimable, match="no linear range was found"):
        limits("lower_linear_limit", replace(study, linear_range_lower=None))


def calibrators(*signals):
    """Calibrators at 1, 2, 4 and 8 in triplicate, on the line y = x but for the lowest."""
    x = np.repeat([1.0, 2.0, 4.0, 8.0], 3)
    y = np.array([*signals, 2.0, 2.01, 1.99, 4.0, 4.02, 3.98, 8.0, 8.02, 7.98])
    return DetectionInputs(fit=fit(x, y, weights=np.where(x > 1, 1e6, 1e-6)))


@pytest.mark.parametrize(
    ("signals", "limit", "cautions"),
    [
        ((1.0, 1.05, 0.95), 1.0, ()),
        ((1.19, 1.19, 1.19), 1.0, ()),
        ((1.21, 1.21, 1.21), 2.0, ()),
        ((0.79, 0.79, 0.79), 2.0, ()),
        ((0.7, 1.0, 1.3), 2.0, ()),
    ],
)
def test_the_lowest_calibrator_read_back_within_a_fifth(signals, limit, cautions):
    """Mean within 20 % of the level and relative standard deviation within 20 %; single ones do not count."""
    found = limits("lowest_calibrator", calibrators(*signals))

    assert found.quantification_limit.value == limit
    assert found.cautions == cautions
    assert found.quantification_limit.interval is None


def test_a_higher_calibrator_that_fails_is_named():
    """Lowest that passes, with a caution where one above does not."""
    x = np.repeat([1.0, 2.0, 4.0, 8.0], 3)
    y = np.array([1.0, 1.0, 1.0, 2.6, 2.6, 2.6, 4.0, 4.0, 4.0, 8.0, 8.01, 7.99])
    line = fit(x, y, weights=np.where(x == 2, 1e-6, 1.0))
    found = limits("lowest_calibrator", DetectionInputs(fit=line))

    assert found.quantification_limit.value == 1.0
    assert "higher_level_fails" in found.cautions
    assert "The level 2 above it does not meet the criteria." in found.note


def test_calibrators_in_duplicate_have_no_precision():
    """Three preparations of a level are the least."""
    with pytest.raises(NotEstimable, match="no calibrator above zero has 3 preparations"):
        limits("lowest_calibrator", DetectionInputs(fit=fit([1, 1, 2, 2, 3, 3], [1, 1.1, 2, 2.1, 3, 3.1])))
