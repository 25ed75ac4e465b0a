"""Data that cannot carry an estimate: not assessed with its reason, or a right number; the rest is done.

Warnings are errors in this suite, so no case may raise one either.
"""

from __future__ import annotations

import math

import numpy as np
import pytest

from validator.dossier import build_document, render_html
from validator.evaluation.results import CalibrationRecord, DetectionRecord, LimitVariant, NotAssessed
from validator.evaluation.serialise import from_json, to_json

LEVELS = [1, 1, 2, 2, 4, 4, 8, 8, 16, 16]
SIGNALS = [0.11, 0.12, 0.21, 0.22, 0.41, 0.40, 0.82, 0.80, 1.61, 1.58]
BLANKS = [0.010, 0.012, 0.009, 0.011, 0.010, 0.013, 0.008, 0.011, 0.012, 0.010]
REST = {
    "precision": {
        "runs": [
            {"level": 5, "day": f"day {day}", "concentrations": [5 + 0.1 * day, 5.1 + 0.05 * day]}
            for day in range(1, 6)
        ]
    },
    "recovery": {"runs": [{"level": 5, "found": [4.9, 5.1, 5.0]}]},
}
"""Blocks that do not need the calibration: they are assessed whatever becomes of it."""


def calibration(levels, signals, **choices):
    return {
        "calibration": {
            "runs": [{"level": float(x), "signal": float(y)} for x, y in zip(levels, signals, strict=True)]
        },
        "analysis": {"calibration": choices} if choices else {},
    }


def blanks(signals=BLANKS):
    return {"blanks": {"runs": [{"signals": list(signals)}]}}


@pytest.fixture
def found(judged, described):
    """What was found for the only analyte; the results file is read back into equal results."""

    def found(**blocks):
        _, results = judged(described(guidance=["iupac-single-laboratory-2002"], **blocks))
        assert from_json(to_json(results)) == results
        return results.analytes["x"].configurations["default"]

    return found


def rest_is_done(record):
    """The blocks of REST gave their figures."""
    (precision,) = record.precision
    (recovery,) = record.recovery
    return (
        precision.n == 10
        and not isinstance(precision.repeatability_sd, NotAssessed)
        and math.isclose(recovery.mean_recovery.value, 100)
    )


# --- calibration -----------------------------------------------------------------------------------
@pytest.mark.parametrize(
    ("levels", "signals", "choices", "reason"),
    [
        ([1, 2], [0.1, 0.2], {}, "only 2 points"),
        ([1, 1, 1], [0.1, 0.11, 0.12], {}, "only 1 level"),
        (LEVELS, [1] * 10, {}, "the signal is the same at every level"),
        (
            [0, 0, *LEVELS],
            [0.01, 0.012, *SIGNALS],
            {"weighting": "1/x"},
            "weights 1/x are not defined at level 0",
        ),
        (
            [0, 0, *LEVELS],
            [0.01, 0.012, *SIGNALS],
            {"weighting": "1/x^2"},
            "weights 1/x^2 are not defined at level 0",
        ),
        (
            [1, 2, 3, 4, 5],
            [0.1, 0.2, 0.31, 0.4, 0.5],
            {"weighting": "1/s^2"},
            "level 1 was not measured in replicate",
        ),
        (
            LEVELS,
            [0.11, *SIGNALS[:1], *SIGNALS[2:]],
            {"weighting": "1/s^2"},
            "the signals at level 1 are identical",
        ),
        ([1, 2, 3], [0.1, 0.2, 0.31], {"model": "quadratic"}, "only 3 points"),
        ([0, 0, 0], [1, 2, 3], {"model": "linear_through_origin"}, "all levels are zero"),
        ([0, 2, 8, 10, 1e40], [1, 2, 3, 4, 5], {"model": "quadratic"}, "the levels are spaced too unevenly"),
    ],
    ids=lambda value: value if isinstance(value, str) else "",
)
def test_a_calibration_that_cannot_be_fitted(found, levels, signals, choices, reason):
    """The reason and what it would take stand in place of the figures; precision and recovery are done."""
    record = found(**calibration(levels, signals, **choices), **blanks(), **REST)

    assert isinstance(record.calibration, NotAssessed)
    assert record.calibration.not_assessed.startswith(reason)
    assert record.calibration.needs
    assert isinstance(record.detection, NotAssessed)
    assert rest_is_done(record)


