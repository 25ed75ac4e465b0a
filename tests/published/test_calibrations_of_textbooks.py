"""Lines, parabolas, weights and standard additions of textbooks, through the command and on the statistics.

Each data file in ``data`` names its source and whether its text was seen; the source is repeated beside each
check.
"""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest
import yaml

from validator.statistics.inverse_prediction import inverse_prediction
from validator.statistics.regression import fit

DATA = Path(__file__).parent / "data"


def case(name):
    return yaml.safe_load((DATA / f"{name}.yaml").read_text(encoding="utf-8"))


def agrees(value, text, tolerance=None):
    """*value* rounds to the printed *text*, or differs by the tolerance that the data file explains."""
    mantissa, _, exponent = text.upper().partition("E")
    half_a_unit = 0.5 * 10.0 ** (int(exponent or 0) - len(mantissa.partition(".")[2]))
    return abs(value - float(text)) <= (tolerance or half_a_unit) * (1 + 1e-6)


@pytest.fixture
def found(folder_with, command, described, tmp_path):
    """What the command finds for the only analyte."""

    def found(**blocks):
        file = tmp_path / "results.json"
        done = command("evaluate", folder_with(described(**blocks)), "--results", file)
        assert done.status == 0, done.err
        return json.loads(file.read_text(encoding="utf-8"))["analytes"]["x"]["configurations"]["default"]

    return found


def runs(x, y, **more):
    """One run a point, with further fields by point."""
    return {
        "runs": [
            {"level": float(a), "signal": float(b), **{name: values[i] for name, values in more.items()}}
            for i, (a, b) in enumerate(zip(x, y, strict=True))
        ]
    }


def test_cadmium_at_ph_4_6(found):
    """Harvey, Analytical Chemistry 2.1, solutions, problem 5.8 (text seen): line, errors, fitted values."""
    book = case("cal_cadmium_ph_4_6")
    printed = book["published"]

    line = found(calibration=runs(book["inputs"]["x"], book["inputs"]["y"]))["calibration"]

    assert agrees(line["slope"]["value"], printed["slope"])
    assert agrees(line["intercept"]["value"], printed["intercept"])
    assert agrees(line["residual_standard_deviation"], printed["s_r"])
    assert agrees(line["slope"]["standard_error"], printed["s_b1"])
    assert agrees(line["intercept"]["standard_error"], printed["s_b0"])
    for point, text in zip(line["points"], printed["fitted"], strict=True):
        assert agrees(point["fitted"], text, book["tolerance"]["fitted"])


def test_weights_from_declared_standard_deviations(found):
    """Miller & Miller, 5th ed., example 5.10.1 (from memory): both lines, the weights, two samples."""
    book = case("cal_weighted_absorbances")
    inputs, printed = book["inputs"], book["published"]
    samples = {
        "runs": [
            {"level": float(level), "signals": [signal, signal]}
            for level, signal in zip(printed["levels"], inputs["samples"], strict=True)
        ]
    }

    weighted = found(
        analysis={"calibration": {"weighting": "1/s^2"}},
        calibration=runs(inputs["x"], inputs["y"], signal_sd=inputs["s"]),
        precision=samples,
    )
    plain = found(calibration=runs(inputs["x"], inputs["y"]))["calibration"]

    line = weighted["calibration"]
    assert agrees(line["slope"]["value"], printed["weighted_slope"])
    assert agrees(line["intercept"]["value"], printed["weighted_intercept"])
    for point, text in zip(line["points"], printed["weights"], strict=True):
        assert agrees(point["weight"], text)
    assert agrees(plain["slope"]["value"], printed["slope"])
    assert agrees(plain["intercept"]["value"], printed["intercept"])
    for entry, text in zip(weighted["precision"], printed["levels"], strict=True):
        assert agrees(entry["mean"]["value"], text)


def test_a_curved_response(found):
    """Miller & Miller, 5th ed., example 5.13.1 (from memory): the line, and the parabola that is offered."""
    book = case("cal_curved_instrument")
    printed = book["published"]
    block = runs(book["inputs"]["x"], book["inputs"]["y"])

    line = found(calibration=block)["calibration"]
    parabola = found(calibration=block, analysis={"calibration": {"model": "quadratic"}})["calibration"]

    for name, text in zip(("intercept", "slope"), printed["line"], strict=True):
        assert agrees(line[name]["value"], text)
    for name, text in zip(("intercept", "slope", "quadratic"), printed["parabola"], strict=True):
        assert agrees(parabola[name]["value"], text)
        assert agrees(line["alternative_quadratic"][name]["value"], text)


