"""A calibration whose scatter grows, and one that saturates: what the command finds and the dossier says."""

from __future__ import annotations

import html
import json
import re

import numpy as np
import pytest

DONE = 0
GROWING_LEVELS = np.repeat([1.0, 2.0, 5.0, 10.0, 20.0, 50.0, 100.0], 5)
SATURATING_LEVELS = np.repeat([1.0, 2.0, 4.0, 6.0, 8.0, 10.0, 15.0, 20.0, 30.0], 3)


def growing():
    """Signals whose standard deviation is 5 % of them at every level."""
    z = np.random.default_rng(5).standard_normal(GROWING_LEVELS.size)
    return GROWING_LEVELS, np.round(0.2 * GROWING_LEVELS * (1 + 0.05 * z), 6)


def saturating():
    """A straight response up to level 10, which then levels off."""
    x = SATURATING_LEVELS
    above = np.maximum(x - 10, 0.0)
    response = 0.1 * (np.minimum(x, 10.0) + 8 * -np.expm1(-above / 8))
    return x, np.round(response + 0.004 * np.random.default_rng(5).standard_normal(x.size), 4)


@pytest.fixture(scope="module")
def found(folder_with, command, described, tmp_path_factory):
    """Results file and text of the web page that one command writes for a calibration."""

    def found(points, **choices):
        x, y = points
        runs = [{"level": float(a), "signal": float(b)} for a, b in zip(x, y, strict=True)]
        study = described(
            calibration={"runs": runs},
            analysis={"calibration": choices} if choices else {},
            criteria=[{"characteristic": "detection_limit", "max": 50}],
        )
        target = tmp_path_factory.mktemp("written")
        done = command(  # without precision and trueness nothing is demonstrated
            *("report", "--always-succeed"),
            folder_with(study),
            *("--output", target / "d.pdf", "--web", target / "d.html", "--results", target / "r.json"),
        )
        assert done.status == DONE, done.err
        page = (target / "d.html").read_text(encoding="utf-8")
        text = re.sub(r"<(style|script|svg).*?</\1>", " ", page, flags=re.DOTALL)
        text = re.sub(r"\s+", " ", html.unescape(re.sub(r"<[^>]+>", " ", text)))
        return json.loads((target / "r.json").read_text(encoding="utf-8")), text

    return found


@pytest.fixture(scope="module")
def weighted(found):
    return found(growing(), weighting="auto")


@pytest.fixture(scope="module")
def bent(found):
    return found(saturating())


def record(results):
    return results["analytes"]["x"]["configurations"]["default"]


def caveat(results, name):
    return next(one for one in results["assessment"]["caveats"] if one["id"] == name)


def test_scatter_in_proportion_gets_weights_by_the_rule(weighted):
    """The rule finds 1/x²; its steps stand in the results, and the dossier prints why."""
    results, text = weighted
    line = record(results)["calibration"]

    assert line["weighting"] == "1/x^2"
    steps = [(step["test"], step["decision"]) for step in line["weighting_path"]]
    assert steps[0] == ("likelihood ratio on level variances", "homogeneity of variances rejected")
    assert (
        "log likelihood, proportional standard deviation",
        "higher of the one-component models",
    ) in steps
    assert "variance form: proportional; weights 1/x^2" in text
    assert "likelihood ratio on level variances" in text
    assert "higher of the one-component models" in text


def test_a_limit_takes_the_scatter_near_zero_not_that_of_the_range(weighted):
    """Without weights the limit of the same points would be higher by a factor beyond 20."""
    results, _ = weighted
    x, y = growing()
    slope, intercept = np.polyfit(x, y, 1)
    residual = np.sqrt(((y - intercept - slope * x) ** 2).sum() / (x.size - 2))
    limit = record(results)["detection"]["variants"]["residual_3.3"]["detection_limit"]["value"]
    factor = 3.3 * residual / slope / limit

    assert factor > 20
    # the lowest standard scatters by 5 % of 1 mg/L: 3.3 times that is the limit
    assert limit == pytest.approx(3.3 * 0.05, rel=0.25)


def test_a_linear_range_stops_where_the_response_does(bent):
    """Straight up to 10, levelling off above: the range ends at 10, by a search that is printed."""
    results, text = bent
    found = record(results)["calibration"]["linear_range"]

    assert (found["lower"], found["upper"]) == (1, 10)
    assert [step["upper"] for step in found["path"]] == [30, 20, 15, 10]
    assert "Mandel" in found["path"][0]["failed"]
    assert found["path"][-1]["failed"] == []
    assert "1 to 10 mg/L" in text


def test_a_second_order_function_is_offered_with_what_it_changes(bent):
    """The parabola is that of the points; the caveat tells both residual standard deviations."""
    results, text = bent
    x, y = saturating()
    coefficients = np.polyfit(x, y, 2)
    residual = np.sqrt(((y - np.polyval(coefficients, x)) ** 2).sum() / (x.size - 3))

    line = record(results)["calibration"]
    offered = line["alternative_quadratic"]

    assert line["model"] == "linear"
    assert offered["quadratic"]["value"] == pytest.approx(coefficients[0], rel=1e-8)
    assert offered["residual_standard_deviation"] == pytest.approx(residual, rel=1e-8)
    said = caveat(results, "second_order_describes_better")["because"]
    assert f"from {line['residual_standard_deviation']:.2g} to {residual:.2g}" in said
    assert re.search(r"the result read from the straight line differs by .*\d %", said)
    assert said in text
