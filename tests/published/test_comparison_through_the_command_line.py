"""Published examples of method comparison and robustness as studies, evaluated by the command.

Whether a source's text was seen is said beside each check.
"""

from __future__ import annotations

import json
import math
from pathlib import Path

import pytest
import yaml

DATA = Path(__file__).parent / "data"


@pytest.fixture
def evaluated(folder_with, command, described, tmp_path):
    """What the command finds for the only analyte of a study with these blocks."""

    def evaluated(**blocks):
        file = tmp_path / "results.json"
        done = command("evaluate", folder_with(described(**blocks)), "--results", file)
        assert (done.status, done.err) == (0, "")
        return json.loads(file.read_text(encoding="utf-8"))["analytes"]["x"]["configurations"]["default"]

    return evaluated


def samples(this_method, reference_method, **uncertainties):
    """Runs of a comparison, with the uncertainties of both results where they are given."""
    runs = [
        {"sample": f"S{i}", "this_method": y, "reference_method": x}
        for i, (y, x) in enumerate(zip(this_method, reference_method, strict=True))
    ]
    for name, values in uncertainties.items():
        for run, u in zip(runs, values, strict=True):
            run[name] = u
    return {"runs": runs}


def test_peak_flow_by_two_meters(evaluated):
    """J.M. Bland, D.G. Altman, Lancet i (1986) 307: bias -2.1 l/min, s = 38.8, limits -79.7 and 75.5.

    Data, bias and s are quoted alike in public texts that were seen; the paper takes 2 s for its limits (from
    memory), which lie 0.04 s beyond those of 1.96 s.
    """
    wright = [494, 395, 516, 434, 476, 557, 413, 442, 650, 433, 417, 656, 267, 478, 178, 423, 427]
    mini = [512, 430, 520, 428, 500, 600, 364, 380, 658, 445, 432, 626, 260, 477, 259, 350, 451]

    found = evaluated(comparison=samples(wright, mini))["comparison"]

    bias, sd = found["bland_altman"]["bias"]["value"], found["paired"]["sd"]
    assert (round(bias, 1), round(sd, 1)) == (-2.1, 38.8)
    lower, upper = found["bland_altman"]["lower"]["value"], found["bland_altman"]["upper"]["value"]
    assert lower == pytest.approx(-79.7 + 0.04 * sd, abs=0.1)
    assert upper == pytest.approx(75.5 - 0.04 * sd, abs=0.1)
    assert [round(end, 1) for end in found["bland_altman"]["bias"]["ci"]] == [-22.0, 17.8]


def test_line_of_closest_fit(evaluated):
    """K. Pearson, Phil. Mag. 2 (1901) 559 (from memory): equal errors in both, y = 5.784 - 0.5456 x."""
    points = yaml.safe_load((DATA / "cmp_york_pearson.yaml").read_text(encoding="utf-8"))["inputs"]

    line = evaluated(comparison=samples(points["y"], points["x"]))["comparison"]["deming"]

    assert line["slope"]["value"] == pytest.approx(-0.5456, abs=5e-5)
    assert line["intercept"]["value"] == pytest.approx(5.784, abs=5e-4)
    assert (line["variance_ratio"], line["ratio_source"]) == (1, "assumed")


def test_line_with_uncertainties_of_every_point(evaluated):
    """D. York, Can. J. Phys. 44 (1966) 1079, tables I and II (text seen): Pearson's data with weights."""
    published = yaml.safe_load((DATA / "cmp_york_pearson.yaml").read_text(encoding="utf-8"))
    inputs, expected = published["inputs"], published["published"]

    line = evaluated(
        comparison=samples(
            inputs["y"],
            inputs["x"],
            this_method_uncertainty=[w**-0.5 for w in inputs["weight_y"]],
            reference_method_uncertainty=[w**-0.5 for w in inputs["weight_x"]],
        )
    )["comparison"]["york"]

    assert line["intercept"]["value"] == pytest.approx(float(expected["a"]), rel=0, abs=1e-11)
    assert line["slope"]["value"] == pytest.approx(float(expected["b"]), rel=0, abs=1e-11)
    assert math.sqrt(line["chi_squared"] / line["degrees_of_freedom"]) == pytest.approx(
        float(expected["sqrt_reduced_chi2"]), rel=0, abs=1e-9
    )


def test_line_from_ranks_of_slopes(evaluated):
    """P.K. Sen, J. Am. Stat. Assoc. 63 (1968) 1379: slope 4 with limits 26/7 and 35/8, intercept 6.

    As SciPy's tests of its rank regression quote it (seen; limits as 3.71 and 4.38). Where no slope lies
    below -1 the line of Passing and Bablok is that of Sen. His table gives the fourth slope from either end
    at 93 %; the normal approximation does at 95 %.
    """
    times, values = [1, 2, 3, 4, 10, 12, 18], [9, 15, 19, 20, 45, 55, 78]

    line = evaluated(comparison=samples(values, times))["comparison"]["passing_bablok"]

    assert line["slope"]["value"] == 4
    assert line["slope"]["ci"] == pytest.approx([26 / 7, 35 / 8])
    assert line["intercept"]["value"] == 6


def test_filtration_time_by_seven_factors_in_eight_runs(evaluated):
    """G.E.P. Box, W.G. Hunter, J.S. Hunter, Statistics for Experimenters (1978), p. 426: seven effects.

    Design and times as in the data file BOXFILT.DAT of NIST's Dataplot (seen); the effects from memory.
    """
    names = ["water", "raw material", "temperature", "recycle", "caustic soda", "filter cloth", "holdup time"]
    signs = ["---+++-", "+----++", "-+--+-+", "++-+---", "--++--+", "+-+-+--", "-++--+-", "+++++++"]
    minutes = [68.4, 77.7, 66.4, 81.0, 78.6, 41.2, 68.7, 38.7]
    factors = [{"name": name, "nominal": "usual", "low": "usual", "high": "other"} for name in names]

    found = evaluated(
        robustness={
            "design": "youden",
            "factors": factors,
            "runs": [{"settings": list(row), "result": y} for row, y in zip(signs, minutes, strict=True)],
        }
    )["robustness"]

    effects = [one["effect"]["value"] for one in found["effects"]]
    assert effects == pytest.approx([-10.9, -2.8, -16.6, 3.2, -22.8, -3.4, 0.5], rel=0, abs=0.05000001)
    assert found["mean"] == pytest.approx(65.0875)
    assert found["orthogonal"]
