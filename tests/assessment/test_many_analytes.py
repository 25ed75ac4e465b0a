"""Studies of hundreds of analytes: assessed as those of one, each analyte by what speaks of it."""

from __future__ import annotations

import pytest

from validator.assessment.verdict import held_back
from validator.evaluation.results import Caveat, Finding

LEVELS = (1.0, 2.0, 4.0, 6.0, 8.0, 10.0)


def curved(count):
    """Analytes and calibrations that bend and miss the origin: nearly every test is significant."""
    analytes = [
        {"id": f"a{i}", "name": f"analyte {i}", "unit": "mg/L", "signal": "signal", "signal_unit": "1"}
        for i in range(count)
    ]
    runs = [
        {"analyte": f"a{i}", "level": x, "signals": [round(0.5 + 0.1 * x - 0.003 * x * x + e, 6)]}
        for i in range(count)
        for x in LEVELS
        for e in (-0.001, 0.0005, 0.0005 + 1e-5 * i)
    ]
    return analytes, {"runs": runs}


def test_thousands_of_tests_are_counted(described, judged):
    """Where 2 000 tests were made and hundreds are significant, chance is ruled out, not overflown."""
    analytes, calibration = curved(150)
    _, results = judged(described(analytes=analytes, calibration=calibration))

    p = [one.configurations["default"].calibration.intercept_test.p for one in results.analytes.values()]
    assert sum(value < 0.05 for value in p) == 150
    assert not [one for one in results.assessment.caveats if one.id == "many_tests"]


def test_a_criterion_on_another_analyte_raises_nothing_here(described, judged):
    """A claimed limit of one analyte makes no caveat on the limits of its neighbour."""
    analytes, calibration = curved(2)
    criteria = [{"characteristic": "quantification_limit", "max": 9, "analyte": "a1"}]
    analysis = {"per_analyte": {"a1": {"quantification_limit": {"variant": "residual_3.3"}}}}
    _, results = judged(
        described(analytes=analytes, calibration=calibration, criteria=criteria, analysis=analysis)
    )

    on_limits = {one.analyte for one in results.assessment.caveats if "limit" in one.characteristic}
    assert on_limits == {"a1"}


def stop(characteristic, analyte, title, configuration="default"):
    return Caveat(
        id="x", severity="stop", characteristic=characteristic, analyte=analyte, text="", because="",
        remedy="", sources=(), title=title, configuration=configuration if analyte else None,
    )  # fmt: skip


@pytest.mark.parametrize(
    ("caveat", "outcome"),
    [
        (stop("recovery", "a", "own"), "inconclusive"),
        (stop("recovery", None, "on all"), "inconclusive"),
        (stop("recovery", "b", "on another"), "meets"),
        (stop("precision", "a", "of another figure"), "meets"),
        (stop("recovery", "a", "of another configuration", configuration="second"), "meets"),
    ],
)
def test_a_stop_holds_back_what_it_speaks_of(caveat, outcome):
    """A finding that meets is held back by a stop on its own characteristic, analyte and configuration."""
    finding = Finding(
        characteristic="recovery", analyte="a", configuration="default", criterion="", source="",
        observed=100.0, interval=None, outcome="meets", decision_rule="guarded",
    )  # fmt: skip

    (held,) = held_back([finding], [caveat])

    assert held.outcome == outcome
    assert (held.reason or "").endswith(caveat.title if outcome == "inconclusive" else "")
