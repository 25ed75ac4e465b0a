"""From raw curves to signals in their blocks: known peaks come back, and everything after sees one study."""

from __future__ import annotations

import json

import numpy as np
import pytest

from validator import assess, evaluate, read_study
from validator.errors import StudyError
from validator.evaluation.serialise import from_json, to_json
from validator.study import read_study as read_as_written

E = np.round(np.arange(-1.3, -0.8 + 1e-9, 0.004), 3)
SENSITIVITY, PEAK_AT, WIDTH, SIGMA = 0.12, -1.1, 0.028, 0.01
LEVELS = (0, 2, 5, 10, 20, 40)

STUDY = """\
format: validation-study/1
study: {title: Simulated voltammograms, matrix: tap water}
method:
  analytes: [{id: zn, name: zinc, unit: µg/L, signal: peak current, signal_unit: µA}]
recordings:
  kind: voltammogram
  file: curves.csv
  peaks:
    - from: -1.17
      to: -1.03
      summit: 0.03
      at: -1.1
      baseline: {method: linear, feet: [[-1.25, -1.21], [-0.99, -0.95]]}
      noise: {from: -0.94, to: -0.82}
"""


def voltammogram(level, rng, sigma=SIGMA):
    """A sloping charging current that drifts, a peak of known height, noise."""
    charging = 1 + rng.normal(0, 0.1) + (2 + rng.normal(0, 0.2)) * (E + 1.3) + rng.normal(0, 0.05) * (E + 1.3)
    return (
        charging
        + SENSITIVITY * level * np.exp(-(((E - PEAK_AT) / WIDTH) ** 2) / 2)
        + rng.normal(0, sigma, E.size)
    )


def simulated(seed=1, sigma=SIGMA):
    """A study's files: three curves at each level, ten blanks, the lowest standards again for the noise."""
    rng = np.random.default_rng(seed)
    curves, sheet = {}, ["recording,column,into,level,preparation id"]
    for level in LEVELS:
        for k in range(3):
            curves[f"S{level}-{k}"] = voltammogram(level, rng, sigma)
            sheet.append(f"c.csv,S{level}-{k},calibration,{level},S{level}-{k}")
    for k in range(10):
        curves[f"B{k}"] = voltammogram(0, rng, sigma)
        sheet.append(f"c.csv,B{k},blanks,,B{k}")
    sheet += [f"c.csv,S2-{k},noise,2," for k in range(3)]
    return {"curves.csv": "\n".join(sheet) + "\n", "c.csv": table_of(curves)}


def table_of(curves):
    """A file of curves by name, one abscissa for all."""
    rows = [",".join(["E (V)", *(f"{name} (µA)" for name in curves)])]
    rows += [",".join([f"{e}", *(repr(float(y[i])) for y in curves.values())]) for i, e in enumerate(E)]
    return "\n".join(rows) + "\n"


@pytest.fixture(scope="module")
def study(folder_with):
    return read_study(folder_with(STUDY, simulated()))


def test_signals_go_into_their_blocks(study):
    """Each curve is a run of its block, with what the run sheet says, and knows its row there."""
    assert [len(study.runs(name)) for name in ("calibration", "blanks", "noise")] == [18, 10, 3]
    first, blank, noise = study.calibration.runs[0], study.blanks.runs[0], study.noise.runs[0]
    assert (first.level, first.preparation_id, first.place) == (0, "S0-0", "curves.csv row 2")
    assert (blank.axis, blank.preparation_id) == ("signal", "B0")
    assert noise.noise_kind == "peak_to_peak"
    assert noise.noise == float(f"{noise.noise:.4g}")
    assert noise.note == "read from -0.94 to -0.82 about a straight line"
    assert noise.signal_height == next(run for run in study.calibration.runs if run.level == 2).signal


