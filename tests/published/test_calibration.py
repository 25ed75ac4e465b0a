"""Calibration against published figures. Each data file names its source and whether its text was seen."""

from __future__ import annotations

import math
from fractions import Fraction
from pathlib import Path

import numpy as np
import pytest
import yaml

from validator.statistics.distributions import f_quantile, t_two_sided
from validator.statistics.errors_in_variables import york
from validator.statistics.inverse_prediction import inverse_prediction
from validator.statistics.linearity import lack_of_fit, mandel, method_standard_deviation
from validator.statistics.regression import fit
from validator.statistics.residuals import brown_forsythe, durbin_watson, shapiro_wilk
from validator.statistics.standard_addition import standard_addition
from validator.statistics.weighting import weights_for

DATA = Path(__file__).parent / "data"


def case(name):
    return yaml.safe_load((DATA / f"{name}.yaml").read_text(encoding="utf-8"))


def numbers(published):
    return {key: float(text) for key, text in published.items() if isinstance(text, str)}


def half_a_unit(text):
    """Half a unit of the last printed digit."""
    mantissa, _, exponent = text.upper().partition("E")
    decimals = len(mantissa.partition(".")[2])
    return 0.5 * 10.0 ** (int(exponent or 0) - decimals)


def agrees(value, text):
    """*value* rounds to the printed *text* (a hair is left for the rounding of half a unit itself)."""
    return abs(value - float(text)) <= half_a_unit(text) * (1 + 1e-6)


@pytest.mark.parametrize(
    ("name", "model"),
    [
        ("Norris", "linear"),
        ("Pontius", "quadratic"),
        ("NoInt1", "linear_through_origin"),
        ("NoInt2", "linear_through_origin"),
    ],
)
def test_nist_linear_sets_agree_to_nine_digits(name, model):
    """NIST StRD linear least squares: coefficients, standard errors, residual sd and R², 1e-9 relative."""
    nist = case(f"nist_linreg_{name}")
    certified = numbers(nist["published"])

    found = fit(nist["inputs"]["x"], nist["inputs"]["y"], model=model)

    coefficients = {
        "linear": [found.intercept, found.slope],
        "quadratic": [found.intercept, found.slope, found.quadratic],
        "linear_through_origin": [found.slope],
    }[model]
    ours = {"resid_sd": found.residual_standard_deviation, "R2": found.r_squared}
    for i, coefficient in enumerate(coefficients):
        ours |= {f"coef{i}": coefficient.value, f"se{i}": coefficient.standard_error}
    assert ours == pytest.approx(certified, rel=1e-9, abs=0)


def test_fluorescein_line_and_its_intervals():
    """Miller & Miller, examples 5.3.1 to 5.6.1: line, standard errors, intervals, levels of three samples."""
    book = case("cal_fluorescein_ols")
    tolerance = book["tolerance"]
    found = fit(book["inputs"]["x_pg_per_ml"], book["inputs"]["y"])
    t = t_two_sided(0.95, found.degrees_of_freedom)

    ours = {
        "b": found.slope.value,
        "a": found.intercept.value,
        "r": found.correlation,
        "s_y_x": found.residual_standard_deviation,
        "s_b": found.slope.standard_error,
        "s_a": found.intercept.standard_error,
        "t_95_5df": t,
        "ci_b_half": (found.slope.interval.upper - found.slope.interval.lower) / 2,
        "ci_a_half": (found.intercept.interval.upper - found.intercept.interval.lower) / 2,
        "LOD_3s_yx": 3 * found.residual_standard_deviation / found.slope.value,
    }
    for signal in (2.9, 13.5, 23.0):
        sample = inverse_prediction(found, signal)
        ours[f"x0_y{signal}"] = sample.value
        ours[f"s_x0_y{signal}_m1"] = sample.standard_error
        ours[f"ci_x0_y{signal}"] = t * sample.standard_error

    published = numbers(book["published"])
    assert ours.keys() == published.keys() == tolerance.keys()
    for key, value in ours.items():
        assert value == pytest.approx(published[key], rel=0, abs=tolerance[key]), key


def test_nitrite_calibration_of_iso_8466():
    """ISO 8466-1:1990, annex (from memory): line, s_y, s_x0, V_x0, and no curvature at 99 %."""
    standard = case("cal_iso8466_nitrite_mandel")
    found = fit(standard["inputs"]["x"], standard["inputs"]["y"])
    spread = method_standard_deviation(found)

    ours = {
        "b": found.slope.value,
        "a": found.intercept.value,
        "s_y": found.residual_standard_deviation,
        "s_x0": spread.value,
        "V_x0_pct": spread.relative_percent,
    }
    for key, text in standard["published"].items():
        assert ours[key] == pytest.approx(float(text), rel=0, abs=standard["tolerance"][key]), key
    test = mandel(found)
    assert test.df == (1, 7)
    assert test.critical == pytest.approx(12.25, abs=0.005)  # F(0.99; 1, 7), printed tables
    assert test.statistic < test.critical


