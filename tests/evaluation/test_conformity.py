"""Statements of conformity where a first-order budget does not stand."""

from __future__ import annotations

import numpy as np
import pytest

from validator import evaluate


def test_a_refuted_budget_does_not_decide(described, study_of):
    """u(b) of 20 %: the budget gives 96 %, "conforming"; the draws 91 %, no statement at 5 % of risk."""
    study = described(
        analytes=[
            {
                "id": "x",
                "name": "x",
                "unit": "mg/L",
                "signal": "signal",
                "signal_unit": "1",
                "legal_limit": 1.36,
            }
        ],
        analysis={"decision_rule": "guarded"},
        uncertainty={
            "model": "a/b",
            "result_unit": "mg/L",
            "quantities": [
                {"name": "a", "value": 10, "uncertainty": 0.2},
                {"name": "b", "value": 10, "uncertainty": 2.0},
            ],
            "conformity": {"max_risk": 0.05},
        },
    )

    results = evaluate(study_of(study))

    (entry,) = results.analytes["x"].configurations["default"].uncertainty.conformity
    # 4 million own draws of a normal over a normal gave 0.907
    assert entry.result.conformance_probability == pytest.approx(0.907, abs=0.002)
    assert (entry.result.outcome, entry.result.by, entry.by) == ("inconclusive", "simulation", "simulation")
    draws = np.random.default_rng(1).standard_normal((2, 400_000))
    error = (10 + 0.2 * draws[0]) / (10 + 2 * draws[1]) - 1
    assert entry.guard_band == pytest.approx(np.quantile(error, 0.95), rel=0.02)