def test_known_peaks_within_their_stated_uncertainty(study):
    """What was read, minus what was put in, in units of the stated uncertainty: a standard normal sample.

    28 curves: the mean square lies between 0.44 and 1.85 with 99 % (chi-square of 28), if the uncertainty is
    right: neither too small nor, to look safe, too large.
    """
    record = evaluate(study).analytes["zn"].configurations["default"].recordings
    curves = [one for one in record.curves if one.into != "noise"]
    truth = np.array(
        [SENSITIVITY * (one.level or 0) * 0.9989 for one in curves]
    )  # a parabola over 30 mV of a bell
    signals = np.array([one.signal for one in curves])
    stated = np.array([np.hypot(one.standard_error, one.settings_uncertainty) for one in curves])

    assert len(curves) == 28
    assert 0.44 < np.mean(((signals - truth) / stated) ** 2) < 1.85


def test_what_is_reported(study):
    """Settings as declared, noise as simulated, and the repeatability of the reduction in percent."""
    record = evaluate(study).analytes["zn"].configurations["default"].recordings

    assert (record.kind, record.n, len(record.curves)) == ("voltammogram", 31, 31)
    assert (record.settings.lower, record.settings.at, record.settings.baseline.method) == (
        -1.17,
        -1.1,
        "linear",
    )
    assert record.settings.baseline.feet == ((-1.25, -1.21), (-0.99, -0.95))
    assert record.noise_sd == pytest.approx(SIGMA, rel=0.1)
    assert 0 < record.repeatability < record.standard_error
    assert 0 < record.repeatability_percent < 1


def test_the_same_curves_give_the_same_results(folder_with):
    """Reduction is reproducible: read anew, every figure of the results is the same to the last digit."""
    first, again = (evaluate(read_study(folder_with(STUDY, simulated()))) for _ in range(2))

    assert to_json(first) == to_json(again)
    assert from_json(to_json(first)) == first


def test_calibration_blanks_and_noise_are_fed(study):
    """Slope, limit from blanks and limit from signal to noise come out of the curves."""
    results = assess(study, evaluate(study))
    record = results.analytes["zn"].configurations["default"]

    lower, upper = record.calibration.slope.ci
    assert lower < SENSITIVITY < upper
    assert record.calibration.n == 18
    assert record.detection.variants["blank_3s"].detection_limit.value < 1
    assert record.detection.variants["signal_to_noise"].detection_limit.value > 0


def test_signals_beside_others(folder_with):
    """A block may hold runs of its own; those of the curves follow them."""
    more = "calibration: {runs: [{level: 7, signal: 0.84}]}\n"

    study = read_study(folder_with(STUDY + more, simulated()))

    assert [run.level for run in study.calibration.runs[:2]] == [7, 0]
    assert len(study.calibration.runs) == 19


def test_an_excluded_curve_stays_excluded(folder_with):
    """A curve that is left out is drawn and listed, and counts nowhere."""
    files = simulated()
    header, first, *rest = files["curves.csv"].splitlines()
    files["curves.csv"] = "\n".join(
        [f"{header},excluded", f"{first},air bubble", *(f"{one}," for one in rest)]
    )

    study = read_study(folder_with(STUDY, files))
    record = evaluate(study).analytes["zn"].configurations["default"]

    assert study.calibration.runs[0].excluded == "air bubble"
    assert (record.recordings.n, len(record.recordings.curves)) == (30, 31)
    assert record.recordings.curves[0].excluded == "air bubble"
    assert record.calibration.n == 17


def test_matrix_and_factors_are_handed_on(folder_with):
    """Curves of a calibration in matrix take the study's matrix; those of precision keep their factors."""
    files = simulated()
    files["curves.csv"] = (
        "recording,column,into,level,day,laboratory,device,use,kind\n"
        "c.csv,S2-0,matrix_calibration,2,,,,,\n"
        "c.csv,S5-0,precision,5,mon,A,,,\n"
        "c.csv,S5-1,repeated_use,,,,D1,3,\n"
        "c.csv,S5-2,low_level,5,,,,,\n"
        "c.csv,B0,blanks,,,,,,field\n"
    )

    study = read_study(folder_with(STUDY, files))

    assert study.matrix_calibration.runs[0].matrix == "tap water"
    assert (study.precision.runs[0].day, study.precision.runs[0].laboratory) == ("mon", "A")
    assert (study.repeated_use.runs[0].device, study.repeated_use.runs[0].use) == ("D1", 3)
    assert study.low_level.runs[0].axis == "signal"
    assert study.blanks.runs[0].kind == "field"


