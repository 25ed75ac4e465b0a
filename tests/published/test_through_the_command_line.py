"""Published worked examples as study descriptions, evaluated by the command and by the Python functions.

Each data file in ``data`` names its source and whether its text was seen; the source is repeated beside
each check. The figures are read from the results file that the command wrote; the functions give the same.
"""

from __future__ import annotations

import csv
import json
import math
from pathlib import Path

import numpy as np
import pytest
import yaml

from validator.evaluation.serialise import to_json

DATA = Path(__file__).parent / "data"
DONE, NOT_FIT = 0, 1


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


def half_width(estimate):
    return (estimate["ci"][1] - estimate["ci"][0]) / 2


@pytest.fixture
def evaluated(folder_with, command, judged, described, tmp_path):
    """What the command finds for the only analyte; the functions of the package find the same to the byte."""

    def evaluated(tables=None, **blocks):
        study = described(**blocks)
        file = tmp_path / "results.json"
        done = command("evaluate", folder_with(study, tables), "--results", file)
        assert done.status == DONE, done.err
        assert file.read_text(encoding="utf-8") == to_json(judged(study, tables)[1])
        return json.loads(file.read_text(encoding="utf-8"))["analytes"]["x"]["configurations"]["default"]

    return evaluated


def calibration(x, y, **choices):
    """The blocks of a calibration, one run a reading."""
    return {
        "analysis": {"calibration": choices} if choices else {},
        "calibration": {"runs": [{"level": float(a), "signal": float(b)} for a, b in zip(x, y, strict=True)]},
    }


def precision(groups, *, level, factor="series"):
    """The block of a precision experiment, one run a group."""
    return {
        "precision": {
            "runs": [
                {factor: f"{factor} {name}", "level": level, "concentrations": [float(one) for one in group]}
                for name, group in enumerate(groups, start=1)
            ]
        }
    }


# --- calibration -----------------------------------------------------------------------------------
@pytest.mark.parametrize(
    ("name", "model", "coefficients"),
    [
        ("Norris", "linear", ("intercept", "slope")),
        ("Pontius", "quadratic", ("intercept", "slope", "quadratic")),
        ("NoInt1", "linear_through_origin", ("slope",)),
        ("NoInt2", "linear_through_origin", ("slope",)),
    ],
)
def test_nist_linear_sets_agree_to_nine_digits(evaluated, name, model, coefficients):
    """NIST StRD linear least squares: coefficients, standard errors, residual sd and R², 1e-9 relative."""
    nist = case(f"nist_linreg_{name}")

    found = evaluated(**calibration(nist["inputs"]["x"], nist["inputs"]["y"], model=model))["calibration"]

    ours = {"resid_sd": found["residual_standard_deviation"], "R2": found["r_squared"]}
    for i, coefficient in enumerate(coefficients):
        ours |= {f"coef{i}": found[coefficient]["value"], f"se{i}": found[coefficient]["standard_error"]}
    assert ours == pytest.approx(numbers(nist["published"]), rel=1e-9, abs=0)


def test_fluorescein_line_and_its_intervals(evaluated):
    """Miller & Miller, examples 5.3.1 to 5.6.1 (answers from memory): line, intervals, three samples, 3 s/b.

    The samples are written as repeated readings of one preparation each, so that their means are the levels
    that the book reads from the line; their standard deviations are checked on the statistics themselves.
    """
    book = case("cal_fluorescein_ols")
    samples = {"2.9": 2.0, "13.5": 6.0, "23.0": 12.0}
    runs = [
        {"level": level, "preparation": "independent", "signals": [float(signal)] * 2}
        for signal, level in samples.items()
    ]

    record = evaluated(
        **calibration(book["inputs"]["x_pg_per_ml"], book["inputs"]["y"]), precision={"runs": runs}
    )

    line = record["calibration"]
    ours = {
        "b": line["slope"]["value"],
        "a": line["intercept"]["value"],
        "r": line["correlation"],
        "s_y_x": line["residual_standard_deviation"],
        "s_b": line["slope"]["standard_error"],
        "s_a": line["intercept"]["standard_error"],
        "ci_b_half": half_width(line["slope"]),
        "ci_a_half": half_width(line["intercept"]),
        "t_95_5df": half_width(line["slope"]) / line["slope"]["standard_error"],
        "LOD_3s_yx": 3 * line["method_standard_deviation"],
    }
    for (signal, level), entry in zip(samples.items(), record["precision"], strict=True):
        assert entry["level"] == level
        ours[f"x0_y{signal}"] = entry["mean"]["value"]
    published = numbers(book["published"])
    assert published.keys() - ours.keys() == {key for key in published if key.startswith(("s_x0", "ci_x0"))}
    for key, value in ours.items():
        assert value == pytest.approx(published[key], rel=0, abs=book["tolerance"][key]), key