def test_weights_that_level_0_forbids_name_the_alternatives(found):
    """Level 0 with 1/x weights: the other weightings are offered, none is taken in silence."""
    record = found(**calibration([0, *LEVELS], [0.01, *SIGNALS], weighting="1/x"))

    assert "1/s^2 smoothed" in record.calibration.needs


def test_two_levels(found):
    """Two levels with replicates make a line; nothing is said of its linearity."""
    record = found(**calibration([1, 1, 2, 2], [0.1, 0.11, 0.2, 0.22]), **REST)

    line = record.calibration
    assert line.slope.value == pytest.approx(0.105)
    assert line.degrees_of_freedom == 2
    for test in (line.lack_of_fit, line.quadratic_test, line.linear_range):
        assert isinstance(test, NotAssessed)
    assert rest_is_done(record)


def test_a_falling_line(found):
    """A signal that falls with the level: limits and standard deviations stay positive, mirrored exactly."""
    up = found(**calibration(LEVELS, SIGNALS), **blanks())
    down = found(**calibration(LEVELS, [-y for y in SIGNALS]), **blanks([-y for y in BLANKS]))

    assert down.calibration.slope.value == pytest.approx(-up.calibration.slope.value, rel=1e-12)
    assert down.calibration.slope.ci == pytest.approx([-end for end in reversed(up.calibration.slope.ci)])
    assert down.calibration.method_standard_deviation == pytest.approx(
        up.calibration.method_standard_deviation, rel=1e-12
    )
    assert down.detection.detection_limit.value == pytest.approx(
        up.detection.detection_limit.value, rel=1e-12
    )
    assert down.detection.detection_limit.value > 0
    computed = [name for name, one in up.detection.variants.items() if isinstance(one, LimitVariant)]
    assert len(computed) >= 8
    for name in computed:
        mine, other = down.detection.variants[name], up.detection.variants[name]
        for limit in ("critical_level", "detection_limit", "quantification_limit"):
            if getattr(other, limit) is not None:
                assert getattr(mine, limit).value == pytest.approx(getattr(other, limit).value, rel=1e-9), (
                    name
                )


@pytest.mark.parametrize("scale", [1.0, 0.1, 1e-12, 1e12])
@pytest.mark.parametrize("weighting", ["none", "1/x", "auto"])
def test_points_exactly_on_a_line(found, scale, weighting):
    """No scatter at all: the line is right, its errors are 0, and no test or limit is made of nothing."""
    record = found(**calibration(LEVELS, [scale * x for x in LEVELS], weighting=weighting))

    line = record.calibration
    assert line.slope.value == pytest.approx(scale, rel=1e-12)
    assert line.residual_standard_deviation == 0
    assert line.slope.ci == (line.slope.value, line.slope.value)
    assert isinstance(line.lack_of_fit, NotAssessed)
    assert isinstance(line.intercept_test, NotAssessed)
    assert isinstance(line.normality, NotAssessed)


def test_points_exactly_on_a_parabola(found):
    """A bend without scatter: the line is rejected for its residuals, and no F is infinite in the file."""
    line = found(**calibration([1, 2, 3, 4, 5, 6], [1, 4, 9, 16, 25, 36])).calibration
    parabola = found(**calibration([1, 2, 3, 4, 5, 6], [1, 4, 9, 16, 25, 36], model="quadratic")).calibration

    assert isinstance(line.quadratic_test, NotAssessed)
    assert isinstance(line.linear_range, NotAssessed)
    assert parabola.quadratic.value == pytest.approx(1, rel=1e-9)
    assert parabola.slope.value == pytest.approx(0, abs=1e-9)


def test_a_curve_that_turns_inside_the_range(found):
    """A parabola with its top among the levels cannot be read back everywhere; the fit itself is right."""
    record = found(
        **calibration([1, 2, 3, 4, 5, 6, 7], [0, 3, 4.1, 4, 3, 0.1, -5], model="quadratic"), **REST
    )

    assert isinstance(record.calibration, CalibrationRecord)
    assert record.calibration.quadratic.value < 0
    assert rest_is_done(record)


MODELS = ("linear", "linear_through_origin", "quadratic")