def test_signals_keep_three_digits_of_their_error(study):
    """Digits that are noise are cut off, none that is not."""
    found = evaluate(study).analytes["zn"].configurations["default"].recordings.curves

    for one in found:
        assert len(repr(one.signal).split(".")[1]) <= 5
        assert one.standard_error > 100 * 0.5e-5


@pytest.mark.parametrize(
    ("change", "problem"),
    [
        (
            ("  to: -1.03", "  to: -1.03", "feet: [[-1.25, -1.21]", "feet: [[-1.9, -1.8]"),
            (
                "c.csv (column 'S0-0'): recordings: the baseline window from -1.9 to -1.8 contains 0 points; "
                "the curve extends from -1.3 to -0.8; needs at least 1 point there "
                "(named in curves.csv row 2)"
            ),
        ),
        (
            ("      at: -1.1\n", "", "to: -1.03", "to: -1.1"),
            (
                "c.csv (column 'S40-0'): recordings: no peak maximum was found between -1.17 and -1.1; the "
                "curve is highest at -1.09991, at the border; needs a window (keys from and to) that "
                "includes the peak and excludes its neighbours, or a fixed reading position (key at) "
                "(named in curves.csv row 17)"
            ),
        ),
        (
            ("      at: -1.1\n", "", "from: -1.17\n      to: -1.03", "from: -0.94\n      to: -0.82"),
            (
                "c.csv (column 'S0-0'): recordings: no curve of zn has a clear maximum at which this blank "
                "or low curve could be read (31 curves in all); needs the position of the peak (key at of "
                "recordings.peaks), or a curve with a clear peak (named in curves.csv row 2)"
            ),
        ),
    ],
    ids=["foot", "border", "nothing clear"],
)
def test_curves_that_cannot_be_reduced(folder_with, change, problem):
    """Every curve that the settings do not fit is told, with the row that names it."""
    text = STUDY.replace(change[0], change[1]).replace(change[2], change[3])

    with pytest.raises(StudyError) as caught:
        read_study(folder_with(text, simulated()))

    assert any(problem in str(one) for one in caught.value.problems)


@pytest.mark.parametrize(
    "settings",
    [
        "      summit: 0.03\n",
        "",
        "      measure: area\n",
        "      summit: 0.03\n      at: -1.1\n",
        "      at: -1.1\n",
    ],
    ids=["parabola", "highest point", "area", "parabola at", "point at"],
)
@pytest.mark.parametrize(
    "baseline",
    [
        "",
        "{method: polynomial, degree: 2, through: [[-1.3, -1.2], [-1.0, -0.8]]}",
        "{method: exponential, decay: 0.1, through: [[-1.3, -1.2], [-1.0, -0.8]]}",
        "{method: tangent, feet: [[-1.25, -1.21], [-0.99, -0.95]]}",
        "{method: linear, feet: [[-1.25, -1.21], [-0.99, -0.95]]}\n      smoothing: {width: 0.03}",
    ],
    ids=["line", "polynomial", "exponential", "tangent", "smoothed"],
)
def test_blanks_read_zero_on_average(folder_with, settings, baseline):
    """400 curves of noise: the mean within 0.1 standard deviations of zero, 3 s within 10 % of a fixed point.

    The highest point of this noise is at +2.0 standard deviations, with half of their spread.
    """
    rng = np.random.default_rng(42)
    curves = {f"S{k}": voltammogram(40, rng) for k in range(3)} | {
        f"B{k}": voltammogram(0, rng) for k in range(400)
    }
    sheet = ["recording,into,level"]
    sheet += [f"{name}.csv,{'blanks,' if name[0] == 'B' else 'calibration,40'}" for name in curves]
    files = {f"{name}.csv": table_of({name: curve}) for name, curve in curves.items()}
    files["curves.csv"] = "\n".join(sheet) + "\n"
    text = STUDY.replace("      summit: 0.03\n      at: -1.1\n", settings)
    if baseline:
        text = text.replace("{method: linear, feet: [[-1.25, -1.21], [-0.99, -0.95]]}", baseline)
    if "area" in settings:
        text = text.replace("      noise: {from: -0.94, to: -0.82}\n", "")
        text = text.replace("signal_unit: µA", "signal_unit: µA·V")

    study = read_study(folder_with(text, files))

    record = evaluate(study).analytes["zn"].configurations["default"].recordings
    blanks = [one for one in record.curves if one.into == "blanks"]
    signals = np.array([one.signal for one in blanks])
    stated = np.sqrt(np.mean([one.standard_error**2 for one in blanks]))
    assert len(signals) == 400
    assert abs(signals.mean()) < 0.1 * signals.std()
    assert signals.std() == pytest.approx(stated, rel=0.1)


