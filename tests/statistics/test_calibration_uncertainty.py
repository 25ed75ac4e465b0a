"""Contribution of a calibration to the uncertainty of a result."""

from __future__ import annotations

import math

import pytest

from validator.errors import NotEstimable
from validator.statistics.input_quantity import from_statement
from validator.statistics.inverse_prediction import calibration_contribution, inverse_prediction
from validator.statistics.measurement_model import measurement_model
from validator.statistics.regression import fit
from validator.statistics.uncertainty_budget import combine, propagate

X = [1, 1, 2, 2, 4, 4, 8, 8]
Y = [0.103, 0.098, 0.207, 0.199, 0.394, 0.407, 0.803, 0.795]


@pytest.fixture
def line():
    return fit(X, Y)


def test_contribution_is_that_of_inverse_prediction(line):
    """Its u and ν are those of the inverse prediction; its three terms add up to it."""
    found = calibration_contribution(line, 0.45, m=3, name="c0")
    prediction = inverse_prediction(line, 0.45, m=3)

    assert found.quantity.value == prediction.value
    assert found.quantity.standard_uncertainty == prediction.standard_error
    assert found.row.degrees_of_freedom == len(X) - 2
    assert math.hypot(*(term.contribution for term in found.terms)) == pytest.approx(
        found.row.contribution, rel=1e-12
    )


def test_row_in_a_budget_keeps_the_degrees_of_freedom_of_the_calibration(line):
    """Alone in a budget the calibration has ν = n − 2, not the sum over its terms."""
    found = calibration_contribution(line, 0.45)

    assert combine([found.row]).degrees_of_freedom == pytest.approx(6)


def test_quantity_enters_a_measurement_model(line):
    """A level that is diluted keeps its relative uncertainty, and that of the factor is added."""
    c0 = calibration_contribution(line, 0.45, name="c0").quantity

    budget = propagate(measurement_model("c0 * f"), [c0, from_statement("f", 10.0, 0.1)])

    relative = math.hypot(c0.standard_uncertainty / c0.value, 0.01)
    assert budget.standard_uncertainty == pytest.approx(budget.value * relative)
    assert budget.rows[0].evaluation == "A"


def test_a_line_through_its_points_contributes_nothing_that_can_be_known():
    """Without residual scatter there is no contribution to state."""
    with pytest.raises(NotEstimable):
        calibration_contribution(fit([1, 2, 3], [1, 2, 3]), 1.5)
