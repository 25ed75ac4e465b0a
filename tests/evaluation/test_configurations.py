"""Configurations compared with the validated one: slopes, sensitivity per area, limits."""

from __future__ import annotations

import numpy as np
import pytest
import statsmodels.api as sm

from validator.evaluation.results import NotAssessed

LEVELS = np.repeat([1.0, 2.0, 4.0, 6.0, 8.0], 3)
NOISE = {
    name: np.random.default_rng(i).standard_normal(15) for i, name in enumerate(("film", "bare", "mesh"))
}


def line(name, slope, scatter=0.01, levels=LEVELS):
    return [
        {"configuration": name, "level": float(x), "signal": float(slope * x + scatter * noise)}
        for x, noise in zip(levels, NOISE[name], strict=True)
    ]


def blanks(name, scatter):
    return [{"configuration": name, "signals": (scatter * NOISE[name][:10]).tolist()}]


@pytest.fixture
def compared(judged, described):
    """The comparison of the configurations of the only analyte."""

    def compared(runs, *, names=("film", "bare"), **more):
        study = described(configurations=list(names), calibration={"runs": runs}, **more)
        _, results = judged(study)
        return results.comparison_of_configurations.get("x")

    return compared


def test_one_configuration_is_compared_with_nothing(judged, described):
    """A study of one configuration has no comparison."""
    _, results = judged(described())

    assert results.comparison_of_configurations == {}


def test_the_ratio_and_the_difference_of_two_slopes(compared):
    """Ratio other/validated with Fieller's interval; Welch's t on the two slopes as in separate fits."""
    found = compared(line("film", 2.0) + line("bare", 1.0))

    (bare,) = found.compared
    fits = {
        name: sm.OLS([run["signal"] for run in line(name, slope)], sm.add_constant(LEVELS)).fit()
        for name, slope in (("film", 2.0), ("bare", 1.0))
    }
    slopes = {name: fit.params[1] for name, fit in fits.items()}
    errors = {name: fit.bse[1] for name, fit in fits.items()}
    assert found.reference == "film"
    assert bare.configuration == "bare"
    assert bare.slope_ratio.value == pytest.approx(slopes["bare"] / slopes["film"], rel=1e-9)
    t = (slopes["bare"] - slopes["film"]) / np.hypot(errors["bare"], errors["film"])
    assert abs(bare.slope_difference.t) == pytest.approx(abs(t), rel=1e-9)
    assert bare.slope_difference.p < 1e-9
    assert bare.slope_ratio.ci[0] < bare.slope_ratio.value < bare.slope_ratio.ci[1]
    assert bare.adjustment == "none (single comparison)"
    assert found.common_slope is None


def test_the_pooled_test_stands_beside_welchs(compared):
    """One residual variance for both lines: t of the slopes' contrast in one regression of both."""
    found = compared(line("film", 2.0) + line("bare", 1.0))

    (bare,) = found.compared
    is_bare = np.repeat([1.0, 0.0], LEVELS.size)
    x = np.tile(LEVELS, 2)
    signals = [run["signal"] for run in line("bare", 1.0) + line("film", 2.0)]
    joint = sm.OLS(signals, np.column_stack([np.ones_like(x), is_bare, x, is_bare * x])).fit()
    assert bare.slope_difference_pooled.t == pytest.approx(joint.tvalues[3], rel=1e-9)
    assert bare.slope_difference_pooled.df == 26
    assert bare.variance_ratio.f >= 1
    assert bare.variance_ratio.df == (13, 13)


def test_weighted_lines_are_not_pooled(compared):
    """Residual variances of weighted fits belong to different levels: Welch's test stands alone."""
    found = compared(
        line("film", 2.0) + line("bare", 1.0) + line("mesh", 1.5),
        names=("film", "bare", "mesh"),
        analysis={"calibration": {"weighting": "1/x"}},
    )

    for test in (found.compared[0].slope_difference_pooled, found.common_slope):
        assert test.not_assessed.startswith("the residual variances of weighted fits")
    assert found.compared[0].slope_difference.p < 0.05


def test_three_configurations_have_one_slope_or_not(compared):
    """The F test of a common slope is that of one regression against three."""
    slopes = {"film": 2.0, "bare": 2.001, "mesh": 1.999}
    runs = [run for name, slope in slopes.items() for run in line(name, slope)]

    test = compared(runs, names=tuple(slopes)).common_slope

    groups = np.repeat(np.eye(3), LEVELS.size, axis=0)
    x, signals = np.tile(LEVELS, 3), [run["signal"] for run in runs]
    one = sm.OLS(signals, np.column_stack([groups, x])).fit()
    three = sm.OLS(signals, np.column_stack([groups, groups * x[:, None]])).fit()
    assert test.f == pytest.approx(three.compare_f_test(one)[0], rel=1e-8)
    assert test.df == (2, 39)


