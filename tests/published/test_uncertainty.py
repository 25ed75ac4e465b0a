"""Uncertainty against published figures. Each data file names its source and whether its text was seen."""

from __future__ import annotations

import math
from decimal import Decimal
from pathlib import Path

import numpy as np
import pytest
import yaml

from validator.statistics import top_down
from validator.statistics.accuracy_profile import tolerance_intervals
from validator.statistics.conformity import conformance_probability, guard_band
from validator.statistics.input_quantity import (
    correlation_of_readings,
    from_readings,
    from_statement,
    to_standard_uncertainty,
)
from validator.statistics.inverse_prediction import calibration_contribution
from validator.statistics.level_dependence import fit_level_dependence
from validator.statistics.measurement_model import measurement_model
from validator.statistics.monte_carlo import monte_carlo, validate
from validator.statistics.regression import fit
from validator.statistics.uncertainty_budget import BudgetRow, combine, propagate

DATA = Path(__file__).parent / "data"


def case(name):
    return yaml.safe_load((DATA / f"{name}.yaml").read_text(encoding="utf-8"))


def printed(text):
    """Agrees with printed digits: within half a unit of the last one."""
    exponent = Decimal(text).as_tuple().exponent
    return pytest.approx(float(text), abs=0.5000001 * 10.0**exponent)


def standard(inputs):
    """Quantities from a table name -> [value, standard uncertainty]."""
    return [from_statement(name, value, u) for name, (value, u) in inputs.items()]


@pytest.mark.parametrize(
    ("name", "formula", "value", "u"),
    [
        ("unc_quam_A1_cadmium_standard", "1000 * m_mg * P / V_ml", "c_mg_l", "u"),
        ("unc_quam_A2_naoh", "1000 * rep * m_KHP * P / (M * V_T)", "c_mol_l", "u"),
        ("unc_quam_A5_combined", "c0 * V_L / a_V * f_acid * f_time * f_temp", "r_mg_dm2", "u_r"),
    ],
)
def test_eurachem_budgets(name, formula, value, u):
    """Eurachem/CITAC CG 4, Tables A1.1, A2.1 and A5.1 (text seen), tolerances of the files."""
    published = case(name)
    tolerance = published["agree"]["abs_tolerance_used"]

    budget = propagate(measurement_model(formula), standard(published["inputs"]))

    assert budget.value == pytest.approx(float(published["published"][value]), abs=tolerance[value])
    assert budget.standard_uncertainty == pytest.approx(float(published["published"][u]), abs=tolerance[u])
    assert budget.standard_uncertainty == pytest.approx(published["recomputed"][u], rel=1e-9, abs=0)


def test_cadmium_release_is_dominated_by_three_inputs():
    """Eurachem/CITAC CG 4, example A5, Figure A5.7: c0, temperature and area, in this order (from memory)."""
    inputs = case("unc_quam_A5_combined")["inputs"]

    budget = propagate(measurement_model("c0 * V_L / a_V * f_acid * f_time * f_temp"), standard(inputs))

    order = sorted(budget.rows, key=lambda row: -row.share_percent)
    assert [row.name for row in order[:3]] == ["c0", "f_temp", "a_V"]
    assert sum(row.share_percent for row in order[3:]) < 1


def test_calibration_contribution_of_cadmium():
    """Eurachem/CITAC CG 4, example A5, Tables A5.2 and A5.3: u(c0) = 0.018 mg/L for c0 = 0.26 (text seen)."""
    published = case("cal_quam_A5_cadmium")
    line = fit(published["inputs"]["conc_mg_per_l"], published["inputs"]["absorbance"])
    signal = float(line.predict(published["inputs"]["c0"]))

    found = calibration_contribution(line, signal, m=published["inputs"]["p"], name="c0")

    assert found.quantity.value == pytest.approx(0.26)
    assert found.quantity.standard_uncertainty == printed(published["published"]["u_c0"])
    assert found.quantity.degrees_of_freedom == 13