def test_nitrite_calibration_of_iso_8466(evaluated):
    """ISO 8466-1:1990, annex (from memory): line, s_y, s_x0, V_x0; no curvature at 99 %, (1, 7) df."""
    standard = case("cal_iso8466_nitrite_mandel")

    found = evaluated(**calibration(standard["inputs"]["x"], standard["inputs"]["y"]))["calibration"]

    ours = {
        "b": found["slope"]["value"],
        "a": found["intercept"]["value"],
        "s_y": found["residual_standard_deviation"],
        "s_x0": found["method_standard_deviation"],
        "V_x0_pct": found["method_standard_deviation_percent"],
    }
    for key, text in standard["published"].items():
        assert ours[key] == pytest.approx(float(text), rel=0, abs=standard["tolerance"][key]), key
    assert found["quadratic_test"]["df"] == [1, 7]
    assert found["quadratic_test"]["p"] > 0.01


def test_cadmium_line_of_a_guide(evaluated):
    """Eurachem/CITAC CG 4, 3rd ed. 2012, example A5 (line from memory): coefficients, their errors, r, s."""
    guide = case("cal_quam_A5_cadmium")

    found = evaluated(**calibration(guide["inputs"]["conc_mg_per_l"], guide["inputs"]["absorbance"]))

    line = found["calibration"]
    ours = {
        "B1": line["slope"]["value"],
        "s_B1": line["slope"]["standard_error"],
        "B0": line["intercept"]["value"],
        "s_B0": line["intercept"]["standard_error"],
        "S_residual": line["residual_standard_deviation"],
        "r": line["correlation"],
    }
    for key, value in ours.items():
        printed = float(guide["published"][key])
        assert value == pytest.approx(printed, rel=0, abs=guide["tolerance"][key]), key
    assert (line["n"], line["levels"], line["degrees_of_freedom"]) == (15, 5, 13)


def test_line_of_a_textbook(evaluated):
    """Harvey, Analytical Chemistry 2.1, section 5.4 (answers from memory): slope and intercept."""
    book = case("cal_harvey_5_9")

    found = evaluated(**calibration(book["inputs"]["x"], book["inputs"]["y"]))["calibration"]

    assert agrees(found["slope"]["value"], book["published"]["slope"])
    assert agrees(found["intercept"]["value"], book["published"]["intercept"])


def test_weights_of_a_textbook(evaluated):
    """Harvey, Modern Analytical Chemistry, example 5.13: declared standard deviations, printed weights."""
    book = case("cal_weighted_example_5_13")
    columns = zip(*(book["inputs"][key] for key in ("x", "y", "s")), strict=True)
    runs = [{"level": x, "signal": y, "signal_sd": s} for x, y, s in columns]

    found = evaluated(analysis={"calibration": {"weighting": "1/s^2"}}, calibration={"runs": runs})[
        "calibration"
    ]

    weights = [point["weight"] for point in found["points"]]
    assert all(agrees(one, text) for one, text in zip(weights, book["published"]["weights"], strict=True))


def test_lack_of_fit_of_the_load_cell(evaluated):
    """NIST/SEMATECH e-Handbook, 4.6.1: line rejected (F = 214.7), parabola kept (F = 0.8107, from memory).

    The handbook computed the line in single precision, hence 1e-5 relative.
    """
    handbook = case("cal_load_cell_lack_of_fit")["published"]
    data = case("nist_linreg_Pontius")["inputs"]

    line, parabola = (
        evaluated(**calibration(data["x"], data["y"], model=model))["calibration"]
        for model in ("linear", "quadratic")
    )

    assert line["slope"]["value"] == pytest.approx(float(handbook["line_b1"]), rel=1e-5)
    assert line["residual_standard_deviation"] == pytest.approx(float(handbook["line_resid_sd"]), rel=1e-5)
    assert line["lack_of_fit"]["f"] == pytest.approx(float(handbook["line_lack_of_fit"]), rel=1e-5)
    assert line["lack_of_fit"]["df"] == handbook["line_df"]
    assert line["lack_of_fit"]["p"] < 1e-15
    assert agrees(parabola["lack_of_fit"]["f"], handbook["parabola_lack_of_fit"])
    assert parabola["lack_of_fit"]["df"] == handbook["parabola_df"]


