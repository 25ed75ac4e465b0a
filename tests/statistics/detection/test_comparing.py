"""Ratios between configurations."""

import math

import numpy as np
import pytest
from msgspec.structs import replace
from scipy import stats

from validator.errors import NotEstimable
from validator.statistics.detection import (
    VARIANTS,
    DetectionInputs,
    LimitResult,
    ratio_of_limits,
)
from validator.statistics.interval import Estimate
from validator.statistics.regression import fit


def from_blanks(blanks):
    return VARIANTS["blank_3s"].limits(DetectionInputs(blank_concentrations=blanks))


def test_ratio_of_two_blank_limits_has_the_interval_of_f():
    """With known slopes the squared ratio follows F: limits agree with the exact ones within simulation."""
    generator = np.random.default_rng(1)
    first, second = generator.normal(0, 2, 10), generator.normal(0, 1, 15)
    ratio = ratio_of_limits(from_blanks(first), from_blanks(second))
    quotient = np.std(first, ddof=1) / np.std(second, ddof=1)

    assert ratio.value == pytest.approx(quotient)
    assert ratio.interval.lower == pytest.approx(quotient / math.sqrt(stats.f.ppf(0.975, 9, 14)), rel=0.02)
    assert ratio.interval.upper == pytest.approx(quotient / math.sqrt(stats.f.ppf(0.025, 9, 14)), rel=0.02)


def test_ratio_is_the_same_at_every_call():
    """The seed decides the draws."""
    generator = np.random.default_rng(2)
    first, second = from_blanks(generator.normal(0, 1, 8)), from_blanks(generator.normal(0, 1, 8))

    assert ratio_of_limits(first, second) == ratio_of_limits(first, second)
    assert ratio_of_limits(first, second, seed=1) != ratio_of_limits(first, second, seed=2)


def test_ratio_of_residual_limits_covers():
    """The interval holds the true ratio in 95 % of experiments though the slopes are in doubt."""
    generator = np.random.default_rng(3)
    x = np.repeat([0.0, 1.0, 2.0, 3.0], 2)
    runs, hits = 400, 0
    for _ in range(runs):
        bare = fit(x, x + generator.normal(0, 0.2, 8))
        modified = fit(x, 3 * x + generator.normal(0, 0.2, 8))
        results = [VARIANTS["residual_3.3"].limits(DetectionInputs(fit=line)) for line in (modified, bare)]
        hits += 1 / 3 in ratio_of_limits(*results).interval

    assert hits / runs == pytest.approx(0.95, abs=3 * math.sqrt(0.95 * 0.05 / runs))


def test_ratio_of_limits_with_other_parts(study):
    """Limits that are no multiple of sigma alone use their own standard error."""
    steep = replace(
        study, fit=fit(study.fit.x, 2 * study.fit.y), blank_signals=2 * study.blank_signals + 0.01
    )
    ratio = ratio_of_limits(*(VARIANTS["blank_mean_3s"].limits(inputs) for inputs in (study, steep)))

    assert ratio.value in ratio.interval
    assert 0 < ratio.interval.lower < ratio.interval.upper < math.inf


def plain(value, error=None):
    return LimitResult(
        detection_limit=Estimate(value=value, standard_error=error), sigma_source="test", source="test"
    )


@pytest.mark.parametrize(
    ("first", "second", "reason"),
    [
        (
            plain(1.0, 0.1),
            LimitResult(sigma_source="test", source="test"),
            ("no such limit is available for one of the configurations"),
        ),
        (plain(-1.0, 0.1), plain(1.0, 0.1), "a limit is zero or negative"),
        (plain(1.0), plain(1.0, 0.1), "no standard error is available for a limit"),
    ],
)
def test_ratios_that_cannot_be_formed(first, second, reason):
    """A missing, negative or bare limit gives a reason."""
    with pytest.raises(NotEstimable, match=reason):
        ratio_of_limits(first, second)


def test_limit_of_a_slope_that_may_vanish():
    """A limit that may be infinite leaves the ratio open above, and as denominator down to zero."""
    loose = replace(
        from_blanks(np.array([0.1, -0.1, 0.05, -0.02])),
        sigma_unit="signal",
        inputs={"slope": 1.0, "slope_standard_error": 0.9, "slope_degrees_of_freedom": 4.0},
    )
    limit = loose.detection_limit
    loose = replace(
        loose,
        detection_limit=replace(limit, standard_error=limit.value * math.hypot(math.sqrt(0.5 / 3), 0.9)),
    )
    known = from_blanks(np.array([0.1, -0.1, 0.05, -0.02]))

    assert ratio_of_limits(loose, known).interval.upper == math.inf
    assert ratio_of_limits(known, loose).interval.lower == 0.0
    assert ratio_of_limits(loose, loose).interval.upper == math.inf
