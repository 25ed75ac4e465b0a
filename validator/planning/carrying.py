"""Which results carry a criterion, and the probability that it is met with a given number of them."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, NamedTuple

from msgspec import Struct

from validator.characteristics.order import CHARACTERISTICS
from validator.planning.preparations import planned
from validator.statistics.detection import resolve_detection, resolve_quantification
from validator.statistics.distributions import chi2_quantile
from validator.statistics.power import probability_deviation_within, probability_mean_within

if TYPE_CHECKING:
    from collections.abc import Callable

    from validator.planning.outcomes import Chance
    from validator.study.models.plan import Assumed, PlanChoices


class Size(NamedTuple):
    """Series, and preparations of each material in each series."""

    series: int
    replicates: int

    @property
    def preparations(self) -> int:
        """Preparations of each material altogether."""
        return self.series * self.replicates


class Question(Struct, frozen=True):
    """A criterion that more results can settle.

    Attributes:
        chance: how it came out with the planned design.
        block: the block whose results carry it.
        probability: that it is met with a block of some size, by a closed form; None where there is none.
    """

    chance: Chance
    block: str
    probability: Callable[[Size], float] | None


_MEANS = ("recovery", "trueness")
_WITHOUT_A_FORM = ("sensitivity", "accuracy_profile", "uncertainty")


def carrying_block(chance: Chance) -> str | None:
    """The block whose results carry the criterion; None where no number of results changes it."""
    if chance.finding.unit == "p":
        return None
    characteristic = chance.key.characteristic
    if characteristic in ("detection_limit", "quantification_limit"):
        resolve = resolve_quantification if characteristic == "quantification_limit" else resolve_detection
        return resolve(chance.key.what).rests_on[0] if chance.key.what else None
    return CHARACTERISTICS[characteristic].planned_in


def question(chance: Chance, choices: PlanChoices, assumed: Assumed, confidence: float) -> Question | None:
    """The question that *chance* puts to the design; None where it puts none."""
    block = carrying_block(chance)
    if block is None or planned(choices, block) is None:
        return None
    level = confidence if chance.finding.decision_rule == "guarded" else None
    if chance.key.characteristic in _MEANS:
        return Question(chance, block, _of_mean(chance, assumed, level))
    if chance.key.characteristic in _WITHOUT_A_FORM:
        return Question(chance, block, None)
    return Question(chance, block, _of_deviation(chance, block, choices, assumed, level))


def _of_deviation(
    chance: Chance, block: str, choices: PlanChoices, assumed: Assumed, confidence: float | None
) -> Callable[[Size], float] | None:
    limit, typical, plan = chance.finding.upper, chance.typical, planned(choices, block)
    if (
        limit is None
        or chance.finding.lower is not None
        or limit <= 0
        or typical is None
        or typical <= 0
        or plan is None
    ):
        return None

    def freedom(size: Size) -> float:
        return _degrees_of_freedom(chance, block, choices, assumed, size)

    nu = freedom(Size(plan.series, plan.replicates))
    if nu <= 0:
        return None
    # the median of s lies a little below the standard deviation it estimates
    ratio = typical / limit / math.sqrt(chi2_quantile(0.5, nu) / nu)

    def probability(size: Size) -> float:
        nu = freedom(size)
        return probability_deviation_within(ratio, nu, confidence) if nu > 0 else 0.0

    return probability


def _degrees_of_freedom(
    chance: Chance, block: str, choices: PlanChoices, assumed: Assumed, size: Size
) -> float:
    if block == "calibration":
        levels = len(choices.calibration.levels or ()) if choices.calibration else 0
        return levels * size.preparations - 2
    if block != "precision":
        return size.preparations - 1
    within = size.series * (size.replicates - 1)
    if chance.key.characteristic == "repeatability":
        return within
    return _satterthwaite(_variances(assumed, chance.key.level), size)


def _variances(assumed: Assumed, level: float | None) -> tuple[float, float]:
    """Relative variances of results at *level*: within a series, and between series."""
    height = assumed.slope * (level or 0.0) * assumed.recovery_percent / 100
    constant = (assumed.signal_sd / height) ** 2 if height else 0.0
    return (
        constant + (assumed.signal_rsd_percent / 100) ** 2,
        (assumed.between_series_rsd_percent / 100) ** 2,
    )


def _satterthwaite(variances: tuple[float, float], size: Size) -> float:
    r"""Degrees of freedom of s_I² = MS_B/n + (1 − 1/n) MS_W (Satterthwaite 1946, from memory)."""
    within, between = variances
    p, n = size
    if p < 2:
        return 0.0
    of_means = between + within / n
    rest = (1 - 1 / n) * within
    share = of_means**2 / (p - 1) + (rest**2 / (p * (n - 1)) if n > 1 else 0.0)
    return (of_means + rest) ** 2 / share if share else 0.0


def _of_mean(chance: Chance, assumed: Assumed, confidence: float | None) -> Callable[[Size], float] | None:
    lower, upper = chance.finding.lower, chance.finding.upper
    if (lower is None and upper is None) or chance.typical is None:
        return None
    shift = 100.0 if chance.key.characteristic == "trueness" else 0.0
    mean = assumed.recovery_percent - shift
    ends = (-math.inf if lower is None else lower, math.inf if upper is None else upper)
    is_one_sided = lower is None or upper is None
    level = 2 * confidence - 1 if is_one_sided and confidence is not None else confidence
    within, between = _variances(assumed, chance.key.level)

    def probability(size: Size) -> float:
        if size.series > 1:
            n, variance = size.series, between + within / size.replicates
        else:
            n, variance = size.replicates, within
        sd = assumed.recovery_percent * math.sqrt(variance)
        return probability_mean_within(mean, sd, n, ends, level) if n > 1 else 0.0

    return probability