@pytest.mark.parametrize("factor", [1e-12, 1e12])
@pytest.mark.parametrize("model", MODELS)
@pytest.mark.parametrize("weighting", ["none", "1/x", "1/s^2 smoothed", "auto"])
def test_very_small_and_very_large_numbers(found, factor, model, weighting):
    """Levels and signals of 1e-12 or 1e12 are the same figures in other units."""
    plain = found(**calibration(LEVELS, SIGNALS, model=model, weighting=weighting), **blanks())
    scaled = found(
        **calibration(
            [factor * x for x in LEVELS], [y / factor for y in SIGNALS], model=model, weighting=weighting
        ),
        **blanks([y / factor for y in BLANKS]),
    )

    assert scaled.calibration.slope.value == pytest.approx(
        plain.calibration.slope.value / factor**2, rel=1e-9
    )
    assert scaled.calibration.r_squared == pytest.approx(plain.calibration.r_squared, rel=1e-9)
    assert scaled.calibration.weighting == plain.calibration.weighting
    assert scaled.detection.detection_limit.value == pytest.approx(
        factor * plain.detection.detection_limit.value, rel=1e-6
    )


def test_ten_thousand_points(judged, described):
    """10,000 preparations in a table, in run order: the line, its tests and its limits, within seconds."""
    rng = np.random.default_rng(20260325)
    levels = np.repeat(np.arange(1, 11), 1000)
    signals = 0.1 * levels + rng.normal(0, 0.01, levels.size)
    order = rng.permutation(levels.size) + 1
    rows = "\n".join(f"{x};{y!r};{n}" for x, y, n in zip(levels, signals.tolist(), order, strict=True))

    _, results = judged(
        described(calibration={"file": "cal.csv"}), {"cal.csv": f"level;signal;order\n{rows}\n"}
    )

    line = results.analytes["x"].configurations["default"].calibration
    assert line.n == 10_000
    assert line.slope.value == pytest.approx(0.1, abs=5 * line.slope.standard_error)
    assert line.residual_standard_deviation == pytest.approx(0.01, rel=0.05)
    assert line.lack_of_fit.df == (8, 9990)
    assert 0 < line.durbin_watson.p < 1
    assert len(line.points) == 10_000


# --- blanks and limits -----------------------------------------------------------------------------
@pytest.mark.parametrize(
    ("signals", "reason"),
    [
        ([0.01] * 10, "all blank values are identical"),
        ([0.01], "there is only one blank"),
    ],
)
def test_blanks_that_do_not_scatter(found, signals, reason):
    """Equal blanks, or one: the limits that rest on them say so, those of the calibration are computed."""
    declared = {"analysis": {"detection_limit": {"variant": "blank_3s"}}}

    record = found(**{**calibration(LEVELS, SIGNALS), **declared}, **blanks(signals), **REST)

    assert isinstance(record.detection, DetectionRecord)
    assert record.detection.detection_limit.not_assessed == reason
    assert record.detection.detection_limit.needs
    assert isinstance(record.detection.variants["residual_3.3"], LimitVariant)
    assert rest_is_done(record)


def test_blanks_below_the_zero_of_the_instrument(found):
    """Blanks that all read below zero scatter as others do; there is no limit that holds their mean."""
    below = [signal - 0.05 for signal in BLANKS]
    plain, shifted = (
        found(**calibration(LEVELS, SIGNALS), **blanks()),
        found(**calibration(LEVELS, SIGNALS), **blanks(below)),
    )
    assert max(below) < 0

    for name in ("blank_3s", "blank_3.3", "currie", "din_32645_blank"):
        assert shifted.detection.variants[name].detection_limit.value == pytest.approx(
            plain.detection.variants[name].detection_limit.value, rel=1e-9
        )
    assert "not positive" in shifted.detection.variants["blank_mean_3s"].not_assessed


def test_blanks_that_the_instrument_clips_at_zero(found):
    """An instrument that shows 0 for every blank shows no scatter: no limit of zero is made of it."""
    record = found(**calibration(LEVELS, SIGNALS), **blanks([0.0] * 12))

    for name in ("blank_3s", "blank_mean_3s", "blank_3.3", "currie", "din_32645_blank"):
        assert record.detection.variants[name].not_assessed == "all blank values are identical"
    assert isinstance(record.detection.variants["residual_3.3"], LimitVariant)