def test_brown_forsythe_of_gear_diameters(evaluated):
    """NIST/SEMATECH e-Handbook, 1.3.5.10 (from memory): ten batches as ten levels, W = 1.7059, (9, 90) df."""
    handbook = case("tests_gear_diameter")
    batches = handbook["inputs"]["batches"]
    runs = [{"level": float(level), "signals": batch} for level, batch in enumerate(batches, start=1)]

    test = evaluated(calibration={"runs": runs})["calibration"]["homoscedasticity"]["brown_forsythe"]

    assert agrees(test["statistic"], handbook["published"]["levene_median"])
    assert test["df"] == handbook["published"]["df"]


# --- precision -------------------------------------------------------------------------------------
def nist_groups(name):
    inputs = case(f"nist_anova_{name}")["inputs"]
    if "data_file" not in inputs:
        return [list(group) for group in inputs["groups"].values()]
    groups = {}
    with (DATA / inputs["data_file"]).open(encoding="utf-8", newline="") as lines:
        for row in csv.DictReader(lines):
            groups.setdefault(row["group"], []).append(row["y"])
    return list(groups.values())


def wide_table(groups, *, columns=201):
    """The groups as rows of numbered columns, as long as a row may be."""
    lines = ["series;level;" + ";".join(f"concentration {i}" for i in range(1, columns + 1))]
    for name, group in enumerate(groups, start=1):
        for begin in range(0, len(group), columns):
            cells = [str(one) for one in group[begin : begin + columns]]
            cells += [""] * (columns - len(cells))
            lines.append(";".join([f"series {name}", "1", *cells]))
    return "\n".join(lines) + "\n"


@pytest.mark.parametrize(
    "name", ["SiRstv", "AtmWtAg", "SmLs01", "SmLs02", "SmLs03", "SmLs04", "SmLs05", "SmLs06"]
)
def test_nist_analysis_of_variance_agrees_to_nine_digits(evaluated, name):
    """NIST StRD, analysis of variance: residual sd, both mean squares and F through series of a table.

    The designs are balanced, so MS_between = s_r² + n·s_b² and F = MS_between/s_r².
    """
    certified = numbers(case(f"nist_anova_{name}")["published"])
    groups = nist_groups(name)
    each = len(groups[0])
    assert {len(group) for group in groups} == {each}

    (found,) = evaluated({"readings.csv": wide_table(groups)}, precision={"file": "readings.csv"})[
        "precision"
    ]

    within = found["repeatability_sd"]["value"] ** 2
    between = within + each * found["between_sd"]["value"] ** 2
    ours = {
        "resid_sd": found["repeatability_sd"]["value"],
        "ms_within": within,
        "ms_between": between,
        "F": between / within,
        "df_within": found["repeatability_sd"]["degrees_of_freedom"],
        "df_between": found["groups"] - 1,
    }
    assert ours == pytest.approx({key: certified[key] for key in ours}, rel=1e-9, abs=0)
    assert (found["n"], found["groups"]) == (sum(map(len, groups)), len(groups))


def test_stored_fluorescence_solutions(evaluated):
    """Miller & Miller, ch. 3 (from memory): solutions stored in four ways, MS 62 and 3, F = 20.7."""
    book = case("prec_anova_fluorescence_storage")

    (found,) = evaluated(**precision(book["inputs"]["groups"], level=100.0))["precision"]

    within = found["repeatability_sd"]["value"] ** 2
    between = within + 3 * found["between_sd"]["value"] ** 2
    assert within == pytest.approx(float(book["published"]["ms_within"]), rel=1e-12)
    assert between == pytest.approx(float(book["published"]["ms_between"]), rel=1e-12)
    assert agrees(between / within, book["published"]["F"])


def test_sulfur_in_coal(evaluated):
    """ISO 5725-2:1994, Annex B.1 (from memory): eight laboratories, unequal cells: m, s_r and s_R."""
    known = case("prec_iso5725_coal_sulfur")
    levels = [0.7, 1.2, 1.7, 3.3]
    runs = [
        {"laboratory": laboratory, "level": level, "concentrations": cell}
        for laboratory, cells in known["inputs"]["cells"].items()
        for level, cell in zip(levels, cells, strict=True)
    ]

    found = evaluated(precision={"runs": runs})["precision"]

    assert [entry["level"] for entry in found] == levels
    for key, figure in (("m", "mean"), ("s_r", "repeatability_sd"), ("s_R", "reproducibility_sd")):
        printed = [float(text) for text in known["published"][key]]
        ours = [entry[figure]["value"] for entry in found]
        assert ours == pytest.approx(printed, abs=known["tolerance"][key]), key
    assert {entry["factor"] for entry in found} == {"laboratory"}
    assert not any("intermediate_sd" in entry for entry in found)