def test_curves_without_a_clear_peak_are_read_where_the_clear_ones_have_theirs(folder_with):
    """One position for blanks and low standards, their own for the others; and the record says which."""
    study = read_study(folder_with(STUDY.replace("      at: -1.1\n", ""), simulated()))

    record = evaluate(study).analytes["zn"].configurations["default"].recordings
    clear = [one for one in record.curves if one.maximum is not None]
    others = [one for one in record.curves if one.maximum is None]
    assert {one.level for one in clear} >= {5, 10, 20, 40}
    assert {one.level for one in others} >= {None, 0}
    assert all(one.position == one.maximum for one in clear)
    assert {one.position for one in others} == {record.maxima.mean}
    assert record.maxima.mean == pytest.approx(PEAK_AT, abs=0.002)
    assert record.maxima.n == len({one.column for one in clear})
    assert record.maxima.lowest <= record.maxima.mean <= record.maxima.highest


def caveats_of(study):
    caveats = assess(study, evaluate(study)).assessment.caveats
    return [one.title for one in caveats if one.id == "signals_depend_on_evaluation"]


def test_another_baseline_than_the_declared_one(folder_with, study):
    """Under an exponential wave a straight line leaves an offset, as a parabola tells; on a slope none."""
    files = simulated()
    header, *rows = files["c.csv"].splitlines()
    wave = 0.5 * np.exp(-(E + 1.3) / 0.12)
    files["c.csv"] = "\n".join(
        [header]
        + [
            ",".join([row.split(",")[0], *(repr(float(one) + float(wave[i])) for one in row.split(",")[1:])])
            for i, row in enumerate(rows)
        ]
    )
    on_wave = read_study(folder_with(STUDY, files))
    records = [
        evaluate(one).analytes["zn"].configurations["default"].recordings.other_baseline
        for one in (study, on_wave)
    ]

    assert [one.baseline.degree for one in records] == [2, 2]
    assert abs(records[0].offset) < 2.6 * records[0].offset_error
    assert records[1].offset - records[0].offset == pytest.approx(chord_and_parabola(wave), rel=0.01)
    assert caveats_of(study) == []
    assert caveats_of(on_wave) == ["Signals depend on the kind of baseline"]


def chord_and_parabola(wave):
    """The straight line between the means of the feet minus the parabola through them, at the peak."""
    left, right = (E >= -1.25) & (E <= -1.21), (E >= -0.99) & (E <= -0.95)
    feet = left | right
    line = np.interp(E, [E[left].mean(), E[right].mean()], [wave[left].mean(), wave[right].mean()])
    parabola = np.polynomial.Polynomial.fit(E[feet], wave[feet], 2)(E)
    top = (E >= -1.1151) & (E <= -1.0849)
    return np.polynomial.Polynomial.fit(E[top], (line - parabola)[top], 2)(PEAK_AT)


