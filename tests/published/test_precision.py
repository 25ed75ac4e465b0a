"""Precision against published figures. Each data file names its source and whether its text was seen."""

from __future__ import annotations

import csv
from fractions import Fraction
from pathlib import Path

import numpy as np
import pytest
import yaml

from validator.statistics.horwitz import horwitz_rsd, thompson_rsd
from validator.statistics.interlaboratory import (
    algorithm_s_factors,
    interlaboratory,
    mandel_h_critical,
    mandel_k_critical,
)
from validator.statistics.level_dependence import level_dependence
from validator.statistics.nested import crossed, nested
from validator.statistics.outliers import cochran_critical, dixon, grubbs, grubbs_critical, grubbs_double
from validator.statistics.precision import one_way
from validator.statistics.variance_components import one_way_layout

DATA = Path(__file__).parent / "data"


def case(name):
    return yaml.safe_load((DATA / f"{name}.yaml").read_text(encoding="utf-8"))


def decimal_groups(name):
    """The groups of a NIST set as decimal text, so that leading digits can be put in front."""
    inputs = case(f"nist_anova_{name}")["inputs"]
    if "data_file" not in inputs:
        return [[repr(value) for value in group] for group in inputs["groups"].values()]
    groups = {}
    with (DATA / inputs["data_file"]).open(encoding="utf-8", newline="") as lines:
        for row in csv.DictReader(lines):
            groups.setdefault(row["group"], []).append(row["y"])
    return list(groups.values())


def constructed(name):
    """SmLs07-09: the sets SmLs04-06 with thirteen instead of seven constant leading digits.

    Compared digit for digit with NIST's own files when this was written.
    """
    origin = {"SmLs07": "SmLs04", "SmLs08": "SmLs05", "SmLs09": "SmLs06"}[name]
    return [
        [value.replace("1000000.", "1000000000000.") for value in group] for group in decimal_groups(origin)
    ]


def floats(groups):
    return [[float(value) for value in group] for group in groups]


@pytest.mark.parametrize(
    "name", ["SiRstv", "AtmWtAg", "SmLs01", "SmLs02", "SmLs03", "SmLs04", "SmLs05", "SmLs06"]
)
def test_agrees_with_nist_anova_to_nine_digits(name):
    """NIST Statistical Reference Datasets, analysis of variance: every certified figure, 1e-9 relative."""
    certified = {key: float(text) for key, text in case(f"nist_anova_{name}")["published"].items()}
    groups = floats(decimal_groups(name))

    result = one_way(groups)
    layout = one_way_layout(groups)

    assert result.df_between == certified["df_between"]
    assert result.df_within == certified["df_within"]
    assert layout.ss_between == pytest.approx(certified["ss_between"], rel=1e-9)
    assert layout.ss_within == pytest.approx(certified["ss_within"], rel=1e-9)
    assert result.ms_between == pytest.approx(certified["ms_between"], rel=1e-9)
    assert result.ms_within == pytest.approx(certified["ms_within"], rel=1e-9)
    assert result.f == pytest.approx(certified["F"], rel=1e-9)
    assert result.repeatability_sd.value == pytest.approx(certified["resid_sd"], rel=1e-9)
    share = layout.ss_between / (layout.ss_between + layout.ss_within)
    assert share == pytest.approx(certified["R2"], rel=1e-9)


@pytest.mark.parametrize(
    ("name", "certified_as"), [("SmLs07", "SmLs01"), ("SmLs08", "SmLs02"), ("SmLs09", "SmLs03")]
)
def test_reaches_what_doubles_can_hold_of_the_hardest_nist_sets(name, certified_as):
    """SmLs07-09 have 13 constant leading digits: a double keeps 0.4 there as 0.4000244, four digits.

    The certified figures are those of SmLs01-03 (NIST), the tolerance 1e-4 is the size of that rounding.
    """
    certified = {key: float(text) for key, text in case(f"nist_anova_{certified_as}")["published"].items()}

    result = one_way(floats(constructed(name)))

    assert result.f == pytest.approx(certified["F"], rel=1e-4)
    assert result.ms_between == pytest.approx(certified["ms_between"], rel=2e-4)
    assert result.repeatability_sd.value == pytest.approx(certified["resid_sd"], rel=1e-4)


def test_what_remains_on_smls07_is_the_data_and_not_the_code():
    """Exact fractions on the stored doubles give our F to 12 digits; on the decimal text they give 21."""
    text = constructed("SmLs07")

    assert one_way(floats(text)).f == pytest.approx(float(exact_f(floats(text))), rel=1e-12)
    assert exact_f(text) == 21


