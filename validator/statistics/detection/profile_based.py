"""Quantification limits read from how precision, recovery or accuracy change with the level."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np

from validator.errors import NotEstimable
from validator.sources import Source
from validator.statistics.detection.result import EXTRAPOLATED, NO_PRECISION, NOT_MONOTONE, LimitResult
from validator.statistics.detection.scatter import calibration, levels_of
from validator.statistics.distributions import t_two_sided
from validator.statistics.interval import Estimate, Interval
from validator.statistics.variance_function import VarianceFunction, fit_variance_function

if TYPE_CHECKING:
    from collections.abc import Sequence

    from validator.statistics.detection.inputs import DetectionInputs, RecoveryLevel

SECOND_TARGET_PERCENT = 20.0
PRECISION_PROFILE = Source(
    "Level at which the relative standard deviation reaches a target: Eurachem Guide, The Fitness for "
    "Purpose of Analytical Methods, 2nd ed. 2014, 6.2, with the variance function of "
    "Eurachem/CITAC CG 4, 2012, E.5",
    "memory",
)
ACCURACY_PROFILE = Source(
    "P. Hubert et al., J. Pharm. Biomed. Anal. 36 (2004) 579-586: lowest level whose tolerance interval lies "
    "inside the acceptance limits",
    "memory",
)
LOWEST_VALIDATED = Source(
    "Lowest level tested that meets the criteria on recovery and precision (common practice)", "practice"
)
LOWEST_CALIBRATOR = Source(
    "Lowest calibrator read back within 20 % of its level, with a relative standard deviation within 20 %: "
    "ICH M10, 2022, lower limit of quantification",
    "memory",
)
LARGEST_AT_LOWEST_PERCENT = 20.0
FEWEST_CALIBRATORS = 3
LOWER_LINEAR = Source(
    "Lower end of the linear range, without regard to the precision there (common practice)", "practice"
)


def precision_profile(inputs: DetectionInputs) -> LimitResult:
    r"""Level at which the fitted relative standard deviation has fallen to the target R.

    .. math:: s^2(x) = s_0^2 + (\theta x)^2, \qquad s(x_Q)/x_Q = R
              \;\Rightarrow\; x_Q = s_0/\sqrt{R^2 - \theta^2}

    R is 10 % unless the study says otherwise; the level for 20 % stands beside it.  The interval is by the
    delta method on ln x_Q from the information of the fit, with Student's t of Σν − 2.

    Raises:
        NotEstimable: fewer than two levels with replicates, a relative standard deviation that never falls to
            R (θ ≥ R), or scatter that is proportional all the way down (s_0 = 0).

    References:
        Eurachem Guide, The Fitness for Purpose of Analytical Methods, 2nd ed. 2014, 6.2.
    """
    levels = inputs.precision_levels
    if not levels:
        raise NotEstimable(
            "no precision data are available", "replicates at 3 or more levels, some near the limit"
        )
    x = np.array([level.level for level in levels])
    function = fit_variance_function(
        x, [level.sd**2 for level in levels], [level.degrees_of_freedom for level in levels], form="both"
    )
    target = inputs.rsd_target_percent / 100
    value = _level_of_rsd(function, target)
    nu = float(function.degrees_of_freedom.sum()) - 2
    second = SECOND_TARGET_PERCENT / 100
    inside = x.min() <= value <= x.max()
    numbers = {"s0": function.s0, "theta": function.theta, "rsd_target_percent": inputs.rsd_target_percent}
    if function.theta < second:
        numbers["level_at_20_percent"] = _level_of_rsd(function, second)
    return LimitResult(
        quantification_limit=_around(value, function, target, nu, inputs.confidence),
        sigma=value * target,
        sigma_unit="concentration",
        sigma_source="variance function of the precision data",
        sigma_concentration=value * target,
        degrees_of_freedom=nu,
        k=1 / target,
        quantification_k=1 / target,
        inputs=numbers,
        source=PRECISION_PROFILE,
        note="Sigma is that of the variance function at the limit.",
        cautions=() if inside else (EXTRAPOLATED,),
    )


def _level_of_rsd(function: VarianceFunction, target: float) -> float:
    if function.theta >= target:
        raise NotEstimable(
            "the relative standard deviation does not reach the target at any level",
            "a more precise procedure, or a less stringent target",
        )
    # So small a share of the scatter is rounding of the fit: a limit from it would have no data behind it.
    if function.s0 <= 1e-6 * function.theta * float(function.levels.max()):
        raise NotEstimable(
            "the standard deviation is proportional to the level over the whole range tested",
            "replicates at lower levels",
        )
    return function.s0 / math.sqrt(target * target - function.theta * function.theta)


def _around(value: float, function: VarianceFunction, target: float, nu: float, level: float) -> Estimate:
    r"""Interval by the delta method on :math:`\ln x_Q = \tfrac12\ln s_0^2 - \tfrac12\ln(R^2-\theta^2)`."""
    if nu < 1:
        return Estimate(value=value)
    gradient = 0.5 / np.array([function.s0**2, target**2 - function.theta**2])
    relative = math.sqrt(float(gradient @ function.covariance @ gradient))

    def limits(level: float) -> tuple[float, float]:
        reach = t_two_sided(level, nu) * relative
        # Beyond e^700 a double overflows; such a limit is not bounded by the data.
        return value * math.exp(-reach), value * math.exp(reach) if reach < 700 else math.inf

    return Estimate(
        value=value,
        standard_error=value * relative,
        interval=Interval.by(limits, level, "delta method on the logarithm"),
        degrees_of_freedom=nu,
    )


def accuracy_profile(inputs: DetectionInputs) -> LimitResult:
    r"""Lower end of the valid range of the accuracy profile.

    The tolerance limits of the relative error are joined by straight lines between levels; the valid range is
    where both lie within ±λ, down from the highest level inside.

    Raises:
        NotEstimable: no accuracy profile, or no level inside.

    References:
        P. Hubert et al., J. Pharm. Biomed. Anal. 36 (2004) 579 (from memory).
    """
    profile = inputs.accuracy_profile
    if profile is None:
        raise NotEstimable(
            "no accuracy profile is available",
            "precision and recovery data in series at 3 or more levels, and an acceptance limit",
        )
    if profile.valid_range is None:
        raise NotEstimable(
            "the tolerance interval exceeds the acceptance limits at every level",
            "a more accurate procedure, more series, or wider acceptance limits",
        )
    lower, upper = profile.valid_range
    lowest = profile.levels[0]
    note = (
        "The tolerance interval lies within the acceptance limits down to the lowest level tested."
        if lower == lowest.level
        else (
            "Interpolated between the highest level outside and the lowest level inside the "
            "acceptance limits."
        )
    )
    return LimitResult(
        quantification_limit=Estimate(value=lower),
        sigma_source="tolerance intervals of the accuracy profile",
        inputs={
            "acceptance_percent": lowest.acceptance_percent,
            "beta": profile.beta,
            "lowest_level": lowest.level,
            "upper_end": upper,
        },
        source=ACCURACY_PROFILE,
        note=note,
        cautions=(NOT_MONOTONE,) if profile.interrupted else (),
    )


def lowest_validated_level(inputs: DetectionInputs) -> LimitResult:
    """Lowest tested level that meets the criteria on recovery and relative standard deviation.

    Levels are contents of the samples, native and added; the relative standard deviation is that of the
    results there. A level that was tested in several ways, in several matrices say, meets the criteria when
    each of its recoveries does.

    Raises:
        NotEstimable: no recovery data, no criteria, or no level that meets them.

    References:
        Common practice, as in guidance that takes the lowest spiked level with acceptable figures.
    """
    if not inputs.recovery_levels:
        raise NotEstimable("no recovery data are available", "replicate recoveries at 2 or more levels")
    if all(one.limits_percent is None for one in inputs.recovery_levels):
        raise NotEstimable(
            "no acceptance limits for recovery are declared", "acceptance limits for recovery and precision"
        )
    levels = sorted({one.level for one in inputs.recovery_levels})
    at_level = {x: [one for one in inputs.recovery_levels if one.level == x] for x in levels}
    passes = [all(_passes(one) for one in at_level[x]) for x in levels]
    if not any(passes):
        raise NotEstimable(
            "no level meets the criteria for recovery and precision", "levels that meet both criteria"
        )
    at = passes.index(True)
    failing = [level for level, holds in zip(levels[at:], passes[at:], strict=True) if not holds]
    return LimitResult(
        quantification_limit=Estimate(value=levels[at]),
        sigma_source="recovery experiments",
        inputs=_numbers(at_level[levels[at]][0]),
        source=LOWEST_VALIDATED,
        note=_note(levels[:at], failing),
        cautions=(NOT_MONOTONE,) if failing else (),
    )


def _note(below: Sequence[float], failing: Sequence[float]) -> str:
    """What the tested levels below and above the limit showed."""
    parts = [
        f"Lower levels were tested and do not meet the criteria ({_levels(below)})."
        if below
        else "Lower levels were not tested."
    ]
    if failing:
        one = len(failing) == 1
        parts.append(
            f"The {'level' if one else 'levels'} {_levels(failing)} above it "
            f"{'does' if one else 'do'} not meet the criteria."
        )
    return " ".join([*parts, "Only tested levels can be reported."])


def _levels(some: Sequence[float]) -> str:
    return ", ".join(f"{one:g}" for one in some)


def _passes(tested: RecoveryLevel) -> bool:
    if tested.limits_percent is None:
        return False
    lower, upper = tested.limits_percent
    too_low = lower is not None and tested.mean_percent < lower
    too_high = upper is not None and tested.mean_percent > upper
    if too_low or too_high:
        return False
    largest = tested.rsd_max_percent
    return largest is None or (tested.rsd_percent is not None and tested.rsd_percent <= largest)


def _numbers(tested: RecoveryLevel) -> dict[str, float]:
    """What the level was judged by; what is not stated is left out."""
    lower, upper = tested.limits_percent or (None, None)
    entered = {
        "mean_recovery_percent": tested.mean_percent,
        "n": float(tested.n),
        "recovery_min_percent": lower,
        "recovery_max_percent": upper,
        "rsd_percent": tested.rsd_percent,
        "rsd_max_percent": tested.rsd_max_percent,
    }
    return {name: value for name, value in entered.items() if value is not None}


def lowest_calibrator(inputs: DetectionInputs) -> LimitResult:
    """Lowest level of the calibration that is read back within 20 %, with a relative SD within 20 %.

    Raises:
        NotEstimable: no calibration, no level above zero with three preparations, or none that is so read.

    References:
        ICH M10 (2022), accuracy and precision at the lower limit of quantification (from memory).
    """
    fit = calibration(inputs)
    read = levels_of(fit, fit.y)
    figures = {}
    for level in np.unique(fit.x[fit.x > 0]):
        own = read[fit.x == level]
        if own.size >= FEWEST_CALIBRATORS and own.mean() > 0:
            figures[float(level)] = (100 * (own.mean() / level - 1), 100 * own.std(ddof=1) / own.mean())
    needs = f"{FEWEST_CALIBRATORS} independent preparations of each calibrator near the limit"
    if not figures:
        raise NotEstimable(f"no calibrator above zero has {FEWEST_CALIBRATORS} preparations", needs)
    levels = [
        level
        for level, (error, rsd) in figures.items()
        if abs(error) <= LARGEST_AT_LOWEST_PERCENT and rsd <= LARGEST_AT_LOWEST_PERCENT
    ]
    if not levels:
        raise NotEstimable("no calibrator is read back within 20 % with a relative SD within 20 %", needs)
    failing = [level for level in figures if level > levels[0] and level not in levels]
    error, rsd = figures[levels[0]]
    return LimitResult(
        quantification_limit=Estimate(value=levels[0]),
        sigma_source="calibrators read back",
        inputs={"mean_error_percent": float(error), "rsd_percent": float(rsd)},
        source=LOWEST_CALIBRATOR,
        note=_note([level for level in figures if level < levels[0]], failing)
        + " Calibrators define the function by which they are read: independent samples deviate more.",
        cautions=(NOT_MONOTONE,) if failing else (),
    )


def lower_linear_limit(inputs: DetectionInputs) -> LimitResult:
    """Lower end of the linear range.

    Raises:
        NotEstimable: no linear range was found.

    References:
        Common practice; it says where the function holds, not how precise a result there is.
    """
    if inputs.linear_range_lower is None:
        raise NotEstimable("no linear range was found", "a linear calibration with at least 5 levels")
    return LimitResult(
        quantification_limit=Estimate(value=inputs.linear_range_lower),
        sigma_source="linear range",
        inputs={"linear_range_lower": inputs.linear_range_lower},
        source=LOWER_LINEAR,
        note="Not based on a standard deviation; the limit is the lowest level of the linear range.",
        cautions=(NO_PRECISION,),
    )