def outlier_test(entry, name):
    return next(test for test in entry["outlier_tests"] if test["test"].startswith(name))


def test_nitrite_where_dixon_rejects_and_grubbs_does_not(evaluated):
    """Miller & Miller, ch. 3, examples 3.7.1-3.7.4 (from memory): the knife edge at seven values."""
    known = case("prec_outlier_nitrite")
    published, tolerance = known["published"], known["tolerance"]
    runs = [{"level": n, "concentrations": known["inputs"][f"n{n}"]} for n in (4, 7)]

    four, seven = evaluated(precision={"runs": runs})["precision"]

    flagged = []
    for key, entry, name in (
        ("Q4", four, "Dixon"),
        ("G4", four, "Grubbs (B"),
        ("Q7", seven, "Dixon"),
        ("G7", seven, "Grubbs (B"),
    ):
        test = outlier_test(entry, name)
        assert test["statistic"] == pytest.approx(float(published[key]), abs=tolerance[key])
        assert test["suspect"] == known["inputs"]["suspect"]
        flagged.append(test["flagged"])
    assert flagged == [False, False, True, False]
    assert seven["n"] == 7  # nothing was removed


@pytest.mark.parametrize(("column", "alpha"), [("two_sided_5pct", 0.05), ("two_sided_1pct", 0.01)])
def test_grubbs_critical_values(evaluated, column, alpha):
    """Grubbs & Beck, Technometrics 14 (1972) 847; as ISO 5725-2, table 5 (attribution from memory).

    Every fourth line of the table; all lines are checked on the statistic itself.
    """
    known = case("crit_grubbs_single")
    sizes = known["inputs"]["n"][::4]
    runs = [{"level": n, "concentrations": [float(n + i) for i in range(n)]} for n in sizes]

    found = evaluated(analysis={"alpha": alpha}, precision={"runs": runs})["precision"]

    critical = [outlier_test(entry, "Grubbs (B")["critical"] for entry in found]
    printed = [float(text) for text in known["published"][column][::4]]
    assert critical == pytest.approx(printed, abs=known["tolerance"][column])


@pytest.mark.parametrize(("column", "alpha", "lines"), [("5pct", 0.05, (3, 10)), ("1pct", 0.01, (5,))])
def test_cochran_critical_values(evaluated, column, alpha, lines):
    """Eisenhart, Hastay & Wallis (1947), table 15.1; as ISO 5725-2, table 4 (attribution from memory).

    One level for each entry of some lines of the table; the rest is checked on the statistic itself.
    """
    known = case("crit_cochran_C")
    places = [(k, at, nu) for k in lines for at, nu in enumerate(known["inputs"]["nu_per_group"]) if nu <= 10]
    runs = [
        {"level": level, "series": f"s{i}", "concentrations": [100.0 + 0.1 * i * j for j in range(nu + 1)]}
        for level, (k, _, nu) in enumerate(places)
        for i in range(1, k + 1)
    ]

    found = evaluated(analysis={"alpha": alpha}, precision={"runs": runs})["precision"]

    assert len(found) == len(places) == 10 * len(lines)
    for (k, at, _), entry in zip(places, found, strict=True):
        key = f"{column}_k{k}"
        printed = float(known["published"][key][at])
        ours = outlier_test(entry, "Cochran")["critical"]
        assert ours == pytest.approx(printed, abs=known["tolerance"][key]), (k, at)


def test_horwitz_function(evaluated):
    """Horwitz, Anal. Chem. 54 (1982) 67A (from memory): RSD_R = 2^(1-0.5 lg C), from the unit of the level.

    Below 1.2e-7 and above 0.138 Thompson's ends hold (Analyst 125 (2000) 385, from memory): 22 % and 1/√C %.
    """
    known = case("prec_horwitz")
    printed = dict(zip(known["inputs"]["C"], map(float, known["published"]["PRSD_R_pct"]), strict=True))
    runs = [{"level": c * 1e9, "concentrations": [c * 1e9 * f for f in (0.9, 1.1)]} for c in printed]

    found = evaluated(unit="µg/kg", precision={"runs": runs})["precision"]

    ours = {entry["level"]: entry for entry in found}
    assert len(ours) == 10
    for c, rsd in printed.items():
        assert ours[c * 1e9]["horwitz_rsd"] == pytest.approx(rsd, abs=0.06), c  # the tolerance of the table
        modified = 22.0 if c < 1.2e-7 else 1 / math.sqrt(c) if c > 0.138 else rsd
        assert ours[c * 1e9]["thompson_rsd"] == pytest.approx(modified, abs=0.06), c


