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
    """Davies & Goldsmith, table 6.8 (from memory): casks nested in batches, as series that recur each day."""
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
