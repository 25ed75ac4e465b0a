"""Carry-over from the study to its records."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import stats

BEFORE, AFTER, HIGH = [0.010, 0.014, 0.012], [0.031, 0.044, 0.036], 4.2
CALIBRATION = [
    {"level": level, "signals": [0.012 + 0.28 * level + off for off in (-0.02, 0.0, 0.025)]}
    for level in (1, 4, 7, 10, 15)
]
BLANKS = [{"signals": [0.010, 0.016, 0.005, 0.012, 0.019, 0.008, 0.011, 0.014, 0.002, 0.013]}]


def sequence(before=BEFORE, after=AFTER):
    found = [{"kind": "blank", "signal": signal} for signal in before]
    for signal in after:
        found += [{"kind": "high", "level": 15, "signal": HIGH}, {"kind": "blank", "signal": signal}]
    return {"sequence": found}


@pytest.fixture
def carried(record_of, described):
    """The carry-over records of a study with a calibration and blanks."""

    def carried(runs, *, limit=True, **more):
        if limit:
            more |= {"calibration": {"runs": CALIBRATION}, "blanks": {"runs": BLANKS}}
        return record_of(described(carry_over={"runs": runs}, **more)).carry_over

    return carried


def test_blanks_after_high_less_blanks_before(carried):
    """Mean difference with Welch's interval, in the unit of the signal and of the high signal."""
    (entry,) = carried([sequence()])
    expected = stats.ttest_ind(AFTER, BEFORE, equal_var=False)

    assert entry.carry_over.value == pytest.approx(np.mean(AFTER) - np.mean(BEFORE), rel=1e-9)
    assert entry.carry_over.ci == pytest.approx(expected.confidence_interval(0.95), rel=1e-9)
    assert entry.carry_over.one_sided == pytest.approx(expected.confidence_interval(0.90), rel=1e-9)
    assert entry.test.p == pytest.approx(expected.pvalue, rel=1e-9)
    assert (entry.n, entry.highs, entry.baseline_n, entry.highest_level) == (3, 3, 3, 15)
    high = HIGH - np.mean(BEFORE)
    assert entry.percent_of_high.value == pytest.approx(100 * entry.carry_over.value / high, rel=1e-9)


def test_in_percent_of_the_signal_at_the_quantification_limit(carried, record_of, described):
    """The signal at the declared limit above that of level zero is 100 %."""
    (entry,) = carried([sequence()])
    record = record_of(described(calibration={"runs": CALIBRATION}, blanks={"runs": BLANKS}))
    at_limit = record.calibration.slope.value * record.detection.quantification_limit.value

    assert entry.limit == record.detection.quantification_limit.value
    assert entry.percent_of_limit.value == pytest.approx(100 * entry.carry_over.value / at_limit, rel=1e-9)
    largest = 100 * (max(AFTER) - np.mean(BEFORE)) / at_limit
    assert entry.largest_percent_of_limit == pytest.approx(largest, rel=1e-9)
    assert (entry.allowed_percent, entry.allowed_by) == (20, "customary")


def test_the_studys_own_limit_is_quoted(carried):
    """What the study allows replaces the customary share."""
    (entry,) = carried([sequence()], criteria=[{"characteristic": "carry_over", "max": 5}])

    assert (entry.allowed_percent, entry.allowed_by) == (5, "criterion of the study")


def test_a_single_undisturbed_blank_gives_no_interval(carried):
    """The figure stands, and the reason why it has no interval."""
    (entry,) = carried([sequence(before=BEFORE[:1])])

    assert entry.carry_over.ci is None
    assert entry.carry_over.reason == entry.reason == "a single blank without carry-over"


def test_without_a_limit_there_is_nothing_to_hold_it_against(carried):
    """Without calibration the carry-over stays in the unit of the signal."""
    (entry,) = carried([sequence()], limit=False)

    assert entry.percent_of_limit is None
    assert entry.limit is None
    assert entry.reason == "no quantification limit is available for comparison"


def test_each_sequence_by_itself(carried):
    """Two sequences are two records; an excluded one takes no part."""
    other = {**sequence(after=[0.02, 0.02, 0.03]), "excluded": "wrong order"}

    assert len(carried([sequence(), sequence(after=[0.02, 0.021])])) == 2
    assert len(carried([sequence(), other])) == 1
    assert carried([other]).not_assessed == "all carry-over sequences are excluded"


def test_absent_block(record_of, described):
    """Without runs the characteristic is not assessed."""
    record = record_of(described(calibration={"runs": CALIBRATION})).carry_over

    assert record.not_assessed == "no carry-over data were provided"
