"""Repeatability from samples of different levels, each measured twice."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import stats

PAIRS = [(10.1, 10.4), (20.3, 19.8), (5.02, 5.11), (40.7, 41.9), (15.5, 15.2)]


@pytest.fixture
def duplicates_of(record_of, described):
    """The record of duplicates of a study with these precision runs."""

    def duplicates_of(runs, **more):
        return record_of(described(precision={"runs": runs}, **more)).duplicates

    return duplicates_of


def runs_of(pairs):
    return [{"level": round(float(np.mean(pair))), "concentrations": list(pair)} for pair in pairs]


def test_pairs_of_different_levels_make_one_repeatability(duplicates_of):
    """Root of Σd²/2n, and of relative differences where the scatter is proportional (Nordtest TR 537)."""
    found = duplicates_of(runs_of(PAIRS))

    table = np.array(PAIRS)
    d, mean = table[:, 0] - table[:, 1], table.mean(axis=1)
    s = np.sqrt((d**2).sum() / 10)
    assert (found.pairs, found.repeatability_sd.degrees_of_freedom) == (5, 5)
    assert found.repeatability_sd.value == pytest.approx(s, rel=1e-9)
    assert found.repeatability_rsd.value == pytest.approx(
        100 * np.sqrt(((d / mean) ** 2).sum() / 10), rel=1e-9
    )
    assert found.repeatability_limit == pytest.approx(2.8 * s)
    limits = s * np.sqrt(5 / stats.chi2.ppf([0.975, 0.025], 5))
    assert found.repeatability_sd.ci == pytest.approx(limits, rel=1e-9)


def test_levels_with_more_results_are_left_to_themselves(duplicates_of):
    """Only levels that hold a single pair need the others; one pair alone is no series of duplicates."""
    more = {"level": 100, "concentrations": [100.0, 101.0, 99.0]}

    assert duplicates_of([*runs_of(PAIRS[:2]), more]).pairs == 2
    assert duplicates_of([*runs_of(PAIRS[:1]), more]) is None


def test_two_readings_of_one_preparation_are_no_duplicates(duplicates_of):
    """Repeated readings say nothing of the repeatability of the method."""
    runs = [run | {"preparation": "repeated_reading"} for run in runs_of(PAIRS)]

    assert duplicates_of(runs) is None


def test_signals_that_cannot_be_read_make_no_duplicates(duplicates_of):
    """Without a calibration signals stay signals; the levels say so themselves."""
    runs = [{"level": run["level"], "signals": run["concentrations"]} for run in runs_of(PAIRS)]

    assert duplicates_of(runs) is None


def test_duplicates_of_precision_runs_serve_the_uncertainty(record_of, described):
    """Within-laboratory reproducibility from duplicates: of precision runs where no comparison holds any."""
    found = record_of(
        described(precision={"runs": runs_of(PAIRS)}, uncertainty={"within_laboratory": "from duplicates"})
    )

    part = found.uncertainty.within_laboratory
    assert (part.n, part.relative) == (5, True)
    assert part.standard_uncertainty == pytest.approx(found.duplicates.repeatability_rsd.value, rel=1e-9)
    assert "between-batch variation is not included" in part.note
