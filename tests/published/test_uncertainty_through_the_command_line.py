"""Published examples of uncertainty and conformity as studies, evaluated by the command.

Each data file in ``data`` names its source and whether its text was seen; the source is repeated beside each
check. The figures are read from the results file that the command wrote.
"""

from __future__ import annotations

import json
import math
import re
import time
import tracemalloc
from decimal import Decimal
from pathlib import Path

import numpy as np
import pytest
import yaml

DATA = Path(__file__).parent / "data"
DONE = 0


def case(name):
    return yaml.safe_load((DATA / f"{name}.yaml").read_text(encoding="utf-8"))


def printed(text):
    """Agrees with printed digits: within half a unit of the last one."""
    exponent = Decimal(text).as_tuple().exponent
    return pytest.approx(float(text), abs=0.5000001 * 10.0**exponent)


@pytest.fixture
def evaluated(folder_with, command, described, tmp_path):
    """What the command finds for the only analyte of a study with these blocks."""

    def evaluated(analyte=None, unit="mg/L", **blocks):
        plain = {"id": "x", "name": "x", "unit": unit, "signal": "signal", "signal_unit": "1"}
        study = described(analytes=[plain | (analyte or {})], **blocks)
        file = tmp_path / "results.json"
        done = command("evaluate", folder_with(study), "--results", file)
        assert (done.status, done.err) == (DONE, "")
        return json.loads(file.read_text(encoding="utf-8"))["analytes"]["x"]["configurations"]["default"]

    return evaluated


def standard(inputs):
    """Quantities from a table name -> [value, standard uncertainty]."""
    return [{"name": name, "value": value, "uncertainty": u} for name, (value, u) in inputs.items()]


def rectangular(name, half_width, value=0.0):
    return {"name": name, "value": value, "uncertainty": half_width, "kind": "tolerance"}


def shares(budget):
    return {row["name"]: row["share_percent"] for row in budget["contributions"]}


# --- a budget by a formula -------------------------------------------------------------------------
def test_cadmium_released_from_ceramic(evaluated):
    """Eurachem/CITAC CG 4, example A5 (Table A5.1: text seen): c0 is read from the calibration of the study.

    r and u_c agree with the guide; u(c0) = 0.018 mg/L comes from the fifteen absorbances of Table A5.2
    (from memory), read in duplicate.
    """
    published, line = case("unc_quam_A5_combined"), case("cal_quam_A5_cadmium")
    inputs, tolerance = published["inputs"], published["agree"]["abs_tolerance_used"]
    others = standard({name: pair for name, pair in inputs.items() if name != "c0"})
    c0 = {"name": "c0", "value": inputs["c0"][0], "from": "calibration", "replicates": line["inputs"]["p"]}
    points = zip(line["inputs"]["conc_mg_per_l"], line["inputs"]["absorbance"], strict=True)

    formula = evaluated(
        calibration={"runs": [{"level": x, "signal": y} for x, y in points]},
        uncertainty={
            "model": "c0 * V_L / a_V * f_acid * f_time * f_temp",
            "result_unit": "mg/dm2",
            "quantities": [c0, *others],
        },
    )["uncertainty"]["formula"]

    budget = formula["budget"]
    rows = {row["name"]: row for row in budget["contributions"]}
    assert rows["c0"]["standard_uncertainty"] == printed(line["published"]["u_c0"])
    assert rows["c0"]["degrees_of_freedom"] == 13
    assert rows["c0"]["source"] == "calibration"
    assert budget["value"] == pytest.approx(
        float(published["published"]["r_mg_dm2"]), abs=tolerance["r_mg_dm2"]
    )
    assert budget["standard_uncertainty"] == pytest.approx(
        float(published["published"]["u_r"]), abs=tolerance["u_r"]
    )
    assert sorted(rows, key=lambda name: -rows[name]["share_percent"])[:3] == ["c0", "f_temp", "a_V"]
    assert formula["unit"] == "mg/dm2"


@pytest.mark.parametrize(
    ("name", "formula", "value", "u"),
    [
        ("unc_quam_A1_cadmium_standard", "1000 * m_mg * P / V_ml", "c_mg_l", "u"),
        ("unc_quam_A2_naoh", "1000 * rep * m_KHP * P / (M * V_T)", "c_mol_l", "u"),
    ],
)
def test_preparation_and_titration(evaluated, name, formula, value, u):
    """Eurachem/CITAC CG 4, Tables A1.1 and A2.1 (text seen): budget, and a simulation that agrees with it."""
    published = case(name)
    expected, tolerance = published["published"], published["agree"]["abs_tolerance_used"]

    found = evaluated(uncertainty={"model": formula, "quantities": standard(published["inputs"])})[
        "uncertainty"
    ]["formula"]

    budget, simulation = found["budget"], found["simulation"]
    assert budget["value"] == pytest.approx(float(expected[value]), abs=tolerance[value])
    assert budget["standard_uncertainty"] == pytest.approx(float(expected[u]), abs=tolerance[u])
    assert simulation["standard_uncertainty"] == pytest.approx(budget["standard_uncertainty"], rel=0.005)
    assert found["check"]["valid"]
    assert sum(shares(budget).values()) == pytest.approx(100)