def test_fluorescence_of_quinine(found):
    """Massart et al., Handbook of Chemometrics, Part A, section 8.2 (from memory): line and residuals."""
    book = case("cal_quinine")

    line = found(calibration=runs(book["inputs"]["x"], book["inputs"]["y"]))["calibration"]

    assert agrees(line["slope"]["value"], book["published"]["slope"])
    assert agrees(line["intercept"]["value"], book["published"]["intercept"])
    assert agrees(line["residual_standard_deviation"], book["published"]["s_e"])


def test_isooctane_in_a_mixture(found):
    """Skoog et al., Fundamentals, 8th ed., examples 8-4 and 8-5 (from memory): line, level, its errors."""
    book = case("cal_isooctane")
    inputs, printed = book["inputs"], book["published"]
    sample = {"runs": [{"level": 1.1, "signals": [inputs["sample"]] * 2}]}

    record = found(calibration=runs(inputs["x"], inputs["y"]), precision=sample)

    line = record["calibration"]
    assert agrees(line["slope"]["value"], printed["slope"])
    assert agrees(line["intercept"]["value"], printed["intercept"])
    assert agrees(line["residual_standard_deviation"], printed["s_r"])
    assert agrees(line["slope"]["standard_error"], printed["s_m"])
    assert agrees(line["intercept"]["standard_error"], printed["s_b"])
    assert agrees(record["precision"][0]["mean"]["value"], printed["level"])
    fitted = fit(inputs["x"], inputs["y"])
    for m, key in ((1, "s_c_single"), (4, "s_c_of_four")):
        assert agrees(inverse_prediction(fitted, inputs["sample"], m=m).standard_error, printed[key])


def test_additions_to_photographic_waste(found):
    """Miller & Miller, 5th ed., example 5.8.1 (from memory): content, its standard deviation and interval."""
    book = case("add_photographic_waste")
    printed, tolerance = book["published"], book["tolerance"]

    (entry,) = found(standard_addition={"runs": [{"sample": "waste", **book["inputs"]}]})["standard_addition"]

    assert agrees(entry["slope"]["value"], printed["slope"])
    assert agrees(entry["intercept"]["value"], printed["intercept"])
    assert agrees(entry["concentration"]["value"], printed["content"])
    assert agrees(entry["concentration"]["standard_error"], printed["s_content"], tolerance["s_content"])
    # the book's interval is t·s; Fieller's is as wide but not symmetrical
    half_width = np.ptp(entry["concentration"]["ci"]) / 2
    assert agrees(half_width, printed["half_width"], tolerance["half_width"])


def test_additions_to_an_extract_of_chewing_gum(found):
    """A course tutorial (text seen): slope, intercept, residual sd and content with its dilution."""
    book = case("add_aluminium_gum")
    inputs, printed = book["inputs"], book["published"]
    run = {
        "sample": "gum",
        "added": inputs["added_ml"],
        "signals": inputs["signals"],
        "dilution_factor": inputs["dilution"],
    }

    (entry,) = found(standard_addition={"runs": [run]})["standard_addition"]

    assert agrees(entry["slope"]["value"], printed["slope"])
    assert agrees(entry["intercept"]["value"], printed["intercept"])
    assert agrees(entry["concentration"]["value"], printed["content_ppm"])
    assert agrees(entry["residual_standard_deviation"], printed["s_res"])


@pytest.mark.parametrize(
    ("from_t", "published"),
    [
        (20, {"intercept": ("-0.1712", "0.0029"), "slope": ("0.00218", "0.00067")}),
        (30, {"intercept": ("-0.14937681", "0.0041385958")}),
    ],
)
def test_calibration_of_a_thermometer(found, from_t, published):
    """JCGM 100:2008, H.3: corrections at eleven temperatures, on t - 20 °C, and predicted at 30 °C.

    Readings, and the correction at 30 °C with its uncertainty, as a national institute's documentation of a
    fitting library prints them (seen); the coefficients at 20 °C from memory. Levels cannot be negative, so
    the line about 30 °C runs over 30 °C - t with the sign of its slope turned.
    """
    t = [21.521, 22.012, 22.512, 23.003, 23.507, 23.999, 24.513, 25.002, 25.503, 26.010, 26.511]
    b = [-0.171, -0.169, -0.166, -0.159, -0.164, -0.165, -0.156, -0.157, -0.159, -0.161, -0.160]

    line = found(calibration=runs([abs(one - from_t) for one in t], b))["calibration"]

    for name, (value, u) in published.items():
        assert agrees(line[name]["value"], value), name
        assert agrees(line[name]["standard_error"], u), name
    assert line["degrees_of_freedom"] == 9
    assert agrees(line["residual_standard_deviation"], "0.0035")
