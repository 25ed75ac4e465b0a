"""Blanks beside the quantification limit."""

from __future__ import annotations

import numpy as np
import pytest

CALIBRATION = [
    {"level": level, "signals": [0.01 + 0.3 * level + off for off in (-0.02, 0.0, 0.025)]}
    for level in (1, 4, 7, 10, 15)
]
SIGNALS = [0.010, 0.016, 0.005, 0.012, 0.019, 0.008, 0.011, 0.014, 0.002, 0.030]


@pytest.fixture
def response(record_of, described):
    """The whole record of a study with a calibration and these blanks."""

    def response(blanks, **more):
        return record_of(described(calibration={"runs": CALIBRATION}, blanks={"runs": blanks}, **more))

    return response


def test_blanks_in_percent_of_the_limit(response):
    """Each signal is read as a result and divided by the declared quantification limit."""
    record = response([{"signals": SIGNALS}])
    line, limit = record.calibration, record.detection.quantification_limit.value
    read = (np.array(SIGNALS) - line.intercept.value) / line.slope.value

    assert record.blank_response.percent_of_limit.value == pytest.approx(100 * read.mean() / limit, rel=1e-9)
    assert record.blank_response.largest_percent == pytest.approx(100 * read.max() / limit, rel=1e-9)
    assert (record.blank_response.kind, record.blank_response.n) == ("any", 10)


def test_blanks_of_the_matrix_count_alone(response):
    """Reagent blanks say nothing of the matrix."""
    record = response([{"signals": SIGNALS, "kind": "matrix"}, {"signals": [0.9, 0.8], "kind": "reagent"}])

    assert (record.blank_response.kind, record.blank_response.n) == ("matrix", 10)


def test_a_blank_below_a_limit_counts_as_that_limit(response):
    """The cautious reading: it cannot be larger."""
    plain = response([{"signals": SIGNALS}])
    censored = response(
        [{"signals": SIGNALS}, {"signals": ["<0.5"]}],
        analysis={"detection_limit": {"variant": "residual_3.3"}},
    )

    assert plain.blank_response.censored == 0
    assert censored.blank_response.censored == 1
    line, limit = censored.calibration, censored.detection.quantification_limit.value
    largest = 100 * (0.5 - line.intercept.value) / line.slope.value / limit
    assert censored.blank_response.largest_percent == pytest.approx(largest, rel=1e-9)


def test_without_blanks_or_limit_there_is_none(record_of, described):
    """The record is left out of the file then."""
    assert record_of(described(calibration={"runs": CALIBRATION})).blank_response is None
    assert record_of(described(blanks={"runs": [{"signals": SIGNALS}]})).blank_response is None
