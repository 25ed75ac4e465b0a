"""Published examples of precision as studies, evaluated by the command.

Each data file in ``data`` names its source and whether its text was seen; the source is repeated beside each
check.
"""

from __future__ import annotations

import json
from decimal import Decimal
from pathlib import Path

import pytest
import yaml

DATA = Path(__file__).parent / "data"


def case(name):
    return yaml.safe_load((DATA / f"{name}.yaml").read_text(encoding="utf-8"))


def printed(text):
    """Agrees with printed digits: within half a unit of the last one."""
    exponent = Decimal(text).as_tuple().exponent
    return pytest.approx(float(text), rel=0, abs=0.5000001 * 10.0**exponent)


@pytest.fixture
def precision_of(folder_with, command, described, tmp_path):
    """The precision that the command finds from these runs."""

    def precision_of(runs, **more):
        file = tmp_path / "results.json"
        study = described(precision={"runs": runs}, **more)
        done = command("evaluate", folder_with(study), "--results", file)
        assert (done.status, done.err) == (0, "")
        analytes = json.loads(file.read_text(encoding="utf-8"))["analytes"]
        return analytes["x"]["configurations"]["default"]["precision"]

    return precision_of


def outlier_test(entry, name):
    return next(test for test in entry["outlier_tests"] if test["test"].startswith(name))


def test_creosote_oil_with_the_laboratories_left_out(precision_of):
    """ISO 5725-2:1994, Annex B.3 (from memory): m, s_r, s_R without laboratory 1, and 6 at the fifth level.

    With all laboratories Grubbs' test calls laboratory 1 an outlier at the third and fourth level, and
    Cochran's laboratory 7 a straggler at the fourth.
    """
    standard = case("prec_iso5725_creosote")
    levels = [4, 8, 14, 16, 20]
    runs = []
    for laboratory, cells in standard["inputs"]["cells"].items():
        for at, cell in enumerate(cells):
            left_out = at in standard["inputs"]["excluded"].get(laboratory, ())
            cause = {"excluded": "left out in the standard"} if left_out else {}
            runs.append({"laboratory": laboratory, "level": levels[at], "concentrations": cell, **cause})

    found = precision_of(runs)

    for entry, m, s_r, s_R in zip(
        found, *(standard["published"][key] for key in ("m", "s_r", "s_R")), strict=True
    ):
        assert entry["mean"]["value"] == printed(m)
        assert entry["repeatability_sd"]["value"] == printed(s_r)
        assert entry["reproducibility_sd"]["value"] == printed(s_R)
    grades = [outlier_test(entry["with_excluded"], "Grubbs (B").get("grade") for entry in found]
    assert grades == [None, None, "outlier", "outlier", None]
    fourth = outlier_test(found[3]["with_excluded"], "Cochran")
    assert (fourth["grade"], fourth["suspect_group"]) == ("straggler", "7")


def test_casks_in_batches_of_paste(precision_of):
    """Davies & Goldsmith, table 6.8 (from memory): casks nested in batches, as series that recur each day.

    The figures are those of lme4 (seen, as several public texts print its output).
    """
    known = case("prec_nested_pastes")
    runs = [
        {"level": 60, "day": batch, "series": "abc"[cask], "concentrations": assays}
        for batch, casks in known["inputs"]["batches"].items()
        for cask, assays in enumerate(casks)
    ]

    (entry,) = precision_of(runs)

    parts = {one["factor"]: one["sd"]["value"] for one in entry["components"]}
    published = known["published"]
    assert parts["day"] == printed(published["batch"])
    assert parts["series"] == printed(published["cask"])
    assert entry["repeatability_sd"]["value"] == printed(published["residual"])
    assert entry["mean"]["value"] == printed(published["mean"])


def test_purity_of_salt_in_a_barrel(precision_of):
    """Miller & Miller, ch. 3 (from memory): mean squares, F and the variance of sampling."""
    known = case("prec_anova_salt")
    runs = [
        {"level": 98.8, "series": name, "concentrations": some}
        for name, some in known["inputs"]["groups"].items()
    ]

    (entry,) = precision_of(runs)

    table, published = entry["analysis_of_variance"], known["published"]
    assert table["ms_between"] == printed(published["ms_between"])
    assert table["ms_within"] == printed(published["ms_within"])
    assert table["f"] == printed(published["F"])
    assert (table["df_between"], table["df_within"]) == (4, 15)
    assert entry["between_sd"]["value"] ** 2 == printed(published["sampling_variance"])