def test_peaks_that_drift_from_the_reading_position(folder_with, study):
    """Maxima 8 mV from where they are read are told; where each is read at its own, nothing is lost."""
    files = simulated()
    away = STUDY.replace("at: -1.1", "at: -1.092")
    record = evaluate(study).analytes["zn"].configurations["default"].recordings

    assert record.maxima.half_width == pytest.approx(2.3548 * WIDTH, rel=0.05)  # 2 √(2 ln 2) of a bell
    assert record.maxima.distance < 0.001
    assert caveats_of(read_study(folder_with(away, files))) == ["Peak maxima away from the reading position"]
    assert caveats_of(read_study(folder_with(STUDY.replace("      at: -1.1\n", ""), files))) == []


def test_excluded_curves_teach_no_position(folder_with):
    """The mean of the clear maxima is that of the curves that count."""
    text = STUDY.replace("      at: -1.1\n", "")
    files = simulated()
    header, *rows = files["curves.csv"].splitlines()
    marked = [f"{row},{'air bubble' if ',calibration,40,' in row else ''}" for row in rows]
    files["curves.csv"] = "\n".join([f"{header},excluded", *marked])

    whole, less = (
        evaluate(read_study(folder_with(text, one)))
        .analytes["zn"]
        .configurations["default"]
        .recordings.maxima
        for one in (simulated(), files)
    )

    assert less.n == whole.n - 3


def test_asymmetric_least_squares_read_no_blanks(folder_with):
    """They follow the underside of the noise: refused for blanks, and for any curve without a clear peak."""
    text = STUDY.replace(
        "{method: linear, feet: [[-1.25, -1.21], [-0.99, -0.95]]}",
        "{method: asymmetric_least_squares, smoothness: 1.e+5, asymmetry: 0.001}",
    )
    files = simulated()
    header, *rows = files["curves.csv"].splitlines()
    low = "\n".join([header, *(row for row in rows if ",calibration,2," in row)])
    unclear = folder_with(text, simulated(sigma=0.1) | {"curves.csv": low})

    with pytest.raises(StudyError) as of_blanks:
        read_study(folder_with(text, files))
    with pytest.raises(StudyError) as of_low:
        read_study(unclear)

    assert str(of_blanks.value) == (
        "curves.csv:2: recordings.runs[0].into: asymmetric least squares follow the underside of the noise "
        "of a blank; give the peak a baseline with method linear, polynomial or exponential"
    )
    assert "the signal does not exceed 10 standard errors; there, asymmetric least squares" in str(
        of_low.value
    )


def test_a_height_below_zero_has_no_signal_to_noise(folder_with):
    """Noise is set against a signal; where the blank is read below zero there is none."""
    files = simulated()
    files["curves.csv"] = "recording,column,into,level\n" + "".join(
        f"c.csv,B{k},noise,1\n" for k in range(10)
    )

    with pytest.raises(StudyError, match="signal to noise needs a height above zero and some noise"):
        read_study(folder_with(STUDY, files))


def test_only_reduced_studies_are_evaluated(folder_with):
    """Who reads a study past the reduction is told so, instead of being given half of it."""
    study = read_as_written(folder_with(STUDY, simulated()))

    with pytest.raises(ValueError, match=r"read the study with validator\.read_study"):
        evaluate(study)


def test_through_the_command_line(command, folder_with, tmp_path):
    """``evaluate`` writes the curves into the results; a problem with a curve ends in status 2."""
    done = command("evaluate", folder_with(STUDY, simulated()), "--results", tmp_path / "r.json")
    refused = command("evaluate", folder_with(STUDY.replace("-1.25, -1.21", "-1.9, -1.8"), simulated()))

    assert done.err == ""
    results = json.loads((tmp_path / "r.json").read_text(encoding="utf-8"))
    assert len(results["analytes"]["zn"]["configurations"]["default"]["recordings"]["curves"]) == 31
    assert refused.status == 2
    assert "31 problems found; nothing was written." in refused.err


