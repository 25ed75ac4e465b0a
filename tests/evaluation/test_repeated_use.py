"""Repeated use of devices from the study to its record."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import stats

from validator.evaluation.results import NotAssessed

SIGNALS = {
    "A": [2.40, 2.38, 2.39, 2.33, 2.31, 2.30],
    "B": [2.46, 2.43, 2.44, 2.41, 2.39, 2.40],
    "C": [2.23, 2.22, 2.17, 2.19, 2.15, 2.12],
}


def uses(signals=SIGNALS, **more):
    return [
        {"device": device, "use": use, "signal": signal, **more}
        for device, values in signals.items()
        for use, signal in enumerate(values, start=1)
    ]


@pytest.fixture
def used(record_of, described):
    """The repeated use record of a study."""

    def used(runs, **more):
        return record_of(described(repeated_use={"runs": runs}, **more)).repeated_use

    return used


def test_scatter_over_the_uses_of_one_device(used):
    """Relative deviations from each device's own mean, pooled."""
    record = used(uses())
    parts = [np.array(values) / np.mean(values) - 1 for values in SIGNALS.values()]
    expected = 100 * np.sqrt(sum((part**2).sum() for part in parts) / 15)

    assert record.rsd.value == pytest.approx(expected, rel=1e-9)
    assert record.rsd.degrees_of_freedom == 15
    assert record.rsd.ci[1] == pytest.approx(expected * np.sqrt(15 / stats.chi2.ppf(0.025, 15)), rel=1e-9)
    assert (record.n, record.devices, record.last_use) == (18, 3, 6)
    rsds = [100 * np.std(values, ddof=1) / np.mean(values) for values in SIGNALS.values()]
    assert [one.rsd for one in record.by_device] == pytest.approx(rsds, rel=1e-9)


def test_devices_are_the_units_of_the_decline(used):
    """The mean of the relative slopes, with a t interval over devices."""
    record = used(uses())
    x = np.arange(1, 7)
    lines = [stats.linregress(x, values) for values in SIGNALS.values()]
    rates = np.array([-100 * line.slope / (line.intercept + line.slope) for line in lines])
    half = stats.t.ppf(0.975, 2) * rates.std(ddof=1) / np.sqrt(3)

    decline = record.decline
    assert decline.decline_per_use.value == pytest.approx(rates.mean(), rel=1e-9)
    assert decline.decline_per_use.ci == pytest.approx((rates.mean() - half, rates.mean() + half), rel=1e-9)
    assert decline.remaining_percent.value == pytest.approx(100 - 5 * rates.mean(), rel=1e-9)
    assert decline.remaining_percent.ci[0] == pytest.approx(100 - 5 * (rates.mean() + half), rel=1e-9)
    assert decline.uses_until_loss.value == pytest.approx(1 + 10 / rates.mean(), rel=1e-9)
    assert decline.shown_uses == 6
    assert decline.extrapolated is True
    assert (decline.loss_percent, decline.loss_by) == (10, "customary")


def test_the_studys_own_limit_says_which_loss_ends_it(used):
    """At least 95 % of the first signal is a loss of 5 %."""
    record = used(uses(), criteria=[{"characteristic": "repeated_use", "min": 95}])

    assert (record.decline.loss_percent, record.decline.loss_by) == (5, "criterion of the study")


def test_a_device_used_once_says_nothing_of_decline(used):
    """It counts among the devices and has no part in the line."""
    record = used([*uses(), {"device": "D", "use": 1, "signal": 2.5}])

    assert record.devices == 4
    assert record.by_device[-1].rsd is None
    assert record.decline == used(uses()).decline
    assert record.rsd == used(uses()).rsd


def test_single_uses_only(used):
    """Neither scatter nor decline can be had from first uses."""
    record = used([{"device": name, "use": 1, "signal": 2.0} for name in "ABC"])

    assert isinstance(record.rsd, NotAssessed)
    assert record.decline.not_assessed == "each device was used only once"


def test_order_of_rows_does_not_matter(used):
    """Uses are put in order before the first and the last are told."""
    assert (
        used(list(reversed(uses({"A": SIGNALS["A"]})))).by_device == used(uses({"A": SIGNALS["A"]})).by_device
    )


def test_an_excluded_signal_stays_in_sight(used):
    """It is listed with its cause, and the scatter with it stands beside."""
    record = used([*uses(), {"device": "A", "use": 7, "signal": 1.0, "excluded": "dropped"}])

    assert record.rsd == used(uses()).rsd
    assert [(one.value, one.cause) for one in record.excluded] == [(1.0, "dropped")]
    assert record.with_excluded.value > record.rsd.value


def test_absent_block(record_of, described):
    """Without runs the characteristic is not assessed."""
    record = record_of(described(precision={"runs": [{"level": 5, "concentrations": [4, 5]}]})).repeated_use

    assert record.not_assessed == "no repeated-use data were provided"