def test_pesticides_in_bread(evaluated):
    """Eurachem/CITAC CG 4, example A4, Table A4.1 (text seen): 0.27, 0.048 and 0.2 combine to 0.34."""
    rows = {"repeatability": (1.0, 0.27), "recovery": (0.9, 0.043), "homogeneity": (1.0, 0.2)}

    budget = evaluated(
        uncertainty={
            "model": "repeatability * homogeneity / recovery",
            "result_unit": "mg/kg",
            "quantities": standard(rows),
        }
    )["uncertainty"]["formula"]["budget"]

    assert budget["standard_uncertainty"] / budget["value"] == printed("0.34")
    assert sorted(rows, key=lambda name: -shares(budget)[name]) == [
        "repeatability",
        "homogeneity",
        "recovery",
    ]


def test_resistance_from_readings_taken_together(evaluated):
    """JCGM 100:2008, H.2: R = V cos(phi)/I from five sets of readings, with their correlations, ν = 4."""
    published = case("unc_gum_H2_correlated")
    inputs, expected = published["inputs"], published["published"]
    keys = {"V": "V", "I": "I_A", "phi": "phi"}

    budget = evaluated(
        uncertainty={
            "model": "V / I * cos(phi)",
            "result_unit": "ohm",
            "quantities": [{"name": name, "readings": inputs[key]} for name, key in keys.items()],
            "read_together": True,
        }
    )["uncertainty"]["formula"]["budget"]

    assert budget["value"] == pytest.approx(
        float(expected["R"]), abs=published["agree"]["abs_tolerance_used"]["R"]
    )
    assert budget["standard_uncertainty"] == pytest.approx(float(expected["u"][0]), abs=0.0006)
    assert budget["degrees_of_freedom"] == pytest.approx(4)


# --- simulation beside the budget ------------------------------------------------------------------
@pytest.mark.parametrize(
    ("us", "prefix", "mc_key"),
    [((1, 1, 1, 1), "a", "a_half_width_95"), ((1, 1, 1, 10), "b", "b_mc_half_width")],
)
def test_sum_of_rectangular_inputs(evaluated, us, prefix, mc_key):
    """JCGM 101:2008, 9.2.3 and 9.2.4 (from memory): the budget is too wide, and the comparison says so."""
    data = case("unc_gum_s1_additive")
    expected, tolerance = data["published"], data["agree"]["abs_tolerance_used"]

    found = evaluated(
        uncertainty={
            "model": "X1 + X2 + X3 + X4",
            "quantities": [rectangular(f"X{i}", u * math.sqrt(3)) for i, u in enumerate(us, start=1)],
            "simulation": {"seed": 101, "digits": 2 if prefix == "b" else 3},
        }
    )["uncertainty"]["formula"]

    simulation, (lower, upper) = found["simulation"], found["simulation"]["symmetric"]
    assert simulation["standard_uncertainty"] == pytest.approx(
        float(expected[f"{prefix}_u"]), abs=tolerance[f"{prefix}_u"]
    )
    assert (upper - lower) / 2 == pytest.approx(float(expected[mc_key]), abs=tolerance[mc_key] + 0.005)
    assert found["budget"]["expanded_uncertainty"] == pytest.approx(
        float(expected[f"{prefix}_guf_half_width"]), abs=tolerance[f"{prefix}_guf_half_width"]
    )
    assert not found["check"]["valid"]
    assert (simulation["seed"], simulation["draws"]) == (101, 1_000_000)


def test_sum_of_normal_inputs(evaluated):
    """JCGM 101:2008, 9.2.2 (from memory): u = 2, ±3.92 by both, and the comparison agrees."""
    found = evaluated(
        uncertainty={
            "model": "X1 + X2 + X3 + X4",
            "quantities": [{"name": f"X{i}", "value": 0, "uncertainty": 1} for i in range(1, 5)],
        }
    )["uncertainty"]["formula"]

    assert found["budget"]["expanded_uncertainty"] == printed("3.92")
    assert found["simulation"]["symmetric"] == pytest.approx([-3.92, 3.92], abs=0.02)
    assert found["check"]["valid"]
    assert found["check"]["tolerance"] == 0.05


