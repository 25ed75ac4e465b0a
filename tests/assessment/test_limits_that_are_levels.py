"""Detection and quantification limits that are tested levels, that nobody chose, or that are not positive."""

from __future__ import annotations

import pytest

from validator.evaluation.results import NotAssessed

from .conftest import study_text
from .test_reach import LINE, runs, spikes

TWELVE = "{preparation: independent, runs: [{signals: %s}]}"
SCATTERED = [round(0.001 * (-1) ** i * (1 + i % 3), 4) for i in range(12)]


def limit(most):
    return f"""
  - {{characteristic: recovery, min: 80, max: 120}}
  - {{characteristic: quantification_limit, max: {most}}}"""


@pytest.fixture
def of_limit(judged):
    """The results, and the finding on the quantification limit, of a study with a calibration and spikes."""

    def of_limit(most, **parts):
        text = study_text(
            {
                "calibration": LINE,
                "recovery": runs(spikes((0, 2), (0, 10))),
                "criteria": limit(most),
                **parts,
            }
        )
        _, results = judged(text)
        (found,) = [
            one for one in results.assessment.findings if one.characteristic == "quantification_limit"
        ]
        return results, found

    return of_limit


def declared(variant):
    return f"{{decision_rule: guarded, quantification_limit: {{variant: {variant}}}}}"


@pytest.mark.parametrize(("variant", "value"), [("lowest_validated_level", 2), ("lower_linear_limit", 1)])
@pytest.mark.parametrize(("share", "outcome"), [(1.5, "meets"), (1.0, "meets"), (0.9, "does not meet")])
def test_a_chosen_level_is_compared_as_it_is(of_limit, variant, value, share, outcome):
    """It has no sampling interval: under guarded acceptance the level decides, and the finding says so."""
    _, found = of_limit(value * share, analysis=declared(variant))

    assert (found.observed, found.outcome) == (value, outcome)
    assert "compared as it is" in found.reason


def test_a_limit_by_an_approach_nobody_chose_meets_by_all_or_not_at_all(of_limit):
    """Ten times the blanks' deviation is far below 1.5; the lowest validated level is 2 and exceeds it."""
    # a standard at 0.2 stands below the limit of the blanks, 0.23
    low = LINE.replace(
        "{level: 1, signals: [0.1010, 0.0990, 0.1000]}", "{level: 0.2, signals: [0.0205, 0.0195, 0.02]}"
    )
    blanks = {"blanks": TWELVE % SCATTERED, "calibration": low}
    assert low != LINE
    _, found = of_limit(1.5, **blanks)
    _, chosen = of_limit(1.5, **blanks, analysis=declared("blank_3s"))
    _, wide = of_limit(2.5, **blanks)

    assert found.observed < 1.5
    assert found.outcome == "inconclusive"
    assert "Lowest validated level" in found.reason
    assert "declared" in found.needs
    assert chosen.outcome == wide.outcome == "meets"


def test_a_limit_that_is_not_positive_is_none(of_limit):
    """Blanks far below the intercept give a mean + 10 s below zero: no limit, with reason and remedy."""
    below = [value - 1 for value in SCATTERED]
    results, found = of_limit(1.5, blanks=TWELVE % below, analysis=declared("blank_mean_3s"))

    record = results.analytes["x"].configurations["default"].detection.quantification_limit
    assert isinstance(record, NotAssessed)
    assert "not positive" in record.not_assessed
    assert found.outcome == "not assessed"
    assert found.needs