@pytest.mark.parametrize("settings", ["      at: -1.1\n", ""], ids=["declared", "taught"])
def test_second_derivatives_read_zero_in_blanks_and_the_curvature_of_a_peak(folder_with, settings):
    """Blanks read zero on average, at a declared or a taught position; a peak h exp(-x²/2w²) reads h/w²."""
    rng = np.random.default_rng(42)
    curves = {f"S{k}": voltammogram(40, rng, 0.001) for k in range(4)}
    curves |= {f"B{k}": voltammogram(0, rng, 0.001) for k in range(400)}
    sheet = ["recording,into,level"]
    sheet += [f"{name}.csv,{'blanks,' if name[0] == 'B' else 'calibration,40'}" for name in curves]
    files = {f"{name}.csv": table_of({name: curve}) for name, curve in curves.items()}
    files["curves.csv"] = "\n".join(sheet) + "\n"
    text = STUDY.replace("      summit: 0.03\n      at: -1.1\n", settings)
    text = text.replace(
        "{method: linear, feet: [[-1.25, -1.21], [-0.99, -0.95]]}", "{method: none}\n" + SECOND
    )
    text = text.replace("signal_unit: µA", "signal_unit: µA·V-2")
    text = text.replace("      noise: {from: -0.94, to: -0.82}\n", "")

    record = (
        evaluate(read_study(folder_with(text, files))).analytes["zn"].configurations["default"].recordings
    )

    signals = np.array([one.signal for one in record.curves if one.into == "blanks"])
    peaks = np.array([one.signal for one in record.curves if one.into == "calibration"])
    stated = np.sqrt(np.mean([one.standard_error**2 for one in record.curves if one.into == "blanks"]))
    assert abs(signals.mean()) < 0.1 * signals.std()
    assert signals.std() == pytest.approx(stated, rel=0.15)
    # polynomials of degree 4 over two widths of the peak are within 5 % of its curvature (by this very sum)
    assert peaks.mean() == pytest.approx(SENSITIVITY * 40 / WIDTH**2, rel=0.05)


FEET = "[[-1.25, -1.21], [-0.99, -0.95]]"
SECOND = "      smoothing: {width: 0.06, degree: 4, second_derivative: true}"


@pytest.mark.parametrize(
    ("baseline", "problem"),
    [
        ("{method: none}", "a second derivative, and it alone, is read without a baseline"),
        ("{method: linear, feet: [[-1.25, -1.21], [-0.99, -0.95]]}\n" + SECOND, "give method: none"),
        ("{method: none}\n" + SECOND.replace("degree: 4", "degree: 1"), "the degree must be from 2 to 5"),
        ("{method: tangent}", "a baseline with method tangent requires feet"),
        ("{method: none}\n" + SECOND.replace("0.06", "0.9"), "smoothing over 0.9 takes 225 points"),
    ],
)
def test_smoothing_that_does_not_fit(folder_with, baseline, problem):
    """A derivative has its own zero, and nothing else has; a width fits into the curve."""
    text = STUDY.replace("{method: linear, feet: [[-1.25, -1.21], [-0.99, -0.95]]}", baseline)
    text = text.replace("signal_unit: µA", "signal_unit: µA·V-2") if "second" in baseline else text
    text = text.replace("      noise: {from: -0.94, to: -0.82}\n", "")
    files = simulated()
    files["curves.csv"] = (
        "\n".join(one for one in files["curves.csv"].splitlines() if "noise" not in one) + "\n"
    )

    with pytest.raises(StudyError) as caught:
        evaluate(read_study(folder_with(text, files)))

    assert any(problem in str(one) for one in caught.value.problems)


def test_a_tangent_without_clear_curves_has_nothing_to_touch(folder_with):
    """Blanks alone show no foot; the way out is named."""
    files = simulated()
    rows = files["curves.csv"].splitlines()
    files["curves.csv"] = "\n".join([rows[0], *(one for one in rows[1:] if ",blanks," in one)]) + "\n"
    text = STUDY.replace("method: linear", "method: tangent")

    with pytest.raises(StudyError, match="no curve with a clear peak shows where the tangent touches"):
        evaluate(read_study(folder_with(text, files)))