@pytest.mark.parametrize("row", case("unc_jcgm101_nonlinear")["published"]["loss_times_1e6"])
def test_comparison_loss(evaluated, row):
    """JCGM 101:2008, 9.4, Tables 6 to 8 (from memory): first order fails near 0, simulation does not."""
    u = case("unc_jcgm101_nonlinear")["inputs"]["loss_u"]
    x1, r = row["x1"], row["r"]

    found = evaluated(
        uncertainty={
            "model": "X1^2 + X2^2",
            "quantities": standard({"X1": [x1, u], "X2": [0.0, u]}),
            **({"correlations": [{"between": ["X1", "X2"], "coefficient": r}]} if r else {}),
            "simulation": {"seed": 94},
        }
    )["uncertainty"]["formula"]

    simulation = found["simulation"]
    assert 1e6 * simulation["value"] == pytest.approx(
        float(row["value"]), abs=max(0.6, 0.005 * float(row["u"]))
    )
    assert 1e6 * simulation["standard_uncertainty"] == pytest.approx(float(row["u"]), abs=1.5)
    assert 1e6 * simulation["shortest"][1] == pytest.approx(
        float(row["upper"]), abs=max(4.0, 0.015 * float(row["u"]))
    )
    if x1 == 0:
        assert "all contributions are zero" in found["budget"]["not_assessed"]
        assert found["check"] == found["budget"]
    else:
        # 2·x1·u by first order; the second order is missing
        assert found["budget"]["standard_uncertainty"] == pytest.approx(2 * x1 * u)
        assert not found["check"]["valid"]


def test_ratio_with_a_noisy_denominator(evaluated):
    """R.C. Geary, J. R. Stat. Soc. 93 (1930) 442 (from memory): (µ_y z - µ_x)/√(u_x² + z² u_y²) is normal.

    With 20 % on the denominator its limits lie 29 % below and 66 % above the ratio, not 40 % on either side;
    the simulation gives them, the budget does not, and the comparison says so.
    """
    x, u_x, y, u_y = 10.0, 0.5, 2.0, 0.4

    found = evaluated(
        uncertainty={
            "model": "X / Y",
            "quantities": standard({"X": [x, u_x], "Y": [y, u_y]}),
            "simulation": {"seed": 1930},
        }
    )["uncertainty"]["formula"]

    k2 = 1.959964**2
    middle, half = x * y, math.sqrt((x * y) ** 2 - (y**2 - k2 * u_y**2) * (x**2 - k2 * u_x**2))
    exact = [(middle + sign * half) / (y**2 - k2 * u_y**2) for sign in (-1, 1)]
    assert exact == pytest.approx([5 * (1 - 0.29), 5 * (1 + 0.66)], abs=0.03)
    assert found["simulation"]["symmetric"] == pytest.approx(exact, rel=0.004)
    assert found["simulation"]["seed"] == 1930
    assert found["budget"]["standard_uncertainty"] == pytest.approx(5 * math.hypot(0.05, 0.2))
    assert not found["check"]["valid"]


def test_mass_fraction_close_to_zero(evaluated):
    """An impurity of 0 to 2 mg in a gram, nothing more known: 95 % of w lie in 0.05 to 1.95 mg/g.

    The density of w is known: m is rectangular and 1 g but for u = 0.1 mg. The budget's interval of a normal
    distribution reaches below zero, the simulation's does not, and the comparison says so. With the same
    half-width far from zero and normal quantities both agree.
    """
    rest = {"name": "rest", "value": 1000, "uncertainty": 0.1}

    def formula(impurity):
        return evaluated(
            unit="mg/g",
            uncertainty={
                "model": "1000 * impurity / (impurity + rest)",
                "quantities": [impurity, rest],
                "simulation": {"seed": 106},
            },
        )["uncertainty"]["formula"]

    near = formula(rectangular("impurity", 1.0, value=1.0))
    far = formula({"name": "impurity", "value": 100.0, "uncertainty": 1 / math.sqrt(3)})

    ends = [1000 * m / (m + 1000) for m in (0.05, 1.95)]
    assert near["simulation"]["symmetric"] == pytest.approx(ends, abs=0.003)
    assert near["simulation"]["symmetric"][0] > 0
    budget = near["budget"]
    assert budget["value"] - budget["expanded_uncertainty"] < 0
    assert budget["standard_uncertainty"] == pytest.approx(1 / math.sqrt(3), rel=3e-3)
    assert not near["check"]["valid"]
    assert far["check"]["valid"]