def test_voltage_standard_on_ten_days(precision_of):
    """JCGM 100:2008, H.5 (from memory): five readings a day, given as means and standard deviations.

    57 µV between the daily means, 85 µV within a day, F = 2.25, 43 µV added by the day; u of the mean 18 µV.
    """
    means = [172, 116, 13, 144, 106, 31, 60, 125, 163, 41]  # µV above 10 V
    sds = [60, 77, 111, 101, 67, 93, 80, 73, 88, 86]
    steps = [step / 2.5**0.5 for step in (-2, -1, 0, 1, 2)]  # mean 0, standard deviation 1
    runs = [
        {"level": 10, "day": day, "concentrations": [10 + 1e-6 * (m + s * step) for step in steps]}
        for day, (m, s) in enumerate(zip(means, sds, strict=True))
    ]

    (entry,) = precision_of(runs)

    table = entry["analysis_of_variance"]
    assert 1e6 * (entry["mean"]["value"] - 10) == pytest.approx(97.1, rel=0, abs=1e-6)
    assert round(1e6 * (table["ms_between"] / 5) ** 0.5) == 57
    assert round(1e6 * entry["repeatability_sd"]["value"]) == 85
    assert table["f"] == pytest.approx(2.25, abs=0.02)  # printed from the rounded 57 and 85
    assert (table["df_between"], table["df_within"]) == (9, 40)
    assert round(1e6 * entry["between_sd"]["value"]) == 43
    assert round(1e6 * entry["mean"]["standard_error"]) == 18
    assert entry["mean"]["degrees_of_freedom"] == 9


MODULES = """37 38 37 41 41 40 41 42 41  42 41 43 42 42 42 43 42 43  30 31 31 31 31 31 29 30 28
    42 43 42 43 43 43 42 42 42  28 30 29 29 30 29 31 29 29  42 42 43 45 45 45 44 46 45
    25 26 27 28 28 30 29 27 27  40 40 40 43 42 42 43 43 41  25 25 25 27 29 28 26 26 26
    35 34 34 35 35 34 35 34 35"""