def test_resistance_and_reactance_from_correlated_readings():
    """JCGM 100:2008, H.2: R, X, Z, their uncertainties and the correlations of the readings."""
    published = case("unc_gum_H2_correlated")
    inputs, expected = published["inputs"], published["published"]
    tolerance = published["agree"]["abs_tolerance_used"]
    names = {"V": "V", "I": "I_A", "phi": "phi"}
    quantities = [from_readings(name, inputs[key]) for name, key in names.items()]
    r = correlation_of_readings(np.array([inputs[key] for key in names.values()]).T)
    models = [measurement_model(text) for text in ("V / I * cos(phi)", "V / I * sin(phi)", "V / I")]

    assert [r[0, 1], r[0, 2], r[1, 2]] == pytest.approx(
        [float(x) for x in expected["r_inputs"]], abs=tolerance["r_inputs"]
    )
    for name, model, u in zip("RXZ", models, expected["u"], strict=True):
        used = [i for i, quantity in enumerate(quantities) if quantity.name in model.names]
        budget = propagate(model, [quantities[i] for i in used], correlation=r[np.ix_(used, used)])
        assert budget.value == pytest.approx(float(expected[name]), abs=tolerance[name])
        assert budget.standard_uncertainty == pytest.approx(float(u), abs=tolerance["u"])
        assert budget.degrees_of_freedom == pytest.approx(4)


def test_resistance_from_single_sets_is_the_same():
    """JCGM 100:2008, H.2.4: means of R, X, Z over the five sets give the same uncertainties (from memory)."""
    inputs = case("unc_gum_H2_correlated")["inputs"]
    v, i, phi = (np.array(inputs[key]) for key in ("V", "I_A", "phi"))

    for results, u in ((v / i * np.cos(phi), "0.071"), (v / i * np.sin(phi), "0.295"), (v / i, "0.236")):
        assert from_readings("y", results).standard_uncertainty == pytest.approx(float(u), abs=0.0006)


def test_welch_satterthwaite_examples():
    """JCGM 100:2008, G.4.1 and H.1 (from memory)."""
    data = case("unc_gum_G_H1")
    inputs, expected = data["inputs"], data["published"]

    product = combine(
        [
            BudgetRow(name="x", standard_uncertainty=u, degrees_of_freedom=nu)
            for u, nu in zip(inputs["G4_relative_percent"], inputs["G4_degrees_of_freedom"], strict=True)
        ],
        relative=True,
    )
    gauge = combine(
        [
            BudgetRow(name=name, standard_uncertainty=u, degrees_of_freedom=nu)
            for (name, u), nu in zip(inputs["H1_nm"].items(), inputs["H1_degrees_of_freedom"], strict=True)
        ],
        level=inputs["H1_level"],
    )

    assert product.standard_uncertainty == printed(expected["G4_u_percent"])
    assert product.degrees_of_freedom == printed(expected["G4_nu"])
    assert product.expanded_uncertainty == printed(expected["G4_U95_percent"])
    assert gauge.standard_uncertainty == printed(expected["H1_u_nm"])
    assert gauge.degrees_of_freedom == pytest.approx(float(expected["H1_nu"]), abs=0.2)
    # The standard rounds u_c to 32 nm and ν down to 16 before it multiplies.
    rounded = BudgetRow(name="end gauge", standard_uncertainty=32, degrees_of_freedom=16)
    assert combine([rounded], level=0.99).coverage_factor == printed(expected["H1_k99"])
    assert combine([rounded], level=0.99).expanded_uncertainty == printed(expected["H1_U99_nm"])


def test_type_b_examples():
    """JCGM 100:2008, 4.3.3 to 4.3.7 (from memory)."""
    data = case("unc_gum_type_b")
    inputs, expected = data["inputs"], data["published"]

    def normal(stated, coverage):
        return to_standard_uncertainty(stated, "tolerance", distribution="normal", coverage=coverage)

    mass = to_standard_uncertainty(inputs["mass_three_sd_ug"], "expanded", k=3)
    expansion = to_standard_uncertainty(inputs["copper_expansion_half_width_1e6"], "tolerance")

    assert mass.standard_uncertainty == printed(expected["mass_u_ug"])
    assert normal(inputs["resistor_99_percent_uohm"], 0.99).standard_uncertainty == printed(
        expected["resistor_u_uohm"]
    )
    assert normal(inputs["length_even_chance_mm"], 0.5).standard_uncertainty == printed(
        expected["length_u_mm"]
    )
    assert expansion.standard_uncertainty == printed(expected["copper_expansion_u_1e6"])


def additive(us):
    """X1 + X2 + X3 + X4 with rectangular inputs of the standard deviations *us*."""
    quantities = [from_statement(f"X{i + 1}", 0.0, u * math.sqrt(3), "tolerance") for i, u in enumerate(us)]
    return measurement_model("X1 + X2 + X3 + X4"), quantities