def test_ten_quantities_in_two_seconds(evaluated):
    """10⁶ draws of a formula with ten quantities: below 2 s, below 200 MB, and the seed in the results."""
    names = [f"q{i}" for i in range(10)]
    blocks = {
        "uncertainty": {
            "model": " * ".join(names[:5]) + " / (" + " * ".join(names[5:]) + ")",
            "quantities": [
                {"name": name, "value": 1 + i, "uncertainty": 1, "relative": True}
                for i, name in enumerate(names)
            ],
            "simulation": {"draws": 1_000_000, "seed": 7},
        }
    }
    began = time.perf_counter()
    simulation = evaluated(**blocks)["uncertainty"]["formula"]["simulation"]
    seconds = time.perf_counter() - began
    tracemalloc.start()
    evaluated(**blocks)
    peak = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()

    assert (simulation["seed"], simulation["draws"]) == (7, 1_000_000)
    assert simulation["stable"]
    assert peak < 200e6
    assert seconds < 2


# --- top-down --------------------------------------------------------------------------------------
def test_ammonium_from_control_chart_and_rounds(evaluated):
    """Nordtest TR 537, 3.2: ammonium by control limits and six rounds (figures seen in a secondary text).

    The rounds are written as reference materials in percent of their assigned values.
    """
    data = case("unc_nordtest_bias")
    inputs, expected = data["inputs"]["ammonium"], data["published"]["ammonium"]
    rounds = [
        {
            "reference": 100,
            "reference_uncertainty": inputs["u_cref_percent"],
            "found": 100 + bias,
            "matrix": f"round {i}",
        }
        for i, bias in enumerate(inputs["biases_percent"], start=1)
    ]

    found = evaluated(
        recovery={"runs": rounds},
        uncertainty={
            "within_laboratory": {
                "limits": inputs["control_limits_percent"],
                "relative": True,
                "source": "control chart",
            },
            "bias": "from reference materials",
            "coverage_factor": 2,
        },
    )["uncertainty"]

    (level,) = found["levels"]
    budget = level["budget"]
    assert level["level"] is None
    assert budget["relative"]
    assert found["within_laboratory"]["standard_uncertainty"] == printed(expected["u_Rw"])
    assert budget["contributions"][1]["standard_uncertainty"] == printed(expected["RMS"])
    assert found["bias"]["standard_uncertainty"] == printed(expected["u_bias"])
    assert budget["standard_uncertainty"] == printed(expected["u_c"])
    assert budget["expanded_percent"] == printed(expected["U"])
    assert "confidence" not in budget


def test_ammonium_as_components(evaluated):
    """Nordtest TR 537, 3.2, the same parts written as components: the same u_c and U."""
    data = case("unc_nordtest_bias")
    inputs, expected = data["inputs"]["ammonium"], data["published"]["ammonium"]
    rms = math.sqrt(sum(bias**2 for bias in inputs["biases_percent"]) / len(inputs["biases_percent"]))
    stated = {
        "reproducibility within the laboratory": ("expanded", inputs["control_limits_percent"], 2),
        "root mean square bias": ("standard", rms, None),
        "assigned values": ("standard", inputs["u_cref_percent"], None),
    }

    (level,) = evaluated(
        uncertainty={
            "components": [
                {"name": name, "kind": kind, "value": value, "relative": True, "source": "rounds"}
                | ({} if k is None else {"k": k})
                for name, (kind, value, k) in stated.items()
            ],
            "coverage_factor": 2,
        }
    )["uncertainty"]["levels"]

    assert level["budget"]["standard_uncertainty"] == printed(expected["u_c"])
    assert level["budget"]["expanded_uncertainty"] == printed(expected["U"])


def test_recoveries_as_bias(evaluated):
    """Nordtest TR 537, 6.3 (from memory): six recoveries, uncertainty of the addition, u(bias) = 3.6 %."""
    data = case("unc_nordtest_bias")
    expected = data["published"]["recoveries"]
    runs = [
        {"native": 0, "added": 10, "found": recovery / 10, "matrix": f"water {i}"}
        for i, recovery in enumerate(data["inputs"]["recoveries_percent"], start=1)
    ]

    found = evaluated(
        recovery={"runs": runs},
        uncertainty={
            "within_laboratory": {"limits": 4, "relative": True},
            "bias": {
                "origin": "recovery",
                "addition_uncertainty_percent": float(expected["u_addition"]),
            },
        },
    )["uncertainty"]

    rows = found["levels"][0]["budget"]["contributions"]
    assert rows[1]["standard_uncertainty"] == printed(expected["RMS"])
    assert found["bias"]["standard_uncertainty"] == printed(expected["u_bias"])
    assert found["bias"]["n"] == 6