@pytest.mark.parametrize("factor", [1e-12, 1e12])
@pytest.mark.parametrize("weighting", ["1/x", "1/x^2", "1/s^2", "auto"])
def test_every_limit_in_any_unit(found, factor, weighting):
    """Levels of 1e-12 or 1e12 give every limit of the plain numbers in the other unit, weighted or not."""
    levels = [x for x in LEVELS for _ in (0, 1)]
    signals = [y * f for y in SIGNALS for f in (0.98, 1.02)]
    plain = found(**calibration(levels, signals, weighting=weighting), **blanks())
    scaled = found(**calibration([factor * x for x in levels], signals, weighting=weighting), **blanks())

    computed = 0
    for name, one in plain.detection.variants.items():
        other = scaled.detection.variants[name]
        assert isinstance(other, LimitVariant) is isinstance(one, LimitVariant), name
        for limit in ("critical_level", "detection_limit", "quantification_limit"):
            if getattr(one, limit, None) is not None:
                computed += 1
                assert getattr(other, limit).value == pytest.approx(
                    factor * getattr(one, limit).value, rel=1e-6
                ), name
    assert computed >= 10


def test_no_limit_at_all_gives_the_reason_of_the_variant_that_would_decide(found):
    """Where nothing can be computed the declared variant says why."""
    record = found(analysis={"detection_limit": {"variant": "residual_3.3"}}, **blanks(), **REST)

    assert isinstance(record.detection, NotAssessed)
    assert "the governing approach would be Residual SD, 3.3s (ICH): " in record.detection.not_assessed
    assert "calibration" in record.detection.needs
    assert rest_is_done(record)


def test_a_slope_that_cannot_be_told_from_zero(found):
    """A line of pure noise gives no limits: they would be infinite."""
    record = found(**calibration([1, 2, 3, 4, 5, 6], [1.0, 1.2, 0.9, 1.1, 0.95, 1.05]), **blanks())

    assert isinstance(record.calibration, CalibrationRecord)
    assert isinstance(record.detection, NotAssessed)


# --- precision -------------------------------------------------------------------------------------
def daily(readings):
    return {
        "runs": [{"level": 5, "day": f"day {i}", "concentrations": some} for i, some in enumerate(readings)]
    }


def test_one_reading_a_day(found):
    """Single readings carry the intermediate precision, the standard deviation of the days, and no more."""
    readings = [5.1, 5.2, 5.0, 5.3, 4.9]

    (entry,) = found(precision=daily([[one] for one in readings])).precision

    assert isinstance(entry.repeatability_sd, NotAssessed)
    assert isinstance(entry.between_sd, NotAssessed)
    assert entry.intermediate_sd.value == pytest.approx(np.std(readings, ddof=1), rel=1e-12)
    assert entry.intermediate_sd.degrees_of_freedom == 4


def test_equal_readings(found):
    """Readings that never differ are below the resolution: no standard deviation of zero is claimed."""
    (entry,) = found(precision=daily([[5.0, 5.0]] * 5)).precision

    for figure in (entry.repeatability_sd, entry.between_sd, entry.intermediate_sd):
        assert isinstance(figure, NotAssessed)
    assert entry.mean.value == 5


def test_a_level_with_one_reading_stays_in_sight(found):
    """A planned level that cannot carry a figure is listed with its reason beside those that can."""
    runs = [{"level": 5, "concentrations": [5.0]}, {"level": 10, "concentrations": [10.0, 10.2, 9.9]}]

    one, three = found(precision={"runs": runs}).precision

    assert (one.level, one.n) == (5, 1)
    assert one.repeatability_sd.not_assessed == "fewer than 2 readings"
    assert three.repeatability_sd.value == pytest.approx(np.std([10.0, 10.2, 9.9], ddof=1))


def test_a_mean_of_zero_has_no_relative_standard_deviation(found):
    """Results around zero: the absolute figure stands, the relative one is not assessed."""
    (entry,) = found(precision=daily([[-1.0, 1.1], [0.9, -1.0], [1.0, -1.0]])).precision

    assert entry.repeatability_sd.value > 0
    assert isinstance(entry.repeatability_rsd, NotAssessed)


@pytest.mark.parametrize("reason", ["no calibration", "flat"])
def test_signals_that_cannot_be_read_as_concentrations(found, reason):
    """Precision on signals needs a calibration that can be read."""
    line = calibration(LEVELS, [1] * 10) if reason == "flat" else {}

    (entry,) = found(**line, precision={"runs": [{"level": 5, "signals": [0.5, 0.6, 0.55]}]}).precision

    assert "signals cannot be converted to concentrations" in entry.repeatability_sd.not_assessed
    assert "calibration" in entry.repeatability_sd.needs