def test_several_comparisons_hold_together(compared):
    """Three configurations make two comparisons: each interval is wider, each p is doubled (Bonferroni)."""
    runs = line("film", 2.0) + line("bare", 2.01)

    (single,) = compared(runs).compared
    first, second = compared(runs + line("mesh", 1.9), names=("film", "bare", "mesh")).compared

    assert [first.configuration, second.configuration] == ["bare", "mesh"]
    assert first.slope_ratio.ci[0] < single.slope_ratio.ci[0]
    assert first.slope_ratio.ci[1] > single.slope_ratio.ci[1]
    assert first.slope_difference.p == pytest.approx(single.slope_difference.p)
    assert first.adjusted_p == pytest.approx(min(1.0, 2 * single.slope_difference.p))
    assert "2 comparisons" in first.adjustment


def test_the_ratio_of_detection_limits(compared):
    """Half the slope and the same blanks: twice the limit, with an interval that holds 2."""
    found = compared(
        line("film", 2.0) + line("bare", 1.0),
        blanks={"runs": blanks("film", 0.01) + blanks("bare", 0.01)},
        analysis={"detection_limit": {"variant": "blank_3s"}},
    )

    (bare,) = found.compared
    sd = {name: np.std(NOISE[name][:10], ddof=1) for name in ("film", "bare")}
    assert bare.detection_limit_ratio.value == pytest.approx(2 * sd["bare"] / sd["film"], rel=0.01)
    lower, upper = bare.detection_limit_ratio.ci
    assert lower < 2 < upper


def test_ratios_of_detection_limits_hold_together_too(compared):
    """With two comparisons the interval of each ratio of limits is that at 97.5 %: wider than alone."""
    runs, scatter = line("film", 2.0) + line("bare", 1.0), blanks("film", 0.01) + blanks("bare", 0.01)
    declared = {"analysis": {"detection_limit": {"variant": "blank_3s"}}}

    (single,) = compared(runs, blanks={"runs": scatter}, **declared).compared
    first, _ = compared(
        runs + line("mesh", 1.9),
        names=("film", "bare", "mesh"),
        blanks={"runs": scatter + blanks("mesh", 0.01)},
        **declared,
    ).compared

    assert first.detection_limit_ratio.value == pytest.approx(single.detection_limit_ratio.value)
    assert first.detection_limit_ratio.ci[0] < single.detection_limit_ratio.ci[0]
    assert first.detection_limit_ratio.ci[1] > single.detection_limit_ratio.ci[1]


def test_a_configuration_without_calibration(compared):
    """What cannot be compared says why; the others are compared."""
    found = compared(line("film", 2.0) + line("mesh", 1.0), names=("film", "bare", "mesh"))

    bare, mesh = found.compared
    assert isinstance(bare.slope_ratio, NotAssessed)
    assert bare.slope_ratio.needs == "calibrations of both configurations"
    assert mesh.slope_ratio.value == pytest.approx(0.5, rel=0.05)


def test_sensitivity_by_area(judged, described):
    """The slope divided by the active area, where an area is stated."""
    study = described(
        configurations=["film", "bare"], calibration={"runs": line("film", 2.0) + line("bare", 1.0)}
    )
    film, bare = study["method"]["configurations"]
    film["active_area"] = {"value": 0.5, "unit": "cm²"}
    assert "active_area" not in bare

    _, results = judged(study)

    found = results.analytes["x"].configurations["film"].calibration
    assert found.sensitivity_per_area.value == pytest.approx(found.slope.value / 0.5)
    assert found.area_unit == "cm²"
    assert results.comparison_of_configurations["x"].compared[0].sensitivity_per_area is None


def test_one_configuration_has_its_sensitivity_by_area(judged, described):
    """Nothing has to be compared for it."""
    study = described(configurations=["film"], calibration={"runs": line("film", 2.0)})
    study["method"]["configurations"][0]["active_area"] = {"value": 0.5, "unit": "cm²"}

    _, results = judged(study)

    found = results.analytes["x"].configurations["film"].calibration
    assert found.sensitivity_per_area.value == pytest.approx(found.slope.value / 0.5)


def test_a_curved_calibration_has_no_sensitivity_by_area(judged, described):
    """A parabola has no single slope: the figure is left out with its reason, the rest is compared."""
    study = described(
        configurations=["film", "bare"],
        analysis={"calibration": {"model": "quadratic"}},
        calibration={"runs": line("film", 2.0) + line("bare", 1.0)},
    )
    study["method"]["configurations"][0]["active_area"] = {"value": 0.5, "unit": "cm²"}

    _, results = judged(study)

    per_area = results.analytes["x"].configurations["film"].calibration.sensitivity_per_area
    assert per_area.value is None
    assert per_area.reason == "a second-order function has no single slope"
    assert results.comparison_of_configurations["x"].compared[0].configuration == "bare"


def test_the_validated_configuration_is_the_named_one(judged, described):
    """``method.configuration`` names the reference, wherever it stands in the list."""
    study = described(
        configurations=["film", "bare"], calibration={"runs": line("film", 2.0) + line("bare", 1.0)}
    )
    study["method"]["configuration"] = "bare"

    _, results = judged(study)

    found = results.comparison_of_configurations["x"]
    assert found.reference == "bare"
    assert found.compared[0].slope_ratio.value == pytest.approx(2, rel=0.05)