def exact_f(groups):
    groups = [[Fraction(value) for value in group] for group in groups]
    n, p = sum(map(len, groups)), len(groups)
    grand = sum(map(sum, groups)) / n
    means = [sum(group) / len(group) for group in groups]
    between = sum(len(group) * (mean - grand) ** 2 for group, mean in zip(groups, means, strict=True))
    within = sum((y - mean) ** 2 for group, mean in zip(groups, means, strict=True) for y in group)
    return (between / (p - 1)) / (within / (n - p))


def test_fluorescence_under_four_conditions():
    """Miller & Miller, Statistics and Chemometrics for Analytical Chemistry, ch. 3 (from memory)."""
    known = case("prec_anova_fluorescence_storage")

    result = one_way(known["inputs"]["groups"])

    assert result.ms_between == pytest.approx(62, rel=1e-12)
    assert result.ms_within == pytest.approx(3, rel=1e-12)
    assert f"{result.f:.1f}" == known["published"]["F"]


def coal():
    known = case("prec_iso5725_coal_sulfur")
    cells = known["inputs"]["cells"].values()
    return [[cell[level] for cell in cells] for level in range(4)], known


def test_sulfur_in_coal():
    """ISO 5725-2:1994, Annex B.1 (from memory): unequal cells, four levels, m, s_r and s_R."""
    levels, known = coal()

    results = [interlaboratory(cells) for cells in levels]

    for key, figure in (
        ("m", lambda result: result.mean.value),
        ("s_r", lambda result: result.repeatability_sd.value),
        ("s_R", lambda result: result.reproducibility_sd.value),
    ):
        printed = [float(text) for text in known["published"][key]]
        assert [figure(result) for result in results] == pytest.approx(printed, abs=known["tolerance"][key])


def test_sulfur_in_coal_stragglers():
    """ISO 5725-2:1994, B.1.4 (from memory): h marks laboratory 6 at level 2, k laboratory 8 at level 1."""
    levels, _ = coal()
    low, second = interlaboratory(levels[0]).mandel, interlaboratory(levels[1]).mandel

    assert int(np.argmax(np.abs(second.h))) == 5
    assert second.h[5] > second.h_critical[0]
    assert int(np.argmax(low.k)) == 7


@pytest.mark.parametrize("k", range(2, 11))
@pytest.mark.parametrize(("column", "alpha"), [("5pct", 0.05), ("1pct", 0.01)])
def test_cochran_critical_values(k, column, alpha):
    """Eisenhart, Hastay & Wallis (1947), table 15.1; as ISO 5725-2, table 4 (attribution from memory)."""
    known = case("crit_cochran_C")

    found = [cochran_critical(k, nu, alpha) for nu in known["inputs"]["nu_per_group"]]

    printed = [float(text) for text in known["published"][f"{column}_k{k}"]]
    assert found == pytest.approx(printed, abs=known["tolerance"][f"{column}_k{k}"])


@pytest.mark.parametrize(
    ("column", "alpha"), [("one_sided_5pct", 0.10), ("two_sided_5pct", 0.05), ("two_sided_1pct", 0.01)]
)
def test_grubbs_critical_values(column, alpha):
    """Grubbs & Beck, Technometrics 14 (1972) 847; as ISO 5725-2, table 5 (attribution from memory).

    Two-sided at 10 % is one-sided at 5 %.
    """
    known = case("crit_grubbs_single")

    found = [grubbs_critical(n, alpha) for n in known["inputs"]["n"]]

    printed = [float(text) for text in known["published"][column]]
    assert found == pytest.approx(printed, abs=known["tolerance"][column])


@pytest.mark.parametrize(
    ("alpha", "printed"),
    [
        (0.05, {5: 0.0090, 6: 0.0349, 7: 0.0708, 8: 0.1101, 9: 0.1492, 10: 0.1864, 15: 0.3367, 20: 0.4391}),
        (0.01, {5: 0.0018, 6: 0.0116, 7: 0.0308, 8: 0.0563, 9: 0.0851, 10: 0.1150, 15: 0.2530, 20: 0.3585}),
    ],
)
def test_grubbs_double_critical_values(alpha, printed):
    """ISO 5725-2:1994, table 5, two largest or two smallest (from memory); ours are simulated."""
    tests = {n: grubbs_double([*range(n - 1), 2 * n], "largest", alpha=alpha) for n in printed}

    assert {n: test.critical for n, test in tests.items()} == pytest.approx(printed, abs=8e-4)


@pytest.mark.parametrize(("column", "alpha"), [("h_5pct", 0.05), ("h_1pct", 0.01)])
def test_mandel_h_critical_values(column, alpha):
    """ISO 5725-2:1994, tables 6 and 7; ASTM E691 (from memory)."""
    known = case("crit_mandel_h_k")

    found = [mandel_h_critical(p, alpha) for p in known["inputs"]["p"]]

    printed = [float(text) for text in known["published"][column]]
    assert found == pytest.approx(printed, abs=known["tolerance"][column])


