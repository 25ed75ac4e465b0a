"""Standard addition from the study to its record."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
import yaml
from scipy import stats

from validator.evaluation.results import NotAssessed

PUBLISHED = Path(__file__).parents[1] / "published" / "data"
ADDED = [0, 2, 4, 6, 8, 0, 2, 4, 6, 8]
SIGNALS = [0.96, 1.57, 2.00, 2.59, 3.03, 0.91, 1.48, 2.11, 2.65, 3.14]
EXTERNAL = [
    {"level": level, "signals": [0.02 + 0.28 * level + off for off in (-0.02, 0.0, 0.025)]}
    for level in (1, 4, 7, 10, 13)
]


@pytest.fixture
def additions(record_of, described):
    """The standard addition records of a study."""

    def additions(runs, **more):
        return record_of(described(standard_addition={"runs": runs}, **more)).standard_addition

    return additions


def run(**more):
    return {"sample": "canal", "added": ADDED, "signals": SIGNALS, **more}


def test_content_slope_and_linearity(additions):
    """Content, slope and its error are those of an ordinary line; the tests of linearity stand beside."""
    (entry,) = additions([run()])
    line = stats.linregress(ADDED, SIGNALS)

    assert entry.concentration.value == pytest.approx(line.intercept / line.slope, rel=1e-9)
    assert entry.slope.value == pytest.approx(line.slope, rel=1e-9)
    assert entry.slope.standard_error == pytest.approx(line.stderr, rel=1e-9)
    assert (entry.n, entry.additions, entry.dilution_factor) == (10, 5, 1.0)
    assert entry.linearity.lack_of_fit.df == (3, 5)
    assert entry.linearity.quadratic_test.df == (1, 7)
    lower, upper = entry.concentration.ci
    inner_lower, inner_upper = entry.concentration.one_sided
    assert lower < inner_lower < entry.concentration.value < inner_upper < upper


def test_iron_in_water(additions):
    """Skoog, Holler, Crouch, Instrumental Analysis, 6th ed. 2007, Example 1-11 (answers from memory)."""
    book = yaml.safe_load((PUBLISHED / "add_iron_water.yaml").read_text(encoding="utf-8"))
    given = book["inputs"]
    # millilitres of standard as additions to the content of the measured solution
    added = [ml * given["standard_ppm"] / given["total_ml"] for ml in given["added_ml"]]
    dilution = given["total_ml"] / given["sample_ml"]

    (entry,) = additions(
        [{"sample": "water", "added": added, "signals": given["absorbance"], "dilution_factor": dilution}]
    )

    assert f"{entry.concentration.value:.2f}" == book["published"]["concentration_ppm"]
    assert f"{entry.concentration.standard_error:.2f}" == book["published"]["s_ppm"]


def test_dilution_and_reference(additions):
    """The dilution multiplies the content; the difference from a known value carries its test."""
    plain, diluted = additions([run(), run(sample="diluted", dilution_factor=10, reference=36)])

    assert diluted.concentration.value == pytest.approx(10 * plain.concentration.value, rel=1e-12)
    assert diluted.slope == plain.slope
    difference = diluted.difference
    assert difference.value == pytest.approx(diluted.concentration.value - 36, rel=1e-9)
    assert difference.ci[0] == pytest.approx(diluted.concentration.ci[0] - 36, rel=1e-9)
    t = difference.value / difference.standard_error
    assert diluted.p_reference == pytest.approx(2 * stats.t.sf(abs(t), 8), rel=1e-9)
    assert plain.difference is None
    assert plain.p_reference is None


def test_slope_beside_the_external_calibration(additions):
    """The slope in the sample over that of the calibration; without one it says so."""
    (beside,) = additions([run()], calibration={"runs": EXTERNAL})
    (alone,) = additions([run()])

    external = np.polyfit(np.repeat([1, 4, 7, 10, 13], 3), [y for one in EXTERNAL for y in one["signals"]], 1)
    assert beside.slope_ratio.value == pytest.approx(beside.slope.value / external[0], rel=1e-9)
    assert isinstance(alone.slope_ratio, NotAssessed)


def test_repeated_readings_add_no_degrees_of_freedom(additions):
    """Readings of one portion are averaged before the line is drawn."""
    (independent,) = additions([run()])
    (averaged,) = additions([run(preparation="repeated_reading")])

    assert (independent.n, averaged.n) == (10, 5)
    assert averaged.concentration.degrees_of_freedom == 3
    assert averaged.concentration.value == pytest.approx(independent.concentration.value, rel=1e-9)


def test_runs_of_one_sample_are_one_line(additions):
    """Two runs of one sample are joined, two samples are not."""
    half = [{"sample": "canal", "added": ADDED[:5], "signals": part} for part in (SIGNALS[:5], SIGNALS[5:])]

    (joined,) = additions(half)
    (whole,) = additions([run()])
    apart = additions([half[0], {**half[1], "sample": "well"}])

    assert joined == whole
    assert [entry.sample for entry in apart] == ["canal", "well"]


def test_an_excluded_run_stays_in_sight(additions):
    """What is excluded is listed with its cause, and the content with it stands beside."""
    runs = [run(), {"sample": "canal", "added": [4, 8], "signals": [9.0, 9.9], "excluded": "wrong flask"}]

    (entry,) = additions(runs)
    (without,) = additions(runs[:1])

    assert entry.concentration == without.concentration
    assert [(one.value, one.cause) for one in entry.excluded] == [(9.0, "wrong flask"), (9.9, "wrong flask")]
    assert entry.with_excluded.value != pytest.approx(entry.concentration.value, rel=1e-3)


def test_a_sample_without_a_line_keeps_its_place(additions):
    """A refusal is recorded for its sample; the others are not touched."""
    runs = [{"sample": "flat", "added": [0, 0, 0], "signals": [1.0, 1.1, 0.9]}, run()]

    flat, good = additions(runs)

    assert isinstance(flat.concentration, NotAssessed)
    assert flat.concentration == flat.slope == flat.linearity
    assert good.concentration.value is not None


def test_all_excluded_says_so(additions):
    """A sample of which nothing counts has no content."""
    (entry,) = additions([run(excluded="contaminated")])

    assert entry.concentration.not_assessed == "all test portions are excluded"
    assert entry.n == 0
    assert len(entry.excluded) == 10


def test_absent_block(record_of, described):
    """Without runs the characteristic is not assessed, and the record says what it would take."""
    record = record_of(described(calibration={"runs": EXTERNAL})).standard_addition

    assert record.not_assessed == "no standard addition data were provided"
    assert "three additions" in record.needs


def test_additions_by_volume_into_one_cell(additions):
    """Harvey, Analytical Chemistry 2.1, problem 5.9 (data and answer, 12.3, seen): additions to 5 mL.

    Signals are corrected for the volumes added; by hand they give 12.26.
    """
    (entry,) = additions(
        [
            {
                "sample": "A",
                "sample_volume": 5.00,
                "standard_concentration": 600,
                "added_volume": [0, 0.10, 0.20, 0.30],
                "signals": [0.119, 0.231, 0.339, 0.442],
            }
        ]
    )

    assert entry.concentration.value == pytest.approx(12.26, abs=0.005)
    assert (entry.by_volume, entry.successive) == (True, True)
    corrected = np.array([0.119, 0.231, 0.339, 0.442]) * (5 + np.array([0, 0.1, 0.2, 0.3])) / 5
    line = stats.linregress([0, 12, 24, 36], corrected)
    assert entry.concentration.value == pytest.approx(line.intercept / line.slope)


def test_blanks_are_subtracted_and_widen_the_interval(additions):
    """The content falls by the mean blank over the slope, and the error holds that of the mean blank."""
    blanks = [0.20, 0.24, 0.22, 0.18]
    (plain,), (net,) = additions([run()]), additions([run(blank_signals=blanks)])

    shift = np.mean(blanks) / plain.slope.value
    assert net.concentration.value == pytest.approx(plain.concentration.value - shift)
    assert net.blank == pytest.approx(np.mean(blanks))
    x, y = np.array(ADDED), np.array(SIGNALS) - np.mean(blanks)
    line = stats.linregress(x, y)
    s2 = ((y - line.intercept - line.slope * x) ** 2).sum() / 8
    height = s2 / 10 + np.var(blanks, ddof=1) / 4
    growth = s2 / ((x - x.mean()) ** 2).sum() * (y.mean() / line.slope) ** 2
    assert net.concentration.standard_error == pytest.approx(np.sqrt(height + growth) / line.slope)


def test_a_stated_reference_is_judged(judged, described):
    """A known content that standard addition misses is a failure of trueness, and of recovery."""
    study = described(
        standard_addition={"runs": [run(reference=2.0)]},
        criteria=[
            {"characteristic": "trueness", "within": [-10, 10]},
            {"characteristic": "recovery", "within": [90, 110]},
        ],
    )

    _, results = judged(study)

    found = {one.characteristic: (one.outcome, one.what) for one in results.assessment.findings}
    assert found == dict.fromkeys(("trueness", "recovery"), ("does not meet", "canal, standard addition"))


@pytest.mark.parametrize(
    ("wrong", "message"),
    [
        ({"added_volume": ADDED}, "give either added, or added_volume"),
        ({"added": None, "added_volume": ADDED}, "sample_volume is missing"),
        ({"blank_signals": [0.1], "blank_correction": "subtracted"}, "would be subtracted again"),
    ],
)
def test_additions_stated_in_two_ways_or_in_part_are_refused(study_of, described, wrong, message):
    """Each with what is missing or too much."""
    from validator.errors import StudyError

    entry = {key: value for key, value in run(**wrong).items() if value is not None}

    with pytest.raises(StudyError, match=message):
        study_of(described(standard_addition={"runs": [entry]}))
