"""Spread between devices from the study to its records."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import stats

from validator.evaluation.results import EstimateRecord, NotAssessed

READINGS = {"A": [5.0, 5.2, 5.1], "B": [5.4, 5.5, 5.3], "C": [4.9, 5.0, 5.1], "D": [5.2, 5.1, 5.4]}


def runs(readings=READINGS, level=5, **more):
    return [
        {"level": level, "device": device, "concentrations": values, **more}
        for device, values in readings.items()
    ]


def uses(signals=((2.40, 2.38), (2.46, 2.43), (2.23, 2.22))):
    return [
        {"device": f"S{i}", "use": use, "signal": signal}
        for i, values in enumerate(signals)
        for use, signal in enumerate(values, start=1)
    ]


@pytest.fixture
def spread(record_of, described):
    """The device-to-device records of a study."""

    def spread(**blocks):
        return record_of(described(**blocks)).device_to_device

    return spread


def test_spread_of_the_means_and_its_components(spread):
    """Means as observed with a chi-squared interval; components from the analysis of variance."""
    (entry,) = spread(precision={"runs": runs()})
    table = np.array(list(READINGS.values()))
    means = table.mean(axis=1)
    within = table.var(axis=1, ddof=1).mean()
    between = means.var(ddof=1) - within / 3

    assert (entry.source, entry.axis, entry.devices, entry.n, entry.level) == (
        "precision",
        "concentration",
        4,
        12,
        5,
    )
    assert entry.device_sd.value == pytest.approx(means.std(ddof=1), rel=1e-9)
    assert entry.device_rsd.value == pytest.approx(100 * means.std(ddof=1) / table.mean(), rel=1e-9)
    upper = entry.device_rsd.value * np.sqrt(3 / stats.chi2.ppf(0.025, 3))
    assert entry.device_rsd.ci[1] == pytest.approx(upper, rel=1e-9)
    assert entry.between_rsd.value == pytest.approx(100 * np.sqrt(between) / table.mean(), rel=1e-9)
    assert entry.within_rsd.value == pytest.approx(100 * np.sqrt(within) / table.mean(), rel=1e-9)
    expected = stats.f_oneway(*table)
    assert entry.test.statistic == pytest.approx(expected.statistic, rel=1e-9)
    assert entry.test.p == pytest.approx(expected.pvalue, rel=1e-9)
    assert [one.device for one in entry.means] == list(READINGS)


def test_each_level_by_itself(spread):
    """Levels come in rising order; one where a single device was used has no record."""
    found = spread(precision={"runs": [*runs(level=9), *runs(), *runs({"A": [1.0, 1.1]}, level=1)]})

    assert [entry.level for entry in found] == [5, 9]


def test_first_uses_serve_where_precision_names_no_device(spread):
    """One signal of each device: only the total spread can be told."""
    (entry,) = spread(repeated_use={"runs": uses()})

    assert (entry.source, entry.axis, entry.devices, entry.n) == ("first uses", "signal", 3, 3)
    first = np.array([2.40, 2.46, 2.23])
    assert entry.device_rsd.value == pytest.approx(100 * first.std(ddof=1) / first.mean(), rel=1e-9)
    assert isinstance(entry.between_rsd, NotAssessed)
    assert isinstance(entry.total_rsd, EstimateRecord)


def test_devices_with_a_day_of_their_own_are_confounded(spread):
    """Device and day cannot be told apart then: it is said, and first uses are taken where there are any."""
    by_day = [{**run, "series": f"P{i}"} for i, run in enumerate(runs())]
    shared = [{**run, "series": "P1"} for run in runs()]

    (alone,) = spread(precision={"runs": by_day})
    (beside,) = spread(precision={"runs": by_day}, repeated_use={"runs": uses()})
    (crossed,) = spread(precision={"runs": shared}, repeated_use={"runs": uses()})

    assert alone.confounded_with == "series or day"
    assert beside.source == "first uses"
    assert (crossed.source, crossed.confounded_with) == ("precision", None)


def test_devices_of_their_own_laboratory_are_confounded_with_it(spread):
    """Each laboratory with its own device: the spread holds that of the laboratories."""
    (entry,) = spread(precision={"runs": [{**run, "laboratory": f"L{i}"} for i, run in enumerate(runs())]})

    assert entry.confounded_with == "laboratory"


def test_an_excluded_reading_stays_in_sight(spread):
    """It is listed with its cause, and the spread with it stands beside."""
    odd = {"level": 5, "device": "E", "concentrations": [9.0], "excluded": "cracked"}

    (entry,) = spread(precision={"runs": [*runs(), odd]})

    assert entry.devices == 4
    assert [(one.value, one.cause) for one in entry.excluded] == [(9.0, "cracked")]
    assert entry.with_excluded.value > entry.device_rsd.value


def test_one_device_or_none(spread):
    """A single device says nothing of others."""
    for given in (runs({"A": [5.0, 5.1]}), [{"level": 5, "concentrations": [5.0, 5.1]}]):
        record = spread(precision={"runs": given})
        assert record.not_assessed == "no data with more than one recorded device were provided"