@pytest.mark.parametrize(
    ("us", "prefix", "mc_key"),
    [((1, 1, 1, 1), "a", "a_half_width_95"), ((1, 1, 1, 10), "b", "b_mc_half_width")],
)
def test_additive_model_with_rectangular_inputs(us, prefix, mc_key):
    """JCGM 101:2008, 9.2.3 and 9.2.4 (from memory): simulation, first order, and their difference."""
    data = case("unc_gum_s1_additive")
    expected, tolerance = data["published"], data["agree"]["abs_tolerance_used"]
    model, quantities = additive(us)

    first_order = propagate(model, quantities)
    simulation = monte_carlo(model, quantities, seed=101)

    width = (simulation.symmetric.upper - simulation.symmetric.lower) / 2
    assert simulation.standard_uncertainty == pytest.approx(
        float(expected[f"{prefix}_u"]), abs=tolerance[f"{prefix}_u"]
    )
    assert width == pytest.approx(float(expected[mc_key]), abs=tolerance[mc_key] + 0.005)
    assert first_order.expanded_uncertainty == pytest.approx(
        float(expected[f"{prefix}_guf_half_width"]), abs=tolerance[f"{prefix}_guf_half_width"]
    )
    assert not validate(first_order, simulation, significant_digits=2 if prefix == "b" else 3).valid


def test_comparison_loss_at_zero():
    """JCGM 101:2008, 9.4.2.2 (from memory): mean 50, u 50, shortest interval [0, 150], all in 10⁻⁶."""
    data = case("unc_gum_s1_additive")
    expected, tolerance = data["published"], data["agree"]["abs_tolerance_used"]
    quantities = [from_statement(name, 0.0, 0.005) for name in ("X1", "X2")]

    simulation = monte_carlo(measurement_model("X1^2 + X2^2"), quantities, seed=101)

    assert 1e6 * simulation.value == pytest.approx(float(expected["c_mean_1e6"]), abs=tolerance["c_mean_1e6"])
    assert 1e6 * simulation.standard_uncertainty == pytest.approx(
        float(expected["c_u_1e6"]), abs=tolerance["c_u_1e6"]
    )
    assert 1e6 * simulation.shortest.lower == pytest.approx(0, abs=0.01)
    assert 1e6 * simulation.shortest.upper == pytest.approx(
        float(expected["c_shortest_upper_1e6"]), abs=tolerance["c_shortest_upper_1e6"]
    )


@pytest.mark.parametrize("row", case("unc_jcgm101_nonlinear")["published"]["loss_times_1e6"])
def test_comparison_loss_tables(row):
    """JCGM 101:2008, 9.4, Tables 6 to 8 (from memory), and the exact moments."""
    u, x1, r = case("unc_jcgm101_nonlinear")["inputs"]["loss_u"], row["x1"], row["r"]
    quantities = [from_statement("X1", x1, u), from_statement("X2", 0.0, u)]

    simulation = monte_carlo(
        measurement_model("X1^2 + X2^2"), quantities, seed=94, correlation=[[1, r], [r, 1]]
    )

    spread = math.sqrt(4 * u**2 * x1**2 + 4 * u**4 * (1 + r**2))
    assert simulation.value == pytest.approx(x1**2 + 2 * u**2, abs=4e-3 * spread)
    assert simulation.standard_uncertainty == pytest.approx(spread, rel=0.005)
    slack = max(4.0, 0.015 * float(row["u"]))
    assert 1e6 * simulation.value == pytest.approx(float(row["value"]), abs=max(0.6, 0.005 * float(row["u"])))
    assert 1e6 * simulation.standard_uncertainty == pytest.approx(float(row["u"]), abs=1.5)
    assert 1e6 * simulation.shortest.upper == pytest.approx(float(row["upper"]), abs=slack)


