"""The law of an interval: one statistic holds at every level."""

from __future__ import annotations

import math

import numpy as np
import pytest

from validator.characteristics.stability.statistic import stability_trend
from validator.statistics.comparison import bland_altman, paired_difference, variance_ratio
from validator.statistics.decision_limits import LevelUncertainty, limit_above
from validator.statistics.detection.intervals import simulated
from validator.statistics.distributions import standard_deviation_interval, student
from validator.statistics.interval import Interval
from validator.statistics.nested import nested
from validator.statistics.precision import one_way
from validator.statistics.proportion import proportion
from validator.statistics.regression import fit
from validator.statistics.sample import median
from validator.statistics.selectivity import relative_change
from validator.statistics.slopes import matrix_effect, slope_ratio
from validator.statistics.standard_addition import standard_addition

GENERATOR = np.random.default_rng(7)
DRAWS = GENERATOR.standard_normal(1000)
THIS, OTHER = GENERATOR.normal(10, 0.3, 12), GENERATOR.normal(10, 0.3, 12)
TIMES = np.arange(12.0)
FALLING = 100 - 2 * TIMES + GENERATOR.normal(0, 1, 12)
ADDED = np.repeat([0.0, 1.0, 2.0, 3.0], 3)
LINE, STEEPER = (
    fit(ADDED, a + b * ADDED + GENERATOR.normal(0, 0.1, 12)) for a, b in ((1.0, 2.0), (0.5, 2.3))
)
GROUPS = [(10 + day + GENERATOR.normal(0, 0.2, 3)).tolist() for day in GENERATOR.normal(0, 0.3, 6)]
UNEQUAL = [*GROUPS[:-1], GROUPS[-1][:2]]
FACTORS = {"day": np.repeat(np.arange(6), 4), "run": np.repeat(np.arange(12), 2)}
UNCERTAINTY = LevelUncertainty(reproducibility_sd=0.2, degrees_of_freedom=6, bias=0.1, bias_uncertainty=0.05)


def dilution(level):
    return standard_addition(ADDED, LINE.y, dilution_factor=2.0, confidence=level).concentration


@pytest.mark.parametrize(
    "at",
    [
        lambda c: bland_altman(THIS, OTHER, confidence=c).lower,
        lambda c: bland_altman(THIS, OTHER, confidence=c).bias,
        lambda c: variance_ratio(2.5, 11, 9, confidence=c).ratio,
        lambda c: paired_difference(THIS, OTHER, confidence=c).mean_difference,
        lambda c: limit_above(5.0, 2.33, UNCERTAINTY, c),
        lambda c: simulated(0.0, DRAWS, c),
        lambda c: nested(np.concatenate([THIS, OTHER]), FACTORS, level=c).components[0].sd,
        lambda c: nested(np.concatenate([THIS, OTHER]), FACTORS, level=c).intermediate_sd,
        lambda c: median(THIS, level=c),
        lambda c: one_way(GROUPS, level=c).mean,
        lambda c: one_way(GROUPS, level=c).between_sd,
        lambda c: one_way(UNEQUAL, level=c).repeatability_rsd,
        lambda c: one_way(UNEQUAL, level=c).intermediate_rsd,
        lambda c: proportion(3, 40, level=c),
        lambda c: fit(ADDED, LINE.y, confidence=c).slope,
        lambda c: relative_change(THIS, OTHER, confidence=c).change,
        lambda c: matrix_effect(LINE, STEEPER, confidence=c),
        lambda c: slope_ratio(LINE, STEEPER, confidence=c),
        lambda c: stability_trend(TIMES, FALLING, allowed_percent=10, confidence=c).change_at_end,
        dilution,
    ],
)
def test_one_computation_serves_every_level(at):
    """The limits at another level are those that the statistic gives when asked for that level."""
    made, asked = at(0.95), at(0.8)

    assert made.interval != asked.interval
    assert made.interval.at(0.8) == asked.interval
    assert (made.value, made.standard_error) == (asked.value, asked.standard_error)


def test_one_sided_bounds_are_the_ends_at_a_lower_level():
    """The bounds at 95 % are the ends of the 90 % interval; scaling by a negative factor swaps them."""
    sd = standard_deviation_interval(2.0, 7, 0.95)
    turned = student(3.0, 0.2, 5, 0.95).scaled(-10).interval

    assert sd.one_sided == standard_deviation_interval(2.0, 7, 2 * 0.95 - 1)
    assert turned.one_sided == student(-30.0, 2.0, 5, 2 * 0.95 - 1).interval
    assert sd.through(lambda s: s**2).one_sided.upper == sd.one_sided.upper**2


def test_an_interval_without_a_law_exists_at_its_own_level():
    """Other limits are not invented."""
    with pytest.raises(ValueError, match=r"at the level 0\.9 alone"):
        Interval(0.0, math.inf, 0.9, "search").scaled(2.0).at(0.8)
