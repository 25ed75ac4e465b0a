"""What a criterion means: the ideal method meets all that can be written, one far off meets none."""

from __future__ import annotations

import pytest
from pydantic import ValidationError

from validator.assessment.finding import finding, limits_of
from validator.assessment.observation import Effect, Observation
from validator.characteristics.order import CHARACTERISTICS
from validator.evaluation.results import EstimateRecord
from validator.evaluation.rows import Cell
from validator.study.models.analysis import AnalysisChoices
from validator.study.models.criteria import Criterion

LIMIT = {"%": 10.0, "1": 0.1, "level": 2.0, "signal": 0.5, "slope": 3.0, "": 1.0}
FAR = 10.0


def criteria(characteristic):
    """Every single limit that a criterion on *characteristic* can state, with the deviation it allows."""
    meaning = CHARACTERISTICS[characteristic]
    allowed = LIMIT[meaning.unit]
    ideal = meaning.ideal or 0.0
    for name in (*meaning.takes, "within"):
        match name:
            case "min" if meaning.ideal is not None:
                yield {"min": ideal - allowed}, allowed
            case "max" if meaning.ideal is not None:
                yield {"max": ideal + allowed}, allowed
            case "within" if meaning.ideal is not None and {"min", "max"} <= set(meaning.takes):
                yield {"within": [ideal - allowed, ideal + allowed]}, allowed
            case "max_change":
                yield {"max_change": allowed}, allowed
            case "rsd_max":
                yield {"rsd_max": 5.0}, 5.0
            case "p_min":
                yield {"p_min": 0.05}, 0.05


CASES = [
    pytest.param(name, limits, allowed, id=f"{name}:{'-'.join(limits)}")
    for name in CHARACTERISTICS
    for limits, allowed in criteria(name)
]


def outcomes(characteristic, limits, deviation):
    criterion = Criterion.model_validate({"characteristic": characteristic, **limits})
    for names, limit in limits_of(criterion):
        observation = observed(CHARACTERISTICS[characteristic], names, deviation)
        made = finding(
            observation,
            limit,
            characteristic=characteristic,
            cell=Cell("x", "default"),
            criterion="",
            choices=AnalysisChoices(),
            rule="guarded",
            ideal=None if {"p_min", "rsd_max"} & set(names) else CHARACTERISTICS[characteristic].ideal,
        )
        yield made


def observed(meaning, names, deviation):
    """The result of a method that deviates from the ideal by so much, well known."""
    if "p_min" in names:
        p = 1.0 if deviation == 0 else 1e-9
        effect = Effect("the effect", deviation, deviation, (-15.0, 15.0))
        return Observation(estimate=EstimateRecord(value=p), kind="probability", effects=(effect,))
    value = deviation if "rsd_max" in names else (meaning.ideal or 0.0) + deviation
    return Observation(estimate=EstimateRecord(value=value, ci=(value, value), one_sided=(value, value)))


@pytest.mark.parametrize(("characteristic", "limits", "allowed"), CASES)
def test_the_ideal_method_meets_every_criterion(characteristic, limits, allowed):
    """No bias, no scatter, no change, all recovered: met, with the margin of the ideal."""
    for found in outcomes(characteristic, limits, 0.0):
        assert found.outcome == "meets"
        assert found.margin == pytest.approx(1.0)


@pytest.mark.parametrize(("characteristic", "limits", "allowed"), CASES)
def test_a_method_off_by_ten_times_the_limit_meets_none(characteristic, limits, allowed):
    """On the side that the limit is about."""
    away = -FAR * allowed if set(limits) == {"min"} else FAR * allowed
    for found in outcomes(characteristic, limits, away):
        assert found.outcome == "does not meet"
        assert found.margin < 0


def test_every_characteristic_has_a_meaning():
    """The table covers the list, and every limit it names is a key of a criterion."""
    assert {name for one in CHARACTERISTICS.values() for name in one.takes} <= set(Criterion.model_fields)
    assert all(
        one.quantity and one.unit for one in CHARACTERISTICS.values() if {"min", "max"} & set(one.takes)
    )


@pytest.mark.parametrize(
    ("criterion", "advice"),
    [
        ({"characteristic": "stability", "max": 10}, "write min: 90, or max_change: 10"),
        ({"characteristic": "stability", "min": -10, "max": 10}, "write min: 90, or max_change: 10"),
        ({"characteristic": "recovery", "max": 10}, "write min: 90"),
        ({"characteristic": "recovery", "min": 0.85, "max": 1.15}, "did you mean 85 and 115?"),
        (
            {"characteristic": "trueness", "min": 90, "max": 110},
            "write min: -10, or a criterion for recovery",
        ),
        ({"characteristic": "interference", "min": 50}, "write tolerated_ratio_min: 50 with max"),
        ({"characteristic": "detection_limit", "max": -1}, "write max: 1"),
        ({"characteristic": "uncertainty", "max": -1}, "write max: 1"),
        ({"characteristic": "repeatability", "max": -1}, "write max: 1"),
        ({"characteristic": "recovery", "min": 110, "max": 90}, "max must not be smaller than min"),
        ({"characteristic": "recovery", "max_change": 10}, "max_change does not apply to recovery"),
        ({"characteristic": "interference", "tolerated_ratio_min": 10}, "tolerated_ratio_min requires max"),
    ],
)
def test_limits_that_the_ideal_method_misses_are_refused(criterion, advice):
    """With what to write instead; a stated reason lets them stand."""
    with pytest.raises(ValidationError) as caught:
        Criterion.model_validate(criterion)

    assert advice in str(caught.value)


def test_a_reason_lets_an_unusual_limit_stand():
    """A method that must lose a tenth is the laboratory's own affair, said so."""
    asked = {"characteristic": "stability", "max": 90, "reason": "the decay of the tracer is measured"}

    assert Criterion.model_validate(asked).max == 90