def test_mass_calibration():
    """JCGM 101:2008, 9.3, Table 5 (from memory): first order is too narrow, and the check says so."""
    data = case("unc_jcgm101_nonlinear")
    inputs, expected = data["inputs"], data["published"]
    quantities = [
        *standard(inputs["mass_normal"]),
        *(
            from_statement(name, (low + high) / 2, (high - low) / 2, "tolerance")
            for name, (low, high) in inputs["mass_rectangular"].items()
        ),
    ]
    model = measurement_model(inputs["mass_model"])

    first_order = propagate(model, quantities)
    simulation = monte_carlo(model, quantities, seed=93)
    check = validate(first_order, simulation, significant_digits=1)

    printed_first, printed_mc = expected["mass_first_order"], expected["mass_simulation"]
    assert first_order.value == printed(printed_first["value"])
    assert first_order.standard_uncertainty == printed(printed_first["u"])
    assert first_order.interval.lower == printed(printed_first["lower"])
    assert first_order.interval.upper == printed(printed_first["upper"])
    assert simulation.value == pytest.approx(float(printed_mc["value"]), abs=0.0003)
    assert simulation.standard_uncertainty == pytest.approx(float(printed_mc["u"]), abs=0.0003)
    assert simulation.symmetric.lower == pytest.approx(float(printed_mc["lower"]), abs=0.003)
    assert simulation.symmetric.upper == pytest.approx(float(printed_mc["upper"]), abs=0.003)
    assert check.tolerance == pytest.approx(float(expected["mass_tolerance_one_digit"]))
    assert check.d_low == pytest.approx(float(expected["mass_d_low"]), abs=0.003)
    assert check.d_high == pytest.approx(float(expected["mass_d_high"]), abs=0.003)
    assert check.valid is expected["mass_validated"]
    assert check.resolved


def test_ammonium_from_control_limits_and_rounds():
    """Nordtest TR 537, 3.2: u(Rw), RMS, u(bias), u_c and U of ammonium (figures seen in a secondary text)."""
    data = case("unc_nordtest_bias")
    inputs, expected = data["inputs"]["ammonium"], data["published"]["ammonium"]
    biases = np.array(inputs["biases_percent"])

    rw = top_down.from_control_limits(inputs["control_limits_percent"], relative=True)
    rounds = top_down.from_reference_materials(
        100 + biases, np.full(6, 100.0), inputs["u_cref_percent"], relative=True
    )
    budget = combine((*rw.rows, *rounds.rows), coverage_factor=2, relative=True)

    assert rw.standard_uncertainty == printed(expected["u_Rw"])
    assert rounds.rows[0].standard_uncertainty == printed(expected["RMS"])
    assert rounds.standard_uncertainty == printed(expected["u_bias"])
    assert budget.standard_uncertainty == printed(expected["u_c"])
    assert budget.expanded_uncertainty == printed(expected["U"])


def test_ammonium_from_rounded_parts():
    """Nordtest TR 537, the same example with the root mean square as given (from memory)."""
    data = case("unc_nordtest_ammonium")
    inputs, expected, tolerance = (
        data["inputs"],
        data["published"],
        data["agree"]["abs_tolerance_used"],
    )
    rms = inputs["rms_bias_pct"]

    rw = top_down.from_control_limits(inputs["limits_pct"], relative=True)
    part = top_down.from_recoveries([100 + rms, 100 - rms], inputs["u_cref_pct"])
    budget = combine((*rw.rows, *part.rows), coverage_factor=2, relative=True)

    assert part.standard_uncertainty == pytest.approx(float(expected["u_bias"]), abs=tolerance["u_bias"])
    assert budget.standard_uncertainty == pytest.approx(float(expected["u_c"]), abs=tolerance["u_c"])
    assert budget.expanded_uncertainty == pytest.approx(float(expected["U"]), abs=tolerance["U"])


def test_one_certified_material():
    """Nordtest TR 537, 6.1: certified 11.5 ± 0.5, found 11.9 with 2.2 % over 12 results (secondary text)."""
    data = case("unc_nordtest_bias")
    inputs, expected = data["inputs"]["one_material"], data["published"]["one_material"]
    z = np.arange(inputs["n"]) - (inputs["n"] - 1) / 2
    s = inputs["s_percent"] / 100 * inputs["certified"]
    results = inputs["mean"] + z / z.std(ddof=1) * s  # any results with the published mean and scatter

    part = top_down.from_reference_material(results, inputs["certified"], inputs["U95"] / 2, relative=True)

    assert part.rows[0].standard_uncertainty == printed(expected["bias"])
    assert part.rows[2].standard_uncertainty == printed(expected["u_cref"])
    assert part.standard_uncertainty == printed(expected["u_bias"])


def test_recoveries():
    """Nordtest TR 537, 6.3: six recoveries and the uncertainty of the addition (from memory)."""
    data = case("unc_nordtest_bias")
    inputs, expected = data["inputs"], data["published"]["recoveries"]

    part = top_down.from_recoveries(inputs["recoveries_percent"], float(expected["u_addition"]))

    assert part.rows[0].standard_uncertainty == printed(expected["RMS"])
    assert part.standard_uncertainty == printed(expected["u_bias"])


