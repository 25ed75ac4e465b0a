"""Figures that guidance limits, and counts of what a study provides, for matrix, conditions and devices."""

from __future__ import annotations

import pytest

from validator.assessment.counting import provided
from validator.assessment.guidance_figures import Subject, figure_observations
from validator.evaluation.rows import Cell
from validator.guidance import Counter

CALIBRATION = {
    "runs": [
        {"level": level, "signals": [0.012 + 0.28 * level + off for off in (-0.02, 0.0, 0.025)]}
        for level in (1, 4, 7, 10, 15)
    ]
}
BLANKS = {"runs": [{"signals": [0.010, 0.016, 0.005, 0.012, 0.019, 0.008, 0.011, 0.014, 0.002, 0.013]}]}
LABORATORIES = {
    "runs": [
        {"laboratory": f"L{i}", "level": 10, "concentrations": [10 * one, 10 * one + 0.1]}
        for i, one in enumerate((1.0, 1.03, 0.97, 1.01))
    ]
}


@pytest.fixture
def observed(judged, described):
    """Every value of a figure for the only analyte of a study."""

    def observed(figure, characteristic=None, **blocks):
        study, results = judged(described(**blocks))
        record = results.analytes["x"].configurations["default"]
        found = figure_observations(figure, Subject(study.analyte("x"), record), characteristic)
        return record, found

    return observed


def test_horrat_divides_by_the_expectation_or_half_of_it(observed):
    """Reproducibility over the prediction, repeatability over half of it, intervals with them."""
    record, (between,) = observed("horrat_reproducibility", precision=LABORATORIES, unit="g/100 g")
    _, (within,) = observed("horrat_repeatability", precision=LABORATORIES, unit="g/100 g")
    (level,) = record.precision

    assert between.estimate.value == pytest.approx(level.horrat, rel=1e-12)
    assert within.estimate.value == pytest.approx(level.horrat_repeatability, rel=1e-12)
    factor = 1 / level.thompson_rsd
    assert between.estimate.ci == pytest.approx(
        [factor * end for end in level.reproducibility_rsd.ci], rel=1e-12
    )
    assert between.unit == ""


def test_horrat_says_why_there_is_none(observed):
    """One laboratory has no reproducibility, and some units carry no mass fraction."""
    series = {"runs": [{"level": 5, "series": name, "concentrations": [5, 5.1]} for name in "abc"]}

    _, (alone,) = observed("horrat_reproducibility", precision=series, unit="mg/kg")
    _, (unknown,) = observed("horrat_repeatability", precision=series, unit="IU/mL")

    assert alone.refusal.not_assessed == "all results come from one laboratory"
    assert unknown.refusal.not_assessed == "the level cannot be converted to a mass fraction"


def test_relative_change_is_a_size(observed):
    """A suppression by 40 % is a change of 40 %: the sign must not let it pass a limit from above."""
    runs = [
        {
            "interferent": "copper",
            "ratio": 10,
            "ratio_kind": "mass",
            "analyte_level": 5,
            "found": [3.0, 3.02, 2.98],
            "reference": [5.0, 5.05, 4.95],
        }
    ]

    _, (found,) = observed("relative_change_percent", interference={"runs": runs})

    assert found.estimate.value == pytest.approx(40, rel=1e-6)
    low, high = found.estimate.ci
    assert 0 < low < 40 < high


def test_a_size_whose_interval_holds_zero_starts_there(observed):
    """No effect at all is then possible."""
    runs = [
        {
            "interferent": "nitrite",
            "ratio": 1,
            "ratio_kind": "mass",
            "analyte_level": 5,
            "found": [5.0, 5.1, 4.85],
            "reference": [5.0, 5.05, 4.95],
        }
    ]

    _, (found,) = observed("relative_change_percent", interference={"runs": runs})

    assert found.estimate.ci[0] == 0.0


def test_robustness_shows_its_largest_effect(observed):
    """The factor of largest size decides, whatever its sign."""
    block = {
        "design": "plackett_burman",
        "factors": [{"name": name, "low": 1, "high": 2} for name in ("stirring", "pH", "time")],
        "runs": [
            {"settings": list(run), "result": [10 - (3 if run[1] == "+" else 0) + off for off in (0, 0.02)]}
            for run in ("+++", "+--", "-+-", "--+")
        ],
    }

    _, (found,) = observed("robustness_effect_percent", robustness=block)
    _, (none,) = observed("robustness_effect_percent", calibration=CALIBRATION)

    assert found.what == "pH"
    assert found.estimate.value == pytest.approx(100 * 3 / 8.51, rel=1e-9)
    assert none.refusal.not_assessed == "no robustness data were provided"


def test_remaining_response_is_asked_of_stability_or_of_repeated_use(observed):
    """The characteristic of the rule says which of the two is meant."""
    stability = {
        "runs": [
            {"condition": "4 °C", "time": t, "time_unit": "d", "level": 8, "found": values}
            for t, values in ((0, [8.0, 8.1]), (7, [7.2, 7.3]))
        ]
    }
    uses = {
        "runs": [
            {"device": d, "use": u, "signal": 2.0 - 0.01 * u + w}
            for d, w in (("A", 0), ("B", 0.02))
            for u in (1, 2, 3, 4)
        ]
    }
    blocks = {"stability": stability, "repeated_use": uses}

    record, (kept,) = observed("remaining_response_percent", "stability", **blocks)
    _, (used,) = observed("remaining_response_percent", "repeated_use", **blocks)

    assert kept.estimate == record.stability[0].remaining_percent
    assert used.estimate == record.repeated_use.decline.remaining_percent


