"""The study's own criteria on matrix, conditions, time, devices and another method."""

from __future__ import annotations

import pytest

CALIBRATION = [
    {"level": level, "signals": [0.012 + 0.28 * level + off for off in (-0.02, 0.0, 0.025)]}
    for level in (1, 4, 7, 10, 15)
]
BLANKS = [{"signals": [0.010, 0.016, 0.005, 0.012, 0.019, 0.008, 0.011, 0.014, 0.002, 0.013]}]


def matrix(slope):
    return {
        "calibration": {"runs": CALIBRATION},
        "matrix_calibration": {
            "matrix": "canal water",
            "runs": [
                {"level": level, "signals": [slope * level + off for off in (-0.02, 0.0, 0.025)]}
                for level in (1, 4, 7, 10, 15)
            ],
        },
    }


def sequence(after):
    found = [{"kind": "blank", "signal": signal} for signal in (0.010, 0.014, 0.012)]
    for signal in after:
        found += [{"kind": "high", "level": 15, "signal": 4.2}, {"kind": "blank", "signal": signal}]
    blocks = {"calibration": {"runs": CALIBRATION}, "blanks": {"runs": BLANKS}}
    return {**blocks, "carry_over": {"runs": [{"sequence": found}]}}


def devices(offset):
    means = (5.00, 5.05, 4.95, 5.02, 4.98, 5.00 + offset)
    return {
        "precision": {
            "runs": [
                {"level": 5, "device": f"D{i}", "concentrations": [mean - 0.01, mean + 0.01]}
                for i, mean in enumerate(means)
            ]
        }
    }


def stored(last):
    return {
        "stability": {
            "runs": [
                {"condition": "4 °C", "time": time, "time_unit": "d", "level": 8, "found": found}
                for time, found in ((0, [8.0, 8.05, 7.95, 8.02]), (28, last))
            ]
        }
    }


def compared(factor):
    reference = [2.0, 4.1, 6.3, 8.2, 10.5, 12.4]
    noise = [0.01, -0.02, 0.03, -0.01, 0.02, -0.03]
    return {
        "comparison": {
            "runs": [
                {"sample": f"S{i}", "this_method": factor * x + off, "reference_method": x}
                for i, (x, off) in enumerate(zip(reference, noise, strict=True))
            ]
        }
    }


def robust(effect):
    signs = ("+++", "+--", "-+-", "--+")
    return {
        "robustness": {
            "design": "plackett_burman",
            "factors": [{"name": name, "low": 1, "high": 2} for name in ("stirring", "pH", "time")],
            "runs": [
                {
                    "settings": list(run),
                    "result": [10 + (effect if run[0] == "+" else 0) + off for off in (0, 0.02)],
                }
                for run in signs
            ],
        }
    }


def uses(loss):
    return {
        "repeated_use": {
            "runs": [
                {
                    "device": device,
                    "use": use,
                    "signal": start * (1 - loss * (use - 1)) + wobble * (-1) ** use,
                }
                for device, start, wobble in (("A", 2.4, 0.003), ("B", 2.5, 0.004), ("C", 2.3, 0.002))
                for use in range(1, 8)
            ]
        }
    }


@pytest.fixture
def findings(judged, described):
    """The findings on one criterion of a study with the given blocks."""

    def findings(criterion, blocks, **more):
        _, results = judged(described(criteria=[criterion], **blocks, **more))
        return results.assessment.findings

    return findings


@pytest.mark.parametrize(
    ("criterion", "good", "bad"),
    [
        ({"characteristic": "matrix_effect", "max": 15}, matrix(0.28), matrix(0.20)),
        ({"characteristic": "matrix_effect", "min": -15, "max": 15}, matrix(0.28), matrix(0.36)),
        (
            {"characteristic": "carry_over", "max": 400},
            sequence([0.02, 0.021, 0.019]),
            sequence([0.4, 0.5, 0.6]),
        ),
        ({"characteristic": "device_to_device", "rsd_max": 5}, devices(0.02), devices(3.0)),
        ({"characteristic": "device_to_device", "max": 0.3}, devices(0.02), devices(4.0)),
        (
            {"characteristic": "stability", "min": 95},
            stored([8.0, 7.97, 8.04, 8.01]),
            stored([6.0, 6.1, 6.05, 5.9]),
        ),
        (
            {"characteristic": "stability", "max": 105},
            stored([8.0, 7.97, 8.04, 8.01]),
            stored([9.5, 9.6, 9.4, 9.5]),
        ),
        ({"characteristic": "method_comparison", "max": 5}, compared(1.0), compared(0.8)),
        ({"characteristic": "method_comparison", "p_min": 0.05, "max": 5}, compared(1.0), compared(1.2)),
        ({"characteristic": "robustness", "max": 5}, robust(0.01), robust(3.0)),
        ({"characteristic": "robustness", "p_min": 0.01, "max": 5}, robust(0.001), robust(3.0)),
        ({"characteristic": "repeated_use", "rsd_max": 4}, uses(0.001), uses(0.08)),
        ({"characteristic": "repeated_use", "min": 90}, uses(0.001), uses(0.08)),
    ],
)
def test_a_criterion_is_held_against_its_figure(findings, criterion, good, bad):
    """What lies wholly inside meets it, what lies wholly outside does not."""
    inside, outside = findings(criterion, good), findings(criterion, bad)

    assert {one.outcome for one in inside} == {"meets"}
    assert "does not meet" in {one.outcome for one in outside}
    assert {one.characteristic for one in [*inside, *outside]} == {criterion["characteristic"]}