# --- detection -------------------------------------------------------------------------------------
def scattered(n, *, mean, sd):
    """*n* values with exactly that mean and standard deviation."""
    z = np.arange(n) - (n - 1) / 2
    return (mean + sd * z / np.std(z, ddof=1)).tolist()


def spiked(n, *, sd=1.0, level=3.0):
    """*n* spiked samples and seven clean blanks over three batches each; that limit is declared."""

    def in_batches(values):
        return [
            {"series": f"batch {i % 3}", "concentrations": [float(value)]} for i, value in enumerate(values)
        ]

    return {
        "analysis": {
            "detection_limit": {"variant": "epa_mdl"},
            "quantification_limit": {"variant": "epa_mdl"},
        },
        "low_level": {
            "runs": [{"level": level, **run} for run in in_batches(scattered(n, mean=level, sd=sd))]
        },
        "blanks": {"runs": in_batches(scattered(7, mean=0.0, sd=1e-3 * sd))},
    }


@pytest.mark.parametrize(
    ("n", "t"),
    [
        (7, "3.143"),
        (8, "2.998"),
        (9, "2.896"),
        (10, "2.821"),
        (11, "2.764"),
        (16, "2.602"),
        (21, "2.528"),
        (26, "2.485"),
        (31, "2.457"),
        (32, "2.453"),
        (48, "2.408"),
        (50, "2.405"),
        (61, "2.390"),
        (64, "2.387"),
        (80, "2.374"),
        (96, "2.366"),
        (100, "2.365"),
    ],
)
def test_method_detection_limit_from_the_printed_t(evaluated, n, t):
    """40 CFR Part 136, Appendix B, revision 2 (2017), table 1: MDL = t(n-1, 0.99)·s of the spiked samples.

    The printed t of 100 results, 2.365, is its own rounding of 2.3646: half a unit of the last digit.
    """
    sd = 0.25

    found = evaluated(**spiked(n, sd=sd, level=2.0))["detection"]

    assert found["detection_limit"]["variant"] == "epa_mdl"
    assert agrees(found["detection_limit"]["value"] / sd, t)
    assert found["declared_by"] == "study"


def test_limits_of_the_method_detection_limit(evaluated):
    """40 CFR Part 136, Appendix B, rev. 1.11 (0.64 and 2.20 from memory): 95 % limits from seven spikes."""
    found = evaluated(**spiked(7))["detection"]["detection_limit"]

    lower, upper = (end / found["value"] for end in found["ci"])
    assert agrees(lower, "0.64")
    assert agrees(upper, "2.20")


# --- trueness --------------------------------------------------------------------------------------
def test_recovery_of_a_guide(evaluated):
    """Eurachem/CITAC CG 4, 3rd ed. 2012, example A4 (from memory): 90 %, s = 28 % of 42 results, t = 2.315.

    The results are made so that they have the printed mean and standard deviation.
    """
    found = [round(value, 12) for value in scattered(42, mean=0.9, sd=0.28)]

    (entry,) = evaluated(recovery={"runs": [{"level": 1, "found": found}]})["recovery"]

    assert entry["mean_recovery"]["value"] == pytest.approx(90, rel=1e-9)
    assert agrees(entry["mean_recovery"]["standard_error"], "4.32")
    assert agrees(abs(entry["t"]), "2.315")
    assert entry["mean_recovery"]["degrees_of_freedom"] == 41
    assert entry["p_bias"] < 0.05


def test_no_bias_in_ten_replicates_of_a_standard(evaluated):
    """A one-sample t test in closed form: |t| = √n·|x̄ - μ|/s, of values with known mean and sd.

    ISO 5725-4:1994 and any textbook of statistics; mean 101, s = 2, n = 16: t = 2 exactly, p by Student.
    """
    (entry,) = evaluated(recovery={"runs": [{"level": 100, "found": scattered(16, mean=101.0, sd=2.0)}]})[
        "recovery"
    ]

    assert abs(entry["t"]) == pytest.approx(2, rel=1e-9)
    assert entry["p_bias"] == pytest.approx(two_sided_p(2.0, 15), rel=1e-9)


def two_sided_p(t, odd):
    """Two-sided probability of Student's t for an odd number of degrees of freedom.

    Abramowitz & Stegun, Handbook of Mathematical Functions (1964), 26.7.3.
    """
    theta = math.atan(t / math.sqrt(odd))
    term, total = math.cos(theta), 0.0
    for k in range(1, odd - 1, 2):
        total += term
        term *= math.cos(theta) ** 2 * (k + 1) / (k + 2)
    return 1 - 2 / math.pi * (theta + math.sin(theta) * total)