def test_thermal_performance_of_modules_by_three_operators(precision_of):
    """Houf & Burman (1988), data as in the documentation of SAS/STAT, PROC VARCOMP, example 2 (seen).

    Mean squares, components and the interval of the modules' variance, 22.69 to 161.64, are those of R.K.
    Burdick, C.M. Borror, D.C. Montgomery, J. Qual. Technol. 35 (2003) 342 (from memory): the interval of Ting
    et al. Modules take the place of days.
    """
    values = [float(text) for text in MODULES.split()]
    runs = [
        {"level": 36, "day": i // 3, "operator": "ABC"[i % 3], "concentrations": values[3 * i : 3 * i + 3]}
        for i in range(30)
    ]

    (entry,) = precision_of(runs)

    parts = {one["factor"]: one["sd"] for one in entry["components"]}
    variances = [f"{parts[name]['value'] ** 2:.4f}" for name in ("day", "operator", "day:operator")]
    assert variances == ["48.2926", "0.5646", "0.7280"]
    assert f"{entry['repeatability_sd']['value'] ** 2:.4f}" == "0.5111"
    assert [f"{end**2:.2f}" for end in parts["day"]["ci"]] == ["22.69", "161.64"]
    assert entry["mean"]["value"] == pytest.approx(35.8)


def test_copper_in_flour_by_algorithm_a(precision_of):
    """Analytical Methods Committee, Analyst 114 (1989) 1693: 24 results of copper, one of them 28.95.

    Data and Huber's location 3.2055 and scale 0.6737 as in the documentation of statsmodels (seen). Algorithm
    A (ISO 13528, ISO 5725-5) is the same estimate with its constants rounded to 1.5, 1.134 and 1.483.
    """
    text = """2.20 2.20 2.4 2.4 2.5 2.7 2.8 2.9 3.03 3.03 3.10 3.37 3.4 3.4 3.4 3.5 3.6 3.7 3.7 3.7 3.7 3.77
        5.28 28.95"""
    runs = [
        {"level": 3.2, "laboratory": f"L{i}", "concentrations": [float(x)]}
        for i, x in enumerate(text.split())
    ]

    (entry,) = precision_of(runs)

    assert entry["robust"]["mean"] == pytest.approx(3.2055, abs=2e-4)
    assert entry["robust"]["reproducibility_sd"] == pytest.approx(0.6737, rel=1e-3)


def test_uranium_by_mass_spectrometry(precision_of):
    """NIST/SEMATECH e-Handbook, 1.3.5.17 (Tietjen & Moore 1972): G = 2.4688, critical at 5 %: 2.032, 2.1266.

    Data and figures as in the documentation of general libraries (seen), for one and for two sides.
    """
    values = [199.31, 199.53, 200.19, 200.82, 201.92, 201.95, 202.18, 245.57]

    (entry,) = precision_of([{"level": 200, "concentrations": values}], analysis={"alpha": 0.05})

    grubbs = outlier_test(entry, "Grubbs (")
    assert grubbs["statistic"] == printed("2.4688")
    assert grubbs["critical"] == pytest.approx(2.1266, abs=1e-4)


@pytest.mark.parametrize(
    ("alpha", "column"),
    [
        (0.05, "0.970 0.829 0.710 0.625 0.568 0.526 0.493 0.466"),
        (0.01, "0.994 0.926 0.821 0.740 0.680 0.634 0.598 0.568"),
    ],
)
def test_critical_values_of_dixon(precision_of, alpha, column):
    """Rorabacher, Anal. Chem. 63 (1991) 139, r10, two-sided, 3 to 10 values (from memory).

    The table was interpolated from Dixon's; the integral behind ours differs by up to 0.006 from it.
    """
    runs = [{"level": n, "concentrations": [float(n + i) for i in range(n)]} for n in range(3, 11)]

    found = precision_of(runs, analysis={"alpha": alpha})

    ours = [outlier_test(entry, "Dixon")["critical"] for entry in found]
    assert ours == pytest.approx([float(text) for text in column.split()], rel=0, abs=0.006)


@pytest.mark.parametrize(
    ("alpha", "column"),
    [
        (0.05, "0.0349 0.0708 0.1101 0.1492 0.1864 0.2213 0.2537"),
        (0.01, "0.0116 0.0308 0.0563 0.0851 0.1150 0.1448 0.1738"),
    ],
)
def test_critical_values_of_grubbs_for_two_values(precision_of, alpha, column):
    """ISO 5725-2:1994, table 5, two largest or two smallest of 6 to 12 values (from memory)."""
    runs = [{"level": n, "concentrations": [float(n + i) for i in range(n)]} for n in range(6, 13)]

    found = precision_of(runs, analysis={"alpha": alpha})

    for side in ("largest", "smallest"):
        ours = [outlier_test(entry, f"Grubbs, two {side}")["critical"] for entry in found]
        assert ours == [float(text) for text in column.split()]


def test_critical_values_of_grubbs_as_a_reduction_of_the_standard_deviation(precision_of):
    """AOAC Official Methods (2005), Appendix D, appendix 2 (seen): fall of s in percent without one value.

    Two-sided at 2.5 %. The table was smoothed from about 7 000 simulated sets; in its own digits ours differ
    by up to 0.9.
    """
    table = {4: 86.1, 5: 73.5, 6: 64.0, 7: 57.0, 8: 51.4, 9: 46.8, 10: 42.8, 12: 36.1, 15: 29.9}
    table |= {20: 23.6, 25: 19.8, 30: 17.1, 40: 13.3, 50: 11.1}
    runs = [{"level": n, "concentrations": [float(n + i) for i in range(n)]} for n in table]

    found = precision_of(runs, analysis={"alpha": 0.025})

    critical = {entry["n"]: outlier_test(entry, "Grubbs (")["critical"] for entry in found}
    # without the value at G standard deviations s² is [(n - 1)² - n G²]/[(n - 1)(n - 2)] of what it was
    left = {n: ((n - 1) ** 2 - n * G**2) / ((n - 1) * (n - 2)) for n, G in critical.items()}
    ours = {n: round(100 * (1 - share**0.5), 1) for n, share in left.items()}
    assert ours == pytest.approx(table, rel=0, abs=0.9 + 1e-9)