def test_mandel_k_critical_values():
    """ISO 5725-2:1994, table 6 for two and three readings at 5 % (from memory)."""
    known = case("crit_mandel_h_k")
    published, tolerance = known["published"], known["tolerance"]

    for_two = [mandel_k_critical(p, 2, 0.05) for p in known["inputs"]["p"]]
    for_three = [mandel_k_critical(p, 3, 0.05) for p in (3, 4, 5)]

    assert for_two == pytest.approx(
        [float(text) for text in published["k_n2_5pct"]], abs=tolerance["k_n2_5pct"]
    )
    assert for_three == pytest.approx(
        [float(text) for text in published["k_n3_5pct_p3_p4_p5"]], abs=tolerance["k_n3_5pct_p3_p4_p5"]
    )


def test_nitrite_where_dixon_rejects_and_grubbs_does_not():
    """Miller & Miller, ch. 3, examples 3.7.1-3.7.4 (from memory): the knife edge at seven values."""
    known = case("prec_outlier_nitrite")
    four, seven = known["inputs"]["n4"], known["inputs"]["n7"]
    published, tolerance = known["published"], known["tolerance"]

    q4, g4, q7, g7 = dixon(four), grubbs(four), dixon(seven), grubbs(seven)

    for key, test in (("Q4", q4), ("G4", g4), ("Q7", q7), ("G7", g7)):
        assert test.statistic == pytest.approx(float(published[key]), abs=tolerance[key])
        assert test.suspect == known["inputs"]["suspect"]
        assert test.index == (3,)
    assert [q4.flagged, g4.flagged, q7.flagged, g7.flagged] == [False, False, True, False]


def test_dixon_critical_values():
    """Rorabacher, Anal. Chem. 63 (1991) 139, r10, two-sided 90 % and 95 %, n = 3 to 10 (from memory).

    That table rests on Dixon's integrations of 1951 and is off by up to 0.003 here and there.
    """
    printed = {
        0.10: [0.941, 0.765, 0.642, 0.560, 0.507, 0.468, 0.437, 0.412],
        0.05: [0.970, 0.829, 0.710, 0.625, 0.568, 0.526, 0.493, 0.466],
    }

    for alpha, column in printed.items():
        found = [dixon([*range(n - 1), 2 * n], alpha=alpha).critical for n in range(3, 11)]
        assert found == pytest.approx(column, abs=0.004)


def test_horwitz_curve():
    """Horwitz, Anal. Chem. 54 (1982) 67A; AOAC predicted RSD_R (from memory)."""
    known = case("prec_horwitz")

    found = [horwitz_rsd(c) for c in known["inputs"]["C"]]

    printed = [float(text) for text in known["published"]["PRSD_R_pct"]]
    assert found == pytest.approx(printed, abs=known["tolerance"]["PRSD_R_pct"])


def test_thompson_limbs():
    """Thompson, Analyst 125 (2000) 385 (from memory): 22 % below 120 µg/kg, 0.01·c^0.5 above 13.8 %."""
    assert thompson_rsd(1e-9) == 22.0
    assert thompson_rsd(0.25) == pytest.approx(2.0)
    assert thompson_rsd(1e-6) == pytest.approx(horwitz_rsd(1e-6), rel=1e-3)


def test_dependence_on_level():
    """ISO 5725-2:1994, 7.5, worked example of the iteration (from memory): printed 0.032 + 0.0154 m."""
    m = [3.94, 8.28, 14.18, 15.59, 20.41]
    s = [0.092, 0.179, 0.127, 0.337, 0.393]

    proportional, linear, power = level_dependence(m, s)

    assert f"{proportional.slope:.3f}" == "0.019"
    assert f"{linear.intercept:.3f}" == "0.032"
    assert f"{linear.slope:.4f}" == "0.0154"
    assert f"{power.slope:.2f}" == "0.77"
    assert f"{10**power.intercept:.3f}" == "0.031"


def test_factors_of_algorithm_s():
    """ISO 5725-5:1998, table 1; ISO 13528, annex C (seen in a public text): η and ξ for ν = 1 to 10.

    The printed ξ at ν = 10 is 1.017; its own definition gives 1.0164, hence a unit of the last digit there.
    """
    eta = [1.645, 1.517, 1.444, 1.395, 1.359, 1.332, 1.310, 1.292, 1.277, 1.264]
    xi = [1.097, 1.054, 1.039, 1.032, 1.027, 1.024, 1.021, 1.019, 1.018, 1.017]

    found = [algorithm_s_factors(nu) for nu in range(1, 11)]

    assert [factor for factor, _ in found] == pytest.approx(eta, abs=6e-4)
    assert [factor for _, factor in found[:9]] == pytest.approx(xi[:9], abs=6e-4)
    assert found[9][1] == pytest.approx(xi[9], abs=1e-3)