def test_control_chart_and_range_chart():
    """Textbook example after Nordtest (text seen): 1.0 % between batches and a mean range of 5.5 %."""
    data = case("unc_nordtest_bias")
    inputs, expected = data["inputs"]["range_chart"], data["published"]["range_chart"]
    s_percent = 100 * inputs["control_s"] / inputs["control_mean"]
    batches = top_down.from_control_limits(s_percent, factor=1.0, relative=True)
    half = inputs["mean_range_percent"] / 2
    pairs = [(level * (1 - half / 100), level * (1 + half / 100)) for level in (50.0, 120.0, 400.0)]

    part = top_down.from_duplicates(pairs, form="range", relative=True, between_batches=batches)

    # The example divides by 1.128; d_2 is 1.12838.
    as_printed = part.rows[0].standard_uncertainty * top_down.MEAN_RANGE / 1.128
    assert as_printed == printed(expected["u_range"])
    assert part.rows[1].standard_uncertainty == pytest.approx(1.0)
    assert part.standard_uncertainty == printed(expected["u_Rw"])


def test_conformance_probabilities():
    """JCGM 106:2012, 7.3 and 7.4, Table 1 and 8.3.2 (from memory)."""
    data = case("unc_jcgm106")
    inputs, expected = data["inputs"], data["published"]

    def probability(name):
        given = dict(inputs[name])
        return conformance_probability(given.pop("value"), given.pop("u"), **given)

    assert probability("zener_V") == printed(expected["zener"])
    assert probability("bursting_kPa") == printed(expected["bursting"])
    # 13.6 lies 0.6 u above one limit and 1.5 u below the other, both rounded in the example: 0.663 exactly.
    assert probability("oil_mm2_s") == printed(expected["oil"])
    assert [guard_band(1.0, max_risk=1 - p) for p in inputs["one_sided_probabilities"]] == [
        printed(z) for z in expected["one_sided_z"]
    ]

    speed, limit = inputs["speed_km_h"], inputs["speed_km_h"]["limit"]
    below = [conformance_probability(v, speed["relative_u"] * v, upper=limit) for v in (106.0, 107.0)]
    assert below[0] > 1 - speed["confidence"] >= below[1]
    assert float(expected["speed_km_h"]) == 107.0


def test_tolerance_factor_of_the_handbook():
    """NIST/SEMATECH e-Handbook, 7.2.6.3: k = 2.2173 and the interval, for 43 single results."""
    data = case("unc_tolerance_factors")
    given, expected = data["inputs"]["handbook"], data["published"]
    z = np.arange(given["n"]) - (given["n"] - 1) / 2
    results = given["mean"] + z / z.std(ddof=1) * given["s"]

    found = tolerance_intervals([[y] for y in results], beta=given["beta"], gamma=given["gamma"])

    assert (found.content.upper - found.centre) / given["s"] == printed(expected["handbook_k"])
    assert [found.content.lower, found.content.upper] == [printed(x) for x in expected["handbook_interval"]]


@pytest.mark.parametrize("beta", [0.90, 0.95, 0.99])
def test_tolerance_factors_of_the_table(beta):
    """Berthouex and Brown, Table 21.1, 95 % confidence: within 1.5 % for 5 to 60 single results."""
    data = case("unc_tolerance_factors")
    for n, k in zip(data["inputs"]["table_n"], data["published"]["table_gamma_95"][beta], strict=True):
        z = np.arange(n) - (n - 1) / 2

        found = tolerance_intervals([[y] for y in z / z.std(ddof=1)], beta=beta, gamma=0.95)

        assert found.content.upper == pytest.approx(k, rel=0.015)


def test_level_dependent_form_has_its_two_limits():
    """Eurachem/CITAC CG 4, 3rd ed. 2012, E.5 (from memory): s0 alone near zero, s1·x alone at high levels."""
    x = np.array([0.01, 0.1, 1.0, 10.0, 100.0, 1000.0])

    function = fit_level_dependence(x, np.hypot(0.5, 0.02 * x)).function

    assert function.at(0.0) == pytest.approx(0.5, rel=1e-4)
    assert function.at(1e6) == pytest.approx(0.02e6, rel=1e-4)
