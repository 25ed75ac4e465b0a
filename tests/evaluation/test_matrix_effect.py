"""Effect of the matrix from the study to its record."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import stats

from validator.evaluation.results import NotAssessed

LEVELS = [1, 4, 7, 10, 13]
OFFSETS = (-0.02, 0.0, 0.025)


def line(slope, intercept=0.02, **more):
    return [
        {"level": level, "signals": [intercept + slope * level + off for off in OFFSETS], **more}
        for level in LEVELS
    ]


@pytest.fixture
def effects(record_of, described):
    """The matrix effect records of a study whose calibration has a slope of 0.3."""

    def effects(runs, *, solvent=0.3, **more):
        blocks = {"matrix_calibration": {"runs": runs}} if runs else {}
        return record_of(described(calibration={"runs": line(solvent)}, **blocks, **more)).matrix_effect

    return effects


def test_effect_is_the_relative_difference_of_the_slopes(effects):
    """90 % of the slope is an effect of -10 %, tested by Welch's t of the two slopes."""
    (entry,) = effects(line(0.27, matrix="canal water", intercept=0.5))
    x = np.repeat(LEVELS, 3)
    mine = stats.linregress(x, [y for one in line(0.27, intercept=0.5) for y in one["signals"]])
    its = stats.linregress(x, [y for one in line(0.3) for y in one["signals"]])

    assert (entry.matrix, entry.source, entry.n, entry.levels) == ("canal water", "matrix calibration", 15, 5)
    assert entry.slope_ratio.value == pytest.approx(0.9, rel=1e-9)
    assert entry.effect_percent.value == pytest.approx(-10, rel=1e-9)
    assert entry.effect_percent.ci == pytest.approx(
        [100 * (end - 1) for end in entry.slope_ratio.ci], rel=1e-9
    )
    assert entry.slope_difference.t == pytest.approx(
        (mine.slope - its.slope) / np.hypot(mine.stderr, its.stderr), rel=1e-9
    )
    assert entry.intercept.value == pytest.approx(mine.intercept, rel=1e-9)
    # equal designs: the pooled t differs by its degrees of freedom alone
    assert entry.slope_difference_pooled.t == pytest.approx(entry.slope_difference.t, rel=1e-9)
    assert entry.slope_difference_pooled.df == 26
    low, high = entry.effect_percent.one_sided
    assert entry.effect_percent.ci[0] < low < high < entry.effect_percent.ci[1]


def test_each_matrix_by_itself(effects):
    """Matrices are told apart by name; runs without one take the study's."""
    found = effects([*line(0.27, matrix="canal"), *line(0.31, matrix="well"), *line(0.3)])

    assert [entry.matrix for entry in found] == ["canal", "well", "matrix"]
    assert [round(entry.effect_percent.value) for entry in found] == [-10, 3, 0]


def test_the_line_in_matrix_is_weighted_as_the_calibration(effects):
    """The declared weighting holds for both lines."""
    (entry,) = effects(line(0.27), analysis={"calibration": {"weighting": "1/x"}})

    assert entry.weighting == "1/x"


def test_standard_additions_serve_where_nothing_else_does(effects):
    """Without a calibration in matrix the slope of each standard addition is compared."""
    addition = {"sample": "canal", "added": [0, 4, 8, 12], "signals": [1.0, 2.09, 3.15, 4.26]}
    block = {"standard_addition": {"runs": [addition]}}

    (only,) = effects([], **block)
    (both,) = effects(line(0.27, matrix="canal"), **block)

    slope = stats.linregress(addition["added"], addition["signals"]).slope
    assert (only.source, only.matrix) == ("standard addition", "canal")
    assert only.slope.value == pytest.approx(slope, rel=1e-9)
    assert both.source == "matrix calibration"


def test_excluded_standards_stay_in_sight(effects):
    """An excluded standard is listed, and the effect with it stands beside."""
    runs = [*line(0.27, matrix="canal"), {"level": 13, "signal": 9, "matrix": "canal", "excluded": "spilt"}]

    (entry,) = effects(runs)

    assert entry.effect_percent.value == pytest.approx(-10, rel=1e-9)
    assert [(one.value, one.cause) for one in entry.excluded] == [(9.0, "spilt")]
    assert entry.with_excluded.value > entry.effect_percent.value


def test_without_calibration_there_is_nothing_to_compare(record_of, described):
    """The line in matrix is kept, the ratio says what is missing."""
    (entry,) = record_of(described(matrix_calibration={"runs": line(0.27)})).matrix_effect

    assert isinstance(entry.effect_percent, NotAssessed)
    assert entry.slope.value == pytest.approx(0.27, rel=1e-9)


def test_a_parabola_has_no_single_slope(effects):
    """Where a second-order function is declared the effect is refused with that reason."""
    (entry,) = effects(line(0.27), analysis={"calibration": {"model": "quadratic"}})

    assert entry.effect_percent.not_assessed == "a second-order function has no single slope"


def test_absent_blocks(effects):
    """Without a calibration in matrix and without additions nothing is assessed."""
    record = effects([])

    assert record.not_assessed == "no calibration in matrix was provided"
    assert "standard additions" in record.needs