DYESTUFF = [
    [1545, 1440, 1440, 1520, 1580],
    [1540, 1555, 1490, 1560, 1495],
    [1595, 1550, 1605, 1510, 1560],
    [1445, 1440, 1595, 1465, 1545],
    [1595, 1630, 1515, 1635, 1625],
    [1520, 1455, 1450, 1480, 1445],
]

PASTES = """62.8 62.6 60.1 62.3 62.7 63.1  60.0 61.4 57.5 56.9 61.1 58.9  58.7 57.5 63.9 63.1 65.4 63.7
57.1 56.4 56.9 58.6 64.7 64.5  55.1 55.1 54.7 54.2 58.8 57.5  63.4 64.9 59.3 58.1 60.5 60.0
62.5 62.6 61.0 58.7 56.9 57.7  59.2 59.4 65.2 66.0 64.8 64.1  54.8 54.8 64.0 64.0 57.7 56.8
58.3 59.3 59.2 59.2 58.9 56.6"""

PURITY = "1 -1 0 -2 -3 -4 -2 0 1 1 4 0  1 -2 -3 0 4 2 -1 0 -2 0 3 2  2 4 0 -2 0 2 1 -1 2 3 2 1"

PARTS = """21 20 20 20 19 21  24 23 24 24 23 24  20 21 19 21 20 22  27 27 28 26 27 28  19 18 19 18 18 21
23 21 24 21 23 22  22 21 22 24 22 20  19 17 18 20 19 18  24 23 25 23 24 24  25 23 26 25 24 25
21 20 20 20 21 20  18 19 17 19 18 19  23 25 25 25 25 25  24 24 23 25 24 25  29 30 30 28 31 30
26 26 25 26 25 27  20 20 19 20 20 20  19 21 19 19 21 23  25 26 25 24 25 25  19 19 18 17 19 17"""


def numbers(text):
    return [float(word) for word in text.split()]


def test_dyestuff_batches():
    """Davies & Goldsmith, Statistical Methods in Research and Production (1972), table 6.1 (from memory)."""
    result = one_way(DYESTUFF)

    assert result.ms_between == pytest.approx(11271.5)
    assert result.ms_within == pytest.approx(2451.25)
    assert result.between_sd.value**2 == pytest.approx(1764.05)
    assert result.mean.value == pytest.approx(1527.5)


def test_paste_strength_casks_within_batches():
    """Davies & Goldsmith (1972), table 6.3: nested, mean squares 27.489, 17.545, 0.678 (from memory)."""
    result = nested(
        numbers(PASTES), {"batch": [i // 6 for i in range(60)], "cask": [i // 2 % 3 for i in range(60)]}
    )

    batch, cask, residual = result.components
    assert [f"{line.mean_square:.3f}" for line in result.components] == ["27.489", "17.545", "0.678"]
    assert [f"{line.variance:.3f}" for line in (batch, cask, residual)] == ["1.657", "8.434", "0.678"]
    assert [f"{line.sd.value:.3f}" for line in (batch, cask, residual)] == ["1.287", "2.904", "0.823"]


def test_purity_by_supplier_with_a_negative_component():
    """Montgomery, Design and Analysis of Experiments, example 14.1 (from memory): σ² = 0, 1.71, 2.64."""
    result = nested(
        numbers(PURITY), {"supplier": [i // 12 for i in range(36)], "batch": [i // 3 % 4 for i in range(36)]}
    )

    assert [f"{line.mean_square:.2f}" for line in result.components] == ["7.53", "7.77", "2.64"]
    assert [f"{line.variance:.2f}" for line in result.components] == ["0.00", "1.71", "2.64"]
    assert [line.clipped for line in result.components] == [True, False, False]
    assert "set to zero: supplier" in result.method


def test_parts_by_operators_crossed():
    """Montgomery, Design and Analysis of Experiments, ch. 13, measurement systems example (from memory)."""
    result = crossed(
        numbers(PARTS), {"part": [i // 6 for i in range(120)], "operator": [i // 2 % 3 for i in range(120)]}
    )

    mean_squares = [f"{line.mean_square:.3f}" for line in result.components]
    assert mean_squares == ["62.391", "1.308", "0.712", "0.992"]
    assert [f"{line.variance:.4f}" for line in result.components] == ["10.2798", "0.0149", "0.0000", "0.9917"]
    assert result.components[2].clipped