def test_duplicates_and_batches(evaluated):
    """Textbook example after Nordtest (text seen): u(Rw) from duplicates and the scatter between batches."""
    data = case("unc_nordtest_bias")["inputs"]["range_chart"]
    half = data["mean_range_percent"] / 200
    pairs = [(level * (1 - half), level * (1 + half)) for level in (50.0, 120.0, 400.0)]

    found = evaluated(
        comparison={
            "runs": [
                {"sample": f"s{i}", "this_method": list(pair), "reference_method": sum(pair) / 2}
                for i, pair in enumerate(pairs)
            ]
        },
        uncertainty={"within_laboratory": "from duplicates", "bias": "none"},
    )["uncertainty"]

    # equal ranges: the standard deviation form gives d/√2, the range form of the example d/1.128
    assert found["within_laboratory"]["standard_uncertainty"] == pytest.approx(
        data["mean_range_percent"] / math.sqrt(2)
    )
    assert re.search("between-batch variation is not included", found["within_laboratory"]["note"])


# --- conformity ------------------------------------------------------------------------------------
@pytest.mark.parametrize(
    ("name", "specification", "outcome"),
    [
        ("bursting_kPa", {"lower": 490}, "conforming"),
        ("oil_mm2_s", {"lower": 12.5, "upper": 16.3}, "inconclusive"),
    ],
)
def test_conformity_of_a_result(evaluated, name, specification, outcome):
    """JCGM 106:2012, 7.3 and 7.4, examples 1 and 2 (from memory): probability of conformity of one result."""
    data = case("unc_jcgm106")
    given = data["inputs"][name]
    key = name.partition("_")[0]

    (found,) = evaluated(
        analyte={"specification": specification},
        uncertainty={
            "model": "y",
            "quantities": standard({"y": [given["value"], given["u"]]}),
        },
    )["uncertainty"]["conformity"]

    assert found["result"]["conformance_probability"] == printed(data["published"][key])
    assert found["result"]["outcome"] == outcome
    assert found["limit"] == "specification"


def test_guard_band_of_the_guide(evaluated):
    """Eurachem/CITAC, compliance assessment, 2nd ed. 2021; JCGM 106, Table 1 (from memory): 1.64 u at 5 %."""
    z = case("unc_jcgm106")["published"]["one_sided_z"][2]

    (found,) = evaluated(
        analyte={"legal_limit": 100},
        uncertainty={"model": "y", "quantities": standard({"y": [100.0, 2.0]})},
    )["uncertainty"]["conformity"]

    assert found["guard_factor"] == printed(z)
    assert found["acceptance"] == [None, pytest.approx(100 - found["guard_band"])]
    assert found["rejection_above"] == pytest.approx(100 + found["guard_band"])
    assert found["probability_at_limit"] == pytest.approx(0.5)
    assert found["result"]["outcome"] == "inconclusive"


def test_risks_over_many_items(evaluated):
    """JCGM 106:2012, clause 9 (resistors; set-up from memory): risks of a batch, counted in 2·10⁶ items."""
    mean, sd, u, lower, upper = 1500.0, 0.12, 0.04, 1499.8, 1500.2

    (found,) = evaluated(
        analyte={"specification": {"lower": lower, "upper": upper}},
        uncertainty={
            "model": "y",
            "quantities": standard({"y": [mean, u]}),
            "conformity": {"item_mean": mean, "item_sd": sd},
        },
    )["uncertainty"]["conformity"]

    generator = np.random.default_rng(106)
    true = generator.normal(mean, sd, 2_000_000)
    measured = true + generator.normal(0, u, true.size)
    conforms = (true >= lower) & (true <= upper)
    for risk, (low, high) in zip(found["global_risks"], ((lower, upper), found["acceptance"]), strict=True):
        accepted = (measured >= low) & (measured <= high)
        assert risk["consumers_risk"] == pytest.approx(np.mean(~conforms & accepted), abs=4e-4)
        assert risk["producers_risk"] == pytest.approx(np.mean(conforms & ~accepted), abs=6e-4)
        assert risk["conforming"] == pytest.approx(np.mean(conforms), abs=1e-3)
        assert risk["accepted"] == pytest.approx(np.mean(accepted), abs=1e-3)
    assert [risk["rule"] for risk in found["global_risks"]] == ["simple", "guarded"]
    assert found["capability"] == pytest.approx(0.4 / (4 * 0.04))