@pytest.mark.parametrize(
    ("characteristic", "p_min", "none", "some"),
    [
        ("method_comparison", 0.05, compared(1.0), compared(1.2)),
        ("robustness", 0.01, robust(0.001), robust(3.0)),
    ],
)
def test_a_p_value_demonstrates_nothing_without_a_tolerable_effect(
    findings, characteristic, p_min, none, some
):
    """Below its limit it is missed; above, the interval of the effect decides, and its bound is declared."""

    def outcomes(blocks, **bounds):
        found = findings({"characteristic": characteristic, "p_min": p_min, **bounds}, blocks)
        return {one.outcome for one in found if one.unit == "p"}

    assert outcomes(none) == {"inconclusive"}
    assert outcomes(none, max=5) == {"meets"}
    assert outcomes(none, max=0.001) == {"inconclusive"}  # the interval is wider than that: no power
    assert "does not meet" in outcomes(some)
    assert "does not meet" in outcomes(some, max=100)


@pytest.mark.parametrize("characteristic", ["matrix_effect", "robustness", "method_comparison"])
def test_max_alone_limits_the_size_of_an_effect(findings, characteristic):
    """An effect of -30 % is not within 10 %, whatever its sign."""
    blocks = {"matrix_effect": matrix(0.19), "robustness": robust(-4), "method_comparison": compared(0.7)}

    found = findings({"characteristic": characteristic, "max": 10}, blocks[characteristic])

    assert "does not meet" in {one.outcome for one in found}
    assert all(one.criterion == "within ±10 %" for one in found)


def test_each_factor_condition_and_matrix_is_named(findings):
    """A criterion that holds for several things says which one a finding is about."""
    effects = findings({"characteristic": "robustness", "max": 5}, robust(0.01))
    kept = findings({"characteristic": "stability", "min": 90}, stored([8.0, 7.9, 8.1, 8.0]))
    matrices = findings({"characteristic": "matrix_effect", "max": 20}, matrix(0.28))

    assert [one.what for one in effects] == ["stirring", "pH", "time"]
    assert [(one.what, one.level) for one in kept] == [("4 °C", 8)]
    assert [one.what for one in matrices] == ["canal water"]


def test_one_sided_limits_are_judged_by_one_sided_bounds(findings):
    """A smallest allowed value is held against the lower bound alone."""
    (found,) = findings({"characteristic": "stability", "min": 95}, stored([8.0, 7.97, 8.04, 8.01]))

    assert found.interval[1] is None
    assert found.interval[0] > 95


def test_carry_over_is_judged_by_its_largest_blank_and_by_its_mean(findings):
    """Every single blank counts, and the mean with its bound where it has one."""
    both = findings({"characteristic": "carry_over", "max": 400}, sequence([0.02, 0.021, 0.019]))
    one = findings({"characteristic": "carry_over", "max": 400}, sequence([0.02]))

    assert [found.what for found in both] == ["largest single blank", "mean of the blanks"]
    assert [found.what for found in one] == ["largest single blank"]


def test_carry_over_without_a_limit_of_quantification_is_open(findings):
    """What it should be held against is named."""
    blocks = {"carry_over": sequence([0.02])["carry_over"]}

    (found,) = findings({"characteristic": "carry_over", "max": 20}, blocks)

    assert found.outcome == "not assessed"
    assert "quantification limit" in found.reason


@pytest.mark.parametrize(
    ("characteristic", "reason"),
    [
        ("matrix_effect", "no calibration in matrix was provided"),
        ("stability", "no stability data were provided"),
        ("carry_over", "no carry-over data were provided"),
        ("method_comparison", "no method comparison data were provided"),
        ("robustness", "no robustness data were provided"),
    ],
)
def test_an_absent_block_leaves_the_criterion_open(findings, characteristic, reason):
    """It is not met and not failed, and the finding says which runs are missing."""
    limit = {"max_change": 10} if characteristic == "stability" else {"max": 10}
    (found,) = findings({"characteristic": characteristic, **limit}, {"calibration": {"runs": CALIBRATION}})

    assert found.outcome == "not assessed"
    assert found.reason == reason


def test_reproducibility_and_intermediate_precision_exclude_each_other(findings):
    """One laboratory has no reproducibility; several laboratories have no intermediate precision."""
    one = {"precision": {"runs": [{"level": 5, "series": s, "concentrations": [5, 5.1]} for s in "abc"]}}
    several = {
        "precision": {"runs": [{"level": 5, "laboratory": s, "concentrations": [5, 5.1]} for s in "abc"]}
    }

    (lone,) = findings({"characteristic": "reproducibility", "rsd_max": 5}, one)
    (wide,) = findings({"characteristic": "intermediate_precision", "rsd_max": 5}, several)

    assert lone.reason == "all results come from one laboratory"
    assert wide.reason == (
        "the results are grouped by laboratory, so the between-group variation is reproducibility"
    )
