"""Decline with use."""

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from validator.errors import NotEstimable
from validator.statistics.repeated_use import repeated_use

USE = np.arange(1.0, 11.0)
SIGNAL = np.array([10.02, 9.91, 9.87, 9.78, 9.73, 9.63, 9.59, 9.50, 9.46, 9.35])


def test_uses_until_loss_is_an_inverse_prediction():
    """The line has lost 10 % of the first use at U; the limits come from those of the decline."""
    r = repeated_use(USE, SIGNAL)

    slope, intercept = np.polyfit(USE - 1, SIGNAL, 1)
    assert r.decline_per_use.value == pytest.approx(-100 * slope / intercept)
    assert r.uses_until_loss.value == pytest.approx(1 - 0.1 * intercept / slope)
    assert r.uses_until_loss.ci[0] == pytest.approx(1 + 10 / r.decline_per_use.ci[1])
    assert r.uses_until_loss.ci[1] == pytest.approx(1 + 10 / r.decline_per_use.ci[0])
    assert r.uses_until_loss.ci[0] < r.uses_at_least < r.uses_until_loss.value
    assert r.remaining_percent.value == pytest.approx(100 - 9 * r.decline_per_use.value)
    assert r.remaining_percent.ci[0] == pytest.approx(100 - 9 * r.decline_per_use.ci[1])


def test_one_sided_bounds_are_the_ends_at_a_lower_level():
    """Both one-sided bounds at 95 % are the ends of the interval at 90 %."""
    at_95, at_90 = (repeated_use(USE, SIGNAL, confidence=level).uses_until_loss for level in (0.95, 0.9))

    assert at_95.one_sided == pytest.approx(at_90.ci)
    assert at_95.ci[0] < at_90.ci[0]


def test_whole_uses():
    """Shown uses are whole and not above the last use tested."""
    r = repeated_use(USE, SIGNAL)

    assert (r.shown_uses, r.extrapolated) == (10, True)
    early = repeated_use(USE, SIGNAL, loss_percent=3)
    assert (early.shown_uses, early.extrapolated) == (math.floor(early.uses_at_least), False)


def test_a_signal_that_rises_has_no_end():
    """No decline: no number of uses, and why; what was tested is what is shown."""
    r = repeated_use(USE, SIGNAL[::-1])

    assert (r.uses_until_loss, r.extrapolated) == (None, None)
    assert r.reason == "the signal does not decline with use"
    assert (r.uses_at_least, r.shown_uses) == (None, 10)


def test_a_decline_that_is_not_shown_has_an_open_end():
    """An insignificant decline: the interval is open above, the lower limit still holds."""
    signal = [10.0, 9.7, 10.2, 9.8, 10.1, 9.8]
    r = repeated_use(np.arange(1, 7), signal)

    assert r.uses_until_loss.ci[1] is None
    assert 1 < r.uses_at_least < r.uses_until_loss.value


def test_devices_are_the_units_unless_pooled():
    """Three devices: ν = 2; pooled: every signal counts, and the same decline is assumed."""
    rng = np.random.default_rng(4)
    use, device = np.tile(USE, 3), np.repeat(["a", "b", "c"], 10)
    signal = np.tile(SIGNAL, 3) * np.repeat([1.0, 1.3, 0.8], 10) + rng.normal(0, 0.02, 30)

    units = repeated_use(use, signal, device.tolist())
    pooled = repeated_use(use, signal, device.tolist(), across_devices="pooled")

    assert units.decline_per_use.degrees_of_freedom == 2
    assert pooled.decline_per_use.degrees_of_freedom == 30 - 3 - 1
    assert units.decline_per_use.value == pytest.approx(pooled.decline_per_use.value, rel=0.02)
    assert units.homogeneity == pooled.homogeneity
    assert "devices as independent units" in units.method
    assert "results as independent units" in pooled.method


@given(st.sampled_from([1e-12, 1e-3, 1e12]), st.permutations(list(range(10))))
@settings(deadline=None, max_examples=20)
def test_unit_and_order_do_not_matter(scale, order):
    """Uses until loss are free of the signal unit and of the order of rows."""
    plain, other = repeated_use(USE, SIGNAL), repeated_use(USE[order], SIGNAL[order] * scale)

    assert other.uses_until_loss.value == pytest.approx(plain.uses_until_loss.value, rel=1e-8)
    assert other.uses_at_least == pytest.approx(plain.uses_at_least, rel=1e-6)


def test_refuses_in_a_sentence():
    """Too few uses; a loss that is not positive is the caller's error."""
    with pytest.raises(NotEstimable, match="2 results; needs at least 3"):
        repeated_use([1, 2], [10.0, 9.0])
    with pytest.raises(ValueError, match="stated loss must be positive"):
        repeated_use(USE, SIGNAL, loss_percent=0)


def _missed(results, truth):
    """Share of studies whose lower limit promises more uses than there are."""
    return np.mean([r.uses_at_least is None or r.uses_at_least > truth for r in results])


def test_lower_limit_for_one_device_keeps_its_promise():
    """10⁴ devices with a true end at use 21: the lower limit is above it in 4 to 6 %."""
    rng = np.random.default_rng(16)
    data = 5 * (1 - 0.005 * (USE - 1)) + rng.normal(0, 0.05, (10_000, 10))

    assert 0.04 <= _missed([repeated_use(USE, row) for row in data], 21.0) <= 0.06


def test_lower_limit_over_devices_keeps_its_promise_where_pooling_does_not():
    """3000 studies of 5 devices that decline unlike each other: 3 to 7 % missed; pooled misses far more."""
    rng = np.random.default_rng(17)
    use, device = np.tile(USE, 5), np.repeat(np.arange(5), 10).tolist()
    decline = np.repeat(rng.normal(0.005, 0.002, (3000, 5)), 10, axis=1)
    data = 5 * (1 - decline * (use - 1)) + rng.normal(0, 0.02, (3000, 50))

    units = [repeated_use(use, row, device) for row in data]
    pooled = [repeated_use(use, row, device, across_devices="pooled") for row in data]

    assert 0.03 <= _missed(units, 21.0) <= 0.07
    assert _missed(pooled, 21.0) > 0.15