def test_uncertainty_of_a_cadmium_reading():
    """Eurachem/CITAC CG 4, 3rd ed. 2012, example A5: line, residual sd, and u(c0) of two readings."""
    guide = case("cal_quam_A5_cadmium")
    inputs = guide["inputs"]
    found = fit(inputs["conc_mg_per_l"], inputs["absorbance"])
    signal = float(found.predict(inputs["c0"]))

    reading = inverse_prediction(found, signal, m=inputs["p"])

    ours = {
        "B1": found.slope.value,
        "s_B1": found.slope.standard_error,
        "B0": found.intercept.value,
        "s_B0": found.intercept.standard_error,
        "S_residual": found.residual_standard_deviation,
        "r": found.correlation,
        "Sxx": found.s_xx,
        "u_c0": reading.standard_error,
    }
    assert ours.keys() == guide["published"].keys()
    for key, text in guide["published"].items():
        assert ours[key] == pytest.approx(float(text), rel=0, abs=guide["tolerance"][key]), key
    assert reading.value == pytest.approx(inputs["c0"], rel=1e-12)


def test_line_and_sample_of_a_textbook():
    """Harvey, Analytical Chemistry 2.1, section 5.4: slope, intercept, level and its standard deviation."""
    book = case("cal_harvey_5_9")
    found = fit(book["inputs"]["x"], book["inputs"]["y"])
    sample = inverse_prediction(found, np.mean(book["inputs"]["sample"]), m=3)

    assert agrees(found.slope.value, book["published"]["slope"])
    assert agrees(found.intercept.value, book["published"]["intercept"])
    assert agrees(sample.value, book["published"]["x0"])
    assert agrees(sample.standard_error, book["published"]["s_x0"])


def test_weights_of_a_textbook():
    """Harvey, Modern Analytical Chemistry, example 5.13: weights n s⁻²/Σs⁻² and the weighted sums as printed.

    The printed slope follows from the printed, rounded sums; ours follows from the same formula unrounded.
    """
    book = case("cal_weighted_example_5_13")
    x, y, s = (np.array(book["inputs"][key]) for key in ("x", "y", "s"))
    printed = book["published"]

    weighting = weights_for(x, y, "1/s^2", signal_sd=s)
    found = fit(x, y, weights=weighting.weights)

    def sums(w):
        return {"sum_wx": w @ x, "sum_wy": w @ y, "sum_wxx": w @ x**2, "sum_wxy": w @ (x * y)}

    assert all(agrees(value, text) for value, text in zip(found.weights, printed["weights"], strict=True))
    # The book adds six products of rounded weights, each rounded to four decimals.
    for key, value in sums(np.round(found.weights, 4)).items():
        assert value == pytest.approx(float(printed[key]), rel=0, abs=6 * 0.5e-4), key

    def slope(wx, wy, wxx, wxy):
        return (6 * wxy - wx * wy) / (6 * wxx - wx**2)

    exact = sums(found.weights)
    assert agrees(slope(*(float(printed[key]) for key in exact)), printed["slope"])
    assert found.slope.value == pytest.approx(slope(*exact.values()), rel=1e-10)


def exact_lack_of_fit(x, y):
    """Lack-of-fit F of a line in exact fractions of the decimal data."""
    x, y = [Fraction(int(value)) for value in x], [Fraction(repr(value)) for value in y]
    n, mean_x, mean_y = len(x), sum(x) / len(x), sum(y) / len(y)
    slope = sum((p - mean_x) * (q - mean_y) for p, q in zip(x, y, strict=True))
    slope /= sum((p - mean_x) ** 2 for p in x)
    residuals = [q - mean_y - slope * (p - mean_x) for p, q in zip(x, y, strict=True)]
    lack = pure = Fraction(0)
    for level in set(x):
        group = [r for p, r in zip(x, residuals, strict=True) if p == level]
        mean = sum(group) / len(group)
        lack += len(group) * mean**2
        pure += sum((r - mean) ** 2 for r in group)
    k = len(set(x))
    return float((lack / (k - 2)) / (pure / (n - k)))