def test_spread_over_matrices(observed):
    """Standard deviation over mean of the slope ratios; one matrix has no spread."""

    def lines(slopes):
        return {
            "runs": [
                {"level": level, "matrix": f"lot {i}", "signals": [slope * level + off for off in (0, 0.02)]}
                for i, slope in enumerate(slopes)
                for level in (1, 5, 10)
            ]
        }

    record, (found,) = observed(
        "matrix_spread_rsd_percent",
        calibration=CALIBRATION,
        matrix_calibration=lines((0.26, 0.28, 0.30)),
    )
    _, (one,) = observed(
        "matrix_spread_rsd_percent", calibration=CALIBRATION, matrix_calibration=lines((0.26,))
    )

    ratios = [entry.slope_ratio.value for entry in record.matrix_effect]
    mean = sum(ratios) / 3
    sd = (sum((ratio - mean) ** 2 for ratio in ratios) / 2) ** 0.5
    assert found.estimate.value == pytest.approx(100 * sd / mean, rel=1e-9)
    assert found.n == 3
    assert one.refusal.needs == "slopes in at least two matrices or lots"


def test_largest_blank_against_the_quantification_limit(observed):
    """The largest single blank counts; without a limit it is open."""
    record, (found,) = observed(
        "blank_response_percent_of_quantification_limit", calibration=CALIBRATION, blanks=BLANKS
    )
    _, (open_,) = observed("blank_response_percent_of_quantification_limit", calibration=CALIBRATION)

    assert found.estimate.value == record.blank_response.largest_percent
    assert found.kind == "bound"
    assert open_.refusal is not None


def test_spikes_over_the_limit_they_gave(observed):
    """The level of the spikes divided by the limit that was found with them."""
    spikes = {
        "runs": [
            {"level": 1, "series": name, "concentrations": values}
            for name, values in {
                "a": [1.0, 1.1, 0.9],
                "b": [1.05, 0.95, 1.02],
                "c": [0.98, 1.07, 1.0],
            }.items()
        ]
    }
    blanks = {
        "runs": [
            {"series": name, "concentrations": values}
            for name, values in {
                "a": [0.01, 0.02, 0.0],
                "b": [0.0, 0.03, 0.01],
                "c": [0.02, 0.01, 0.02],
            }.items()
        ]
    }

    record, (found,) = observed("spike_over_detection_limit", low_level=spikes, blanks=blanks)
    _, (none,) = observed("spike_over_detection_limit", calibration=CALIBRATION)

    limit = record.detection.variants["epa_mdl"].detection_limit.value
    assert found.estimate.value == pytest.approx(1 / limit, rel=1e-9)
    assert none.refusal is not None


@pytest.fixture
def counted(study_of, described):
    """What a study provides for one characteristic and counter."""

    def counted(characteristic, counter, **blocks):
        return provided(study_of(described(**blocks)), Cell("x", "default"), characteristic, counter)

    return counted


def test_samples_of_a_comparison_and_runs_of_a_design_are_counted(counted):
    """Samples and runs of the design, not readings."""
    samples = [{"sample": s, "this_method": [1, 1.1], "reference_method": [1, 1.2]} for s in ("a", "b", "b")]
    design = {
        "design": "plackett_burman",
        "factors": [{"name": name, "low": 1, "high": 2} for name in ("one", "two", "three")],
        "runs": [{"settings": list(run), "result": [1.0, 1.1]} for run in ("+++", "+--", "-+-", "--+")],
    }

    assert counted("method_comparison", Counter.SAMPLES, comparison={"runs": samples}) == 2
    assert counted("robustness", Counter.RUNS, robustness=design) == 4
    assert counted("robustness", Counter.FACTORS, robustness=design) == 3


def test_blanks_after_high_samples_are_the_determinations_of_carry_over(counted):
    """Only a blank directly after a high sample says something."""
    kinds = ("blank", "blank", "high", "blank", "blank", "high", "blank")
    runs = [{"sequence": [{"kind": kind, "signal": 1} for kind in kinds]}]

    assert counted("carry_over", Counter.DETERMINATIONS, carry_over={"runs": runs}) == 2


def test_laboratories_at_the_level_that_has_fewest(counted):
    """The weakest level decides, for laboratories and for their results."""
    runs = [
        *({"laboratory": lab, "level": 5, "concentrations": [5.0, 5.1, 5.2]} for lab in "abcd"),
        *({"laboratory": lab, "level": 9, "concentrations": [9.0, 9.1]} for lab in "abc"),
    ]

    assert counted("reproducibility", Counter.LABORATORIES, precision={"runs": runs}) == 3
    assert counted("reproducibility", Counter.REPLICATES_PER_LABORATORY, precision={"runs": runs}) == 2


def test_devices_are_counted_where_they_are_computed_from(counted):
    """First uses stand in for precision runs whose devices are confounded with days."""
    by_day = [{"level": 5, "device": d, "series": d, "concentrations": [5, 5.1]} for d in "abcde"]
    uses = [{"device": d, "use": u, "signal": 2.0} for d in "xyz" for u in (1, 2)]

    alone = counted("device_to_device", Counter.DEVICES, precision={"runs": by_day})
    both = counted(
        "device_to_device",
        Counter.DEVICES,
        precision={"runs": by_day},
        repeated_use={"runs": uses},
    )

    assert (alone, both) == (5, 3)


def test_additions_count_for_the_matrix_where_no_calibration_in_matrix_is(counted):
    """Standard additions are then the data on the matrix."""
    runs = [{"sample": "s", "added": [0, 1, 2, 3], "signals": [1, 2, 3, 4.1]}]

    assert counted("matrix_effect", Counter.ADDITIONS, standard_addition={"runs": runs}) == 4