# --- trueness and selectivity ----------------------------------------------------------------------
@pytest.mark.parametrize(
    ("results", "reason"),
    [([5.0], "only one result; its variation is unknown"), ([5.0] * 4, "the results show no variation")],
)
def test_recoveries_without_scatter(found, results, reason):
    """One result, or equal ones: the recovery is given, its interval is not."""
    (entry,) = found(recovery={"runs": [{"level": 5, "found": results}]}).recovery

    assert entry.mean_recovery.value == pytest.approx(100)
    assert entry.mean_recovery.ci is None
    assert entry.mean_recovery.reason.startswith(reason)
    assert entry.p_bias is None


def test_a_recovery_whose_results_are_all_excluded_stays_in_sight(found):
    """An excluded level is listed with the cause and with what it would have given."""
    runs = [
        {"level": 5, "found": [5.0, 4.0], "excluded": "wrong flask"},
        {"level": 10, "found": [9.9, 10.1, 10.0]},
    ]

    left_out, counted = found(recovery={"runs": runs}).recovery

    assert left_out.mean_recovery.value is None
    assert left_out.mean_recovery.reason == "all recoveries at this level are excluded"
    assert [(point.value, point.cause) for point in left_out.excluded] == [
        (5.0, "wrong flask"),
        (4.0, "wrong flask"),
    ]
    assert left_out.with_excluded.value == pytest.approx(90)
    assert counted.mean_recovery.value == pytest.approx(100)


def test_an_interference_without_a_reference_that_can_be_divided_by(found):
    """A reference of zero gives no relative change, and says why; one reading each gives no interval."""
    runs = [
        {"interferent": "a", "ratio": 1, "analyte_level": 1, "found": [1, 1.1], "reference": [0, 0]},
        {"interferent": "b", "ratio": 1, "analyte_level": 1, "found": [1.1], "reference": [1.0]},
    ]

    zero, single = found(interference={"runs": runs}).interference

    assert zero.relative_change_percent is None
    assert zero.reason
    assert single.relative_change_percent == pytest.approx(10)
    assert single.ci is None
    assert single.reason


@pytest.mark.parametrize("factor", [1e-40, 1e-12, 1e12, 1e40])
def test_recovery_precision_and_interference_in_any_unit(found, factor):
    """Relative figures do not depend on the unit, however small or large the numbers become."""

    def blocks(f):
        return {
            "precision": daily([[f * 5.0, f * 5.2], [f * 4.9, f * 5.1], [f * 5.3, f * 5.2]]),
            "recovery": {"runs": [{"native": f, "added": 5 * f, "found": [5.9 * f, 6.1 * f, 6.2 * f]}]},
            "interference": {
                "runs": [
                    {
                        "interferent": "a",
                        "ratio": 1,
                        "analyte_level": f,
                        "found": [1.1 * f, 1.2 * f, 1.15 * f],
                        "reference": [f, 1.05 * f, 0.95 * f],
                    }
                ]
            },
        }

    plain, scaled = found(**blocks(1.0)), found(**blocks(factor))

    for record in (plain, scaled):
        assert record.precision[0].repeatability_rsd.ci is not None
    assert scaled.precision[0].repeatability_rsd.value == pytest.approx(
        plain.precision[0].repeatability_rsd.value, rel=1e-9
    )
    assert scaled.recovery[0].mean_recovery.ci == pytest.approx(plain.recovery[0].mean_recovery.ci, rel=1e-9)
    assert scaled.interference[0].ci == pytest.approx(plain.interference[0].ci, rel=1e-9)


def test_a_dossier_of_what_could_not_be_assessed(judged, described):
    """The document is built of levels without figures too, and gives the reason of each."""
    study, results = judged(
        described(
            criteria=[{"characteristic": "repeatability", "rsd_max": 5}],
            calibration=calibration([1, 2, 3, 4, 5, 6], [1, 4, 9, 16, 25, 36])["calibration"],
            precision={
                "runs": [
                    {"level": 5, "concentrations": [5.0]},
                    {"level": 8, "concentrations": [8.0, 8.1], "excluded": "wrong flask"},
                    {"level": 9, "concentrations": [9.0, 9.1, 9.3]},
                ]
            },
            recovery={
                "runs": [
                    {"level": 5, "found": [5.0, 4.0], "excluded": "wrong flask"},
                    {"level": 10, "found": [9.0]},
                ]
            },
        )
    )

    page = render_html(build_document(study, results), medium="web")

    for reason in ("fewer than 2 readings", "all readings at this level are excluded", "wrong flask"):
        assert reason in page