def test_lack_of_fit_of_the_load_cell():
    """NIST/SEMATECH e-Handbook, 4.6.1: line rejected (F = 214.7), parabola kept (F = 0.8107).

    The handbook computed in single precision, hence 1e-5 relative; exact fractions decide beyond.
    """
    handbook = case("cal_load_cell_lack_of_fit")["published"]
    data = case("nist_linreg_Pontius")["inputs"]
    line, parabola = fit(data["x"], data["y"]), fit(data["x"], data["y"], model="quadratic")
    of_line, of_parabola = lack_of_fit(line), lack_of_fit(parabola)

    assert line.intercept.value == pytest.approx(float(handbook["line_b0"]), rel=1e-5)
    assert line.slope.value == pytest.approx(float(handbook["line_b1"]), rel=1e-5)
    assert agrees(line.intercept.standard_error, handbook["line_se_b0"])
    assert agrees(line.slope.standard_error, handbook["line_se_b1"])
    assert line.residual_standard_deviation == pytest.approx(float(handbook["line_resid_sd"]), rel=1e-5)
    assert of_line.statistic == pytest.approx(float(handbook["line_lack_of_fit"]), rel=1e-5)
    assert of_line.statistic == pytest.approx(exact_lack_of_fit(data["x"], data["y"]), rel=1e-9)
    assert list(of_line.df) == handbook["line_df"]
    assert agrees(f_quantile(0.95, *of_line.df), handbook["line_critical_5pct"])
    assert of_line.p < 1e-15
    assert agrees(of_parabola.statistic, handbook["parabola_lack_of_fit"])
    assert list(of_parabola.df) == handbook["parabola_df"]
    assert mandel(line).p < 1e-15


def test_york_line_through_pearsons_data():
    """York (1966) and York et al. (2004): slope, intercept, standard errors and scatter of Pearson's data."""
    paper = case("cmp_york_pearson")
    inputs, tolerance = paper["inputs"], paper["tolerance"]
    found = york(
        inputs["x"],
        inputs["y"],
        u_x=np.array(inputs["weight_x"]) ** -0.5,
        u_y=np.array(inputs["weight_y"]) ** -0.5,
    )

    ours = {
        "a": found.intercept.value,
        "b": found.slope.value,
        "se_a_scaled": found.intercept.standard_error,
        "se_b_scaled": found.slope.standard_error,
        "sqrt_reduced_chi2": math.sqrt(found.reduced_chi_squared),
    }
    for key, text in paper["published"].items():
        assert ours[key] == pytest.approx(float(text), rel=0, abs=tolerance[key]), key
    assert agrees(found.intercept_standard_uncertainty, "0.295")
    assert agrees(found.slope_standard_uncertainty, "0.058")


def test_iron_by_standard_addition():
    """Skoog, Holler, Crouch, 6th ed., example 1-11 (from memory): content and its standard deviation.

    The formula: IUPAC Compendium of Terminology in Analytical Chemistry, 2023, entry 1.150.
    """
    book = case("add_iron_water")
    inputs, printed = book["inputs"], book["published"]
    per_ml = inputs["standard_ppm"] / inputs["total_ml"]

    found = standard_addition(
        np.array(inputs["added_ml"]) * per_ml,
        inputs["absorbance"],
        dilution_factor=inputs["total_ml"] / inputs["sample_ml"],
    )

    assert agrees(found.fit.slope.value * per_ml, printed["slope_per_ml"])
    assert agrees(found.fit.intercept.value, printed["intercept"])
    assert agrees(found.concentration.value, printed["concentration_ppm"])
    assert agrees(found.concentration.standard_error, printed["s_ppm"])


def test_brown_forsythe_of_gear_diameters():
    """NIST/SEMATECH e-Handbook, 1.3.5.10 (from memory): W = 1.7059 with 9 and 90 degrees of freedom."""
    handbook = case("tests_gear_diameter")
    batches = np.array(handbook["inputs"]["batches"])
    test = brown_forsythe(np.repeat(np.arange(10), 10), batches.ravel())

    assert agrees(test.statistic, handbook["published"]["levene_median"])
    assert list(test.df) == handbook["published"]["df"]


def test_shapiro_wilk_of_eleven_weights():
    """Shapiro & Wilk (1965), section 4 (from memory): W = 0.79; p by Royston's algorithm."""
    paper = case("tests_shapiro_weights")
    test = shapiro_wilk(paper["inputs"]["x"])

    assert agrees(test.statistic, paper["published"]["W"])
    assert agrees(test.p, paper["published"]["p"])


@pytest.mark.parametrize(
    ("n", "lower", "upper"), [(15, 1.08, 1.36), (20, 1.20, 1.41), (30, 1.35, 1.49), (50, 1.50, 1.59)]
)
def test_durbin_watson_p_respects_the_printed_bounds(n, lower, upper):
    """Durbin & Watson (1951), 5 % bounds for one regressor (from memory): p is 10 % two-sided between them.

    The exact critical value for given levels lies between the printed bounds, so at d below the lower one p
    is significant and above the upper one it is not.
    """
    x = np.arange(n, dtype=float)
    rng = np.random.default_rng(5)
    below = above = 0
    for _ in range(400):
        noise = rng.standard_normal(n)
        noise = noise + 0.4 * np.concatenate(([0.0], noise[:-1]))
        test = durbin_watson(fit(x, x + noise), np.arange(n))
        if test.statistic < lower:
            below += 1
            assert test.p < 0.10
        elif upper < test.statistic < 2:
            above += 1
            assert test.p > 0.10
    assert below > 10
    assert above > 10
