"""Carry-over after a high sample."""

import numpy as np
import pytest
from scipy import stats

from validator.characteristics.carry_over.statistic import carry_over
from validator.errors import NotEstimable

KINDS = ["blank", "blank", "blank", "high", "blank", "blank", "high", "blank", "high", "blank"]
SIGNALS = [0.010, 0.012, 0.011, 5.0, 0.020, 0.013, 5.1, 0.024, 4.9, 0.019]


def test_blanks_after_high_less_undisturbed_blanks():
    """Difference, Welch test and shares of the high signal and of the low limit."""
    r = carry_over(KINDS, SIGNALS, response_at_low_limit=0.1)
    after, before = [0.020, 0.024, 0.019], [0.010, 0.012, 0.011]
    theirs = stats.ttest_ind(after, before, equal_var=False)

    carried = np.mean(after) - np.mean(before)
    assert (r.n, r.baseline, r.baseline_n) == (3, "blanks before the first high", 3)
    assert r.carry_over.value == pytest.approx(carried)
    assert r.test.p == pytest.approx(theirs.pvalue)
    assert r.carry_over.ci[0] == pytest.approx(theirs.confidence_interval().low)
    assert r.percent_of_high.value == pytest.approx(100 * carried / (5.0 - 0.011))
    assert r.percent_of_limit.value == pytest.approx(1000 * carried)
    assert r.largest_percent_of_limit == pytest.approx(13.0)


def test_only_the_blank_directly_after_counts():
    """The second blank after a high sample is neither carry-over nor, with earlier blanks, baseline."""
    r = carry_over(KINDS, SIGNALS)

    assert r.values == pytest.approx([0.009, 0.013, 0.008])
    assert r.percent_of_limit is None


def test_later_blanks_serve_when_the_sequence_starts_high():
    """Without blanks before the first high sample, blanks that follow a blank are the baseline."""
    r = carry_over(["high", "blank", "blank", "blank"], [5.0, 0.03, 0.011, 0.009])

    assert (r.baseline, r.baseline_n, r.baseline_mean) == ("later blanks", 2, pytest.approx(0.010))
    assert (r.carry_over.value, r.reason) == (pytest.approx(0.02), "a single blank after a high sample")


def test_without_baseline_nothing_is_subtracted():
    """High and blank in turn: the response itself, one-sample t."""
    r = carry_over(["high", "blank", "high", "blank", "high", "blank"], [5.0, 0.02, 5.0, 0.03, 5.0, 0.025])
    theirs = stats.ttest_1samp([0.02, 0.03, 0.025], 0)

    assert (r.baseline, r.baseline_n, r.baseline_mean) == ("none", 0, 0.0)
    assert r.test.p == pytest.approx(theirs.pvalue)


@pytest.mark.parametrize(
    ("kinds", "signals", "reason"),
    [
        (
            ["blank", "high", "blank", "high", "blank"],
            [0.01, 5, 0.02, 5, 0.03],
            "a single blank without carry-over",
        ),
        (
            ["blank", "blank", "high", "blank", "high", "blank"],
            [0.01, 0.01, 5, 0.02, 5, 0.02],
            "the blanks show no variation",
        ),
    ],
)
def test_without_interval_says_why(kinds, signals, reason):
    """A single blank on a side, or blanks that do not scatter."""
    r = carry_over(kinds, signals)

    assert (r.carry_over.ci, r.test, r.reason) == (None, None, reason)


def test_refuses_in_a_sentence():
    """No blank after high, high samples that are not high, a low limit without response."""
    with pytest.raises(NotEstimable, match="no blank was measured directly after a high sample"):
        carry_over(["blank", "high"], [0.01, 5.0])
    with pytest.raises(
        NotEstimable, match=("the signals of the high samples are not above those of the blanks")
    ):
        carry_over(["blank", "high", "blank"], [0.01, 0.01, 0.01])
    with pytest.raises(NotEstimable, match="the signal at the quantification limit is not positive"):
        carry_over(KINDS, SIGNALS, response_at_low_limit=0.0)


@pytest.mark.parametrize("scale", [1e-12, 1e12])
def test_the_unit_does_not_matter(scale):
    """Percentages are free of the unit of the signal."""
    plain = carry_over(KINDS, SIGNALS, response_at_low_limit=0.1)
    scaled = carry_over(KINDS, np.array(SIGNALS) * scale, response_at_low_limit=0.1 * scale)

    assert scaled.percent_of_high.value == pytest.approx(plain.percent_of_high.value, rel=1e-9)
