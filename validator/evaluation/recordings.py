"""Raw curves to signals: reduced by the settings of the study, and put into the blocks that they go into.

Done once, right after reading, so that everything that follows sees one study.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Literal

import numpy as np
from msgspec import Struct
from msgspec.structs import replace
from pydantic import ValidationError

from validator.errors import NotEstimable, Problem, StudyError
from validator.evaluation.calibration import calibration
from validator.evaluation.concentrations import reader_of
from validator.evaluation.results import (
    BaselineRecord,
    MaximaRecord,
    NoiseRecord,
    OtherBaselineRecord,
    RecordingsRecord,
    ReducedCurve,
    ReductionSettings,
)
from validator.evaluation.rows import Cell
from validator.numbers import counted
from validator.statistics.curve_noise import NoiseModel, Points, WindowNoise, noise_model, window_noise
from validator.statistics.peaks import (
    CLEAR,
    AsymmetricBaseline,
    Baseline,
    ExponentialBaseline,
    LinearBaseline,
    NoBaseline,
    PeakResult,
    PeakSettings,
    PolynomialBaseline,
    TangentBaseline,
    UnclearPeak,
    baseline_effect,
    half_width,
    other_baseline,
    reduce_peak,
    smoothed,
    touching_points,
)
from validator.study.blocks import data_blocks
from validator.study.models.recordings import OWN_SETTINGS, TARGETS, reading_of
from validator.study.places import path_of

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping, Sequence

    from numpy.typing import NDArray
    from pydantic_core import ErrorDetails

    from validator.study import Study
    from validator.study.models.base import Record
    from validator.study.models.recordings import Baseline as DeclaredBaseline
    from validator.study.models.recordings import Peak, RecordedRun
    from validator.study.models.runs import Block, Run

_MORE_DIGITS = 2


class Reduction(Struct, frozen=True):
    """One curve, how it was reduced, and what came out.

    Attributes:
        maximum, half_width: abscissa of the curve's own maximum, and width at half its height; None for an
            area, and where the peak is not clear.
        touching: where the tangent below all curves touches them, where that is the baseline.
    """

    run: RecordedRun
    peak: Peak
    result: PeakResult
    noise: WindowNoise | None
    model: NoiseModel
    touching: tuple[float, float] | None = None
    maximum: float | None = None
    half_width: float | None = None

    @property
    def signal(self) -> float:
        """The signal to three digits of its standard error: what is cut off is less than its noise."""
        error = self.result.standard_error
        if error <= 0:
            return self.result.signal
        return round(self.result.signal, _MORE_DIGITS - math.floor(math.log10(error)))


def reduced(study: Study) -> Study:
    """The study with a run, in its block, for every curve of ``recordings``.

    Raises:
        StudyError: curves cannot be reduced as the study declares; it carries every problem.
    """
    if study.is_reduced:
        return study
    found: dict[str, list[Reduction]] = {}
    problems = []
    unclear: dict[Cell, list[RecordedRun]] = {}
    refused = set()
    for run, outcome in _attempts(study):
        if isinstance(outcome, UnclearPeak):
            unclear.setdefault(_cell(run), []).append(run)
        elif isinstance(outcome, NotEstimable):
            refused.add(_cell(run))
            problems.append(_problem(run, f"{outcome.reason}; needs {outcome.needs}"))
        elif run.into == "noise" and not (outcome.signal > 0 and outcome.noise and outcome.noise.sd > 0):
            problems.append(_problem(run, "signal to noise needs a height above zero and some noise"))
        else:
            found.setdefault(run.into, []).append(outcome)
    # where clear curves are refused, the others only lack a position because of that
    problems += [_without_position(one) for cell, one in unclear.items() if cell not in refused]
    if problems:
        raise StudyError(problems)
    results = found.pop("recovery", [])
    done = study.with_signals({into: _with_runs(study, into, some) for into, some in found.items()})
    if not results:
        return done
    return done.with_signals({"recovery": _with_runs(done, "recovery", results)})


def reductions(study: Study, cell: Cell) -> tuple[Reduction, ...]:
    """The reduced curves of *cell*, in the order of the study, those of excluded runs too."""
    return tuple(
        outcome
        for run, outcome in _attempts(study)
        if (run.analyte, run.configuration) == (cell.analyte, cell.configuration)
        and isinstance(outcome, Reduction)
    )


def recordings(study: Study, cell: Cell) -> RecordingsRecord | None:
    """What was read from the curves of *cell*, and how well the reduction repeats itself."""
    found = reductions(study, cell)
    counting = [one for one in found if one.run.excluded is None]
    if study.recordings is None or not counting:
        return None
    common = _common(study, cell)
    clear = [one.result for one in counting if one.result.signal > CLEAR * one.result.standard_error]
    maxima = _maxima(study, found)
    relative = [100 * one.settings_uncertainty / one.signal for one in clear]
    return RecordingsRecord(
        kind=study.recordings.kind,
        settings=_settings_record(common, counting[0].touching),
        n=len(counting),
        noise_sd=_mean_square([one.result.noise_sd for one in counting]),
        standard_error=_mean_square([one.result.standard_error for one in counting]),
        repeatability=_mean_square([one.result.settings_uncertainty for one in counting]),
        repeatability_percent=_mean_square(relative) if relative else None,
        noise=_noise_record(counting[0].model),
        other_baseline=_other_baseline(counting, common),
        maxima=maxima.get(cell),
        curves=tuple(_curve_record(one) for one in found),
    )


def _attempts(study: Study) -> Iterator[tuple[RecordedRun, Reduction | NotEstimable]]:
    """Every curve, read at its own maximum where that is clear, else at the mean of the clear ones.

    Where the study declares the position, every curve is read there. A refusal names what it speaks of.
    """
    block = study.recordings
    runs = block.runs if block else ()
    models = _taught(study)
    own = [_at_own_maximum(study, run, models) for run in runs]
    maxima = _maxima(study, [one for one in own if isinstance(one, Reduction)])
    for run, found in zip(runs, own, strict=True):
        try:
            yield run, _reduction(study, run, models, found, maxima.get(_cell(run)))
        except NotEstimable as refusal:
            yield run, refusal


class _Taught(Struct, frozen=True):
    """What the curves of a cell tell together: their noise, and where a tangent touches them."""

    noise: NoiseModel
    touching: tuple[float, float] | None = None


def _taught(study: Study) -> dict[Cell, _Taught | NotEstimable]:
    """What the curves of each analyte and configuration that count tell together, or why they do not."""
    runs: dict[Cell, dict[tuple[str, str | None], RecordedRun]] = {}
    for run in study.recordings.runs if study.recordings else ():
        same = runs.setdefault(_cell(run), {})
        if run.excluded is None or not same:
            same[run.recording, run.column] = run
    found: dict[Cell, _Taught | NotEstimable] = {}
    for cell, same in runs.items():
        try:
            found[cell] = _taught_by(study, list(same.values()))
        except NotEstimable as refusal:
            found[cell] = refusal
    return found


def _taught_by(study: Study, runs: Sequence[RecordedRun]) -> _Taught:
    peak = _common(study, _cell(runs[0]))
    quiet = (peak.noise.start, peak.noise.end) if peak.noise else None
    curves = [points_of(study, run) for run in runs]
    noise = noise_model(curves, (peak.start, peak.end), quiet=quiet)
    settings = _settings(peak)
    if not isinstance(settings.baseline, TangentBaseline):
        return _Taught(noise)
    touching = [
        touching_points(x, y, settings.baseline)
        for run, (x, y) in zip(runs, curves, strict=True)
        if not run.is_blank and _is_clear(x, y, settings, noise)
    ]
    if not touching:
        raise NotEstimable(
            "no curve with a clear peak shows where the tangent touches", "such a curve, or method: linear"
        )
    low, high = np.mean(touching, axis=0)
    return _Taught(noise, (float(low), float(high)))


def _is_clear(
    x: NDArray[np.float64], y: NDArray[np.float64], settings: PeakSettings, noise: NoiseModel
) -> bool:
    try:
        found = reduce_peak(x, y, settings, noise=noise.of(x, y))
    except NotEstimable:
        return False
    return found.signal > CLEAR * found.standard_error


def points_of(study: Study, run: RecordedRun) -> Points:
    """Abscissae and ordinates of the curve as it is read: smoothed or differentiated where declared.

    Raises:
        NotEstimable: the declared smoothing does not fit the curve.
    """
    curve = study.curve(run)
    x, y = np.frombuffer(curve.x), np.frombuffer(curve.y)
    declared = _peak(study, run).smoothing
    if declared is None:
        return x, y
    return x, smoothed(
        x, y, width=declared.width, degree=declared.degree, second_derivative=declared.second_derivative
    )


def _at_own_maximum(
    study: Study, run: RecordedRun, models: Mapping[Cell, _Taught | NotEstimable]
) -> Reduction | NotEstimable:
    """The curve read at its own maximum; in a blank none is sought, nor for an area."""
    if run.is_blank or _peak(study, run).measure == "area":
        return UnclearPeak("no maximum is sought in this curve", "a fixed reading position (key at)")
    try:
        found = _read(study, run, models, at=None)
    except NotEstimable as refusal:
        return refusal
    x, y = points_of(study, run)
    width = half_width(x, y, found.result, direction=_settings(found.peak).direction)
    return replace(found, maximum=found.result.position, half_width=width)


def _reduction(
    study: Study,
    run: RecordedRun,
    models: Mapping[Cell, _Taught | NotEstimable],
    own: Reduction | NotEstimable,
    maxima: MaximaRecord | None,
) -> Reduction:
    peak = _peak(study, run)
    if peak.measure == "area" or peak.at is not None:
        at = peak.at
    elif isinstance(own, Reduction):
        return own
    elif isinstance(own, UnclearPeak) and maxima is not None:
        at = maxima.mean
    else:
        raise own
    found = _read(study, run, models, at)
    if isinstance(own, Reduction):
        return replace(found, maximum=own.maximum, half_width=own.half_width)
    return found


def _read(
    study: Study, run: RecordedRun, models: Mapping[Cell, _Taught | NotEstimable], at: float | None
) -> Reduction:
    taught = models[_cell(run)]
    if isinstance(taught, NotEstimable):
        raise taught
    peak, (x, y), model = _peak(study, run), points_of(study, run), taught.noise
    settings = replace(_settings(peak), at=at)
    if isinstance(settings.baseline, TangentBaseline):
        settings = replace(settings, baseline=replace(settings.baseline, touching=taught.touching))
    noise = window_noise(x, y, (peak.noise.start, peak.noise.end)) if peak.noise else None
    result = reduce_peak(x, y, settings, noise=model.of(x, y))
    return Reduction(run, peak, result, noise, model, taught.touching)


def _maxima(study: Study, found: Sequence[Reduction]) -> dict[Cell, MaximaRecord]:
    """The clear maxima of each analyte and configuration; every curve counts once, whatever it goes into."""
    clear: dict[Cell, dict[tuple[str, str | None], Reduction]] = {}
    for one in found:
        if one.maximum is not None and one.run.excluded is None:
            clear.setdefault(_cell(one.run), {})[one.run.recording, one.run.column] = one
    return {
        cell: _maxima_record(list(curves.values()), _common(study, cell).at) for cell, curves in clear.items()
    }


def _maxima_record(clear: list[Reduction], at: float | None) -> MaximaRecord:
    positions = np.array([one.maximum for one in clear])
    weights = np.array([one.result.signal for one in clear]) ** 2
    widths = [one.half_width for one in clear if one.half_width is not None]
    return MaximaRecord(
        n=len(clear),
        mean=float(positions.mean()),
        lowest=float(positions.min()),
        highest=float(positions.max()),
        half_width=float(np.median(widths)) if widths else None,
        distance=None if at is None else float(np.sqrt(np.average((positions - at) ** 2, weights=weights))),
    )


def _other_baseline(counting: Sequence[Reduction], common: Peak) -> OtherBaselineRecord | None:
    pairs = [(one.result, one.result.other) for one in counting if one.result.other is not None]
    kind = other_baseline(_settings(common))
    if kind is None:
        return None
    try:
        effect = baseline_effect([result.signal for result, _ in pairs], [other for _, other in pairs])
    except NotEstimable:
        return None
    return OtherBaselineRecord(
        baseline=_baseline_record(kind),
        offset=effect.offset,
        offset_error=effect.offset_error,
        percent=effect.percent,
        scatter=effect.scatter,
        uncertainty=_mean_square([result.standard_uncertainty for result, _ in pairs]),
    )


def _cell(run: RecordedRun) -> Cell:
    return Cell(run.analyte, run.configuration)


def _peak(study: Study, run: RecordedRun) -> Peak:
    peak = study.recordings.peak_of(run) if study.recordings else None
    if peak is None:  # the block is checked when it is read
        raise ValueError(f"no entry under peaks for {run.analyte}")
    return peak


def _common(study: Study, cell: Cell) -> Peak:
    """The settings for all curves of *cell* that have none of their own."""
    found = study.recordings.peak_for(cell.analyte, cell.configuration) if study.recordings else None
    if found is None:  # the block is checked when it is read
        raise ValueError(f"no entry under peaks for {cell.analyte}")
    return found


def _settings(peak: Peak) -> PeakSettings:
    direction: Literal[1, -1] = 1 if peak.direction == "up" else -1
    return PeakSettings(
        window=(peak.start, peak.end),
        baseline=_baseline(peak.baseline, direction),
        measure=peak.measure,
        direction=direction,
        summit=peak.summit,
        at=peak.at,
    )


def _baseline(declared: DeclaredBaseline, direction: Literal[1, -1]) -> Baseline:
    match declared.method:
        case "linear":
            (left, right) = declared.feet
            return LinearBaseline(((left[0], left[1]), (right[0], right[1])))
        case "polynomial":
            return PolynomialBaseline(
                declared.degree or 1, tuple((low, high) for low, high in declared.through)
            )
        case "exponential":
            return ExponentialBaseline(
                declared.decay or 1.0, tuple((low, high) for low, high in declared.through)
            )
        case "asymmetric_least_squares":
            return AsymmetricBaseline(declared.smoothness or 1.0, declared.asymmetry or 0.5)
        case "tangent":
            (left, right) = declared.feet
            return TangentBaseline(((left[0], left[1]), (right[0], right[1])), direction)
        case "none":
            return NoBaseline()


def _runs(study: Study, into: str, found: Sequence[Reduction]) -> Iterator[Run]:
    """The runs of a block that the curves make, one of each or one of several that belong together."""
    model = TARGETS[into]
    if into != "interference" and not model.gathers_rows:
        for one in found:
            run = model.model_validate({**_given(study, one), **_readings(study, one)})
            run.stand_at(one.run.place)
            yield run
        return
    # a reading that is left out makes no run: it is listed among the curves, with its cause
    groups: dict[tuple[object, ...], list[Reduction]] = {}
    for one in found:
        if one.run.excluded is None:
            groups.setdefault(_belongs_with(one.run), []).append(one)
    references = {key: groups.pop(key) for key in list(groups) if into == "interference" and key[0] is None}
    for members in groups.values():
        first = members[0].run
        values: dict[str, object] = {**_given(study, members[0])}
        if model.one_row is not None:
            rows = [{**_of_row(one.run, model.one_row), "signal": one.signal} for one in members]
            values = {name: value for name, value in values.items() if name in model.model_fields}
            values[model.rows_in] = rows
        else:
            values["signals"] = [one.signal for one in members]
            if first.added is not None:
                values["added"] = [one.run.added for one in members]
        if into == "interference":
            near = [one for some in references.values() for one in some if _goes_with(one.run, first)]
            values["reference"] = [one.signal for one in near]
            if not near:
                message = "no curve without the interferent at this analyte_level (one that names none)"
                raise StudyError([_problem(first, message)])
        run = model.model_validate(values)
        run.stand_at(first.place)
        yield run


def _belongs_with(run: RecordedRun) -> tuple[object, ...]:
    """What curves share that are readings of one run; that of interference begins with the interferent."""
    apart = {"recording", "column", "added", "order", "note", "reason", *OWN_SETTINGS}
    model = TARGETS[run.into]
    if model.one_row is not None:
        apart |= set(model.one_row.model_fields)
    fixed = sorted(run.model_fields_set - apart)
    return (run.interferent, *((name, getattr(run, name)) for name in fixed))


def _goes_with(reference: RecordedRun, run: RecordedRun) -> bool:
    """True where a reading without the interferent belongs to the *run* with it."""
    return _cell(reference) == _cell(run) and reference.analyte_level == run.analyte_level


def _of_row(run: RecordedRun, row: type[Record]) -> dict[str, object]:
    given = {name: getattr(run, name) for name in row.model_fields if name != "signal"}
    return {name: value for name, value in given.items() if value is not None}


def _given(study: Study, reduction: Reduction) -> dict[str, object]:
    source = reduction.run
    given = source.for_block()
    if source.into == "matrix_calibration" and source.matrix is None and study.study.matrix is not None:
        given["matrix"] = study.study.matrix
    return given


def _readings(study: Study, reduction: Reduction) -> dict[str, object]:
    noise, window = reduction.noise, reduction.peak.noise
    if reduction.run.into == "recovery":
        return {"found": _result(study, reduction)}
    if reduction.run.into != "noise" or noise is None or window is None:
        return {reading_of(reduction.run.into): reduction.signal}
    return {
        "signal_height": reduction.signal,
        "noise": _rounded(noise.peak_to_peak if window.kind == "peak_to_peak" else noise.sd),
        "noise_kind": window.kind,
        "note": reduction.run.note or f"read from {window.start:g} to {window.end:g} about a straight line",
    }


def _result(study: Study, reduction: Reduction) -> float:
    """The signal of a recovery as a concentration, read from the calibration of its cell."""
    fitted = calibration(study, _cell(reduction.run))
    try:
        return reader_of(fitted).read(reduction.signal)
    except NotEstimable as refusal:
        raise StudyError([_problem(reduction.run, f"{refusal.reason}; needs {refusal.needs}")]) from None


def _rounded(noise: float | None) -> float | None:
    """The noise to four digits: a standard deviation of a hundred points is known to a tenth of itself."""
    return None if noise is None else float(f"{noise:.4g}")


def _with_runs(study: Study, into: str, found: Sequence[Reduction]) -> Block:
    """The block with the runs that the curves make.

    Raises:
        StudyError: the block refuses them.
    """
    before: Block | None = getattr(study, into)
    model = next(block for name, block, _ in data_blocks() if name == into)
    written = {name: getattr(before, name) for name in before.model_fields_set} if before else {}
    try:
        return model.model_validate({**written, "runs": [*study.runs(into), *_runs(study, into, found)]})
    except ValidationError as error:
        refused = [Problem(*_place(one, found), one["msg"]) for one in error.errors(include_url=False)]
        raise StudyError(refused) from None


def _place(refused: ErrorDetails, found: Sequence[Reduction]) -> tuple[str, int, str]:
    run = found[0].run
    return run.recording, 0, path_of((run.into, *refused["loc"]))


def _problem(run: RecordedRun, sentence: str) -> Problem:
    return Problem(run.recording, 0, "recordings", f"{sentence} (named in {run.place})", run.column or "")


def _without_position(runs: list[RecordedRun]) -> Problem:
    sentence = (
        f"no curve of {runs[0].analyte} has a clear maximum at which this blank or low curve could be read "
        f"({counted(len(runs), 'curve')} in all); needs the position of the peak (key at of "
        "recordings.peaks), or a curve with a clear peak"
    )
    return _problem(runs[0], sentence)


def _mean_square(values: list[float]) -> float:
    return math.sqrt(sum(value**2 for value in values) / len(values))


def _settings_record(peak: Peak, touching: tuple[float, float] | None) -> ReductionSettings:
    baseline = replace(_baseline_record(_settings(peak).baseline), touching=touching)
    return ReductionSettings(
        lower=peak.start,
        upper=peak.end,
        measure=peak.measure,
        direction=peak.direction,
        summit=peak.summit,
        at=peak.at,
        baseline=baseline,
        smoothing_width=peak.smoothing.width if peak.smoothing else None,
        smoothing_degree=peak.smoothing.degree if peak.smoothing else None,
        second_derivative=peak.is_derivative or None,
    )


def _baseline_record(baseline: Baseline) -> BaselineRecord:
    match baseline:
        case LinearBaseline(feet=feet):
            return BaselineRecord(method="linear", feet=feet)
        case TangentBaseline(feet=feet):
            return BaselineRecord(method="tangent", feet=feet)
        case NoBaseline():
            return BaselineRecord(method="none")
        case PolynomialBaseline(degree=degree, through=through):
            return BaselineRecord(method="polynomial", degree=degree, through=through)
        case ExponentialBaseline(decay=decay, through=through):
            return BaselineRecord(method="exponential", decay=decay, through=through)
        case AsymmetricBaseline(smoothness=smoothness, asymmetry=asymmetry):
            return BaselineRecord(
                method="asymmetric_least_squares", smoothness=smoothness, asymmetry=asymmetry
            )


def _noise_record(model: NoiseModel) -> NoiseRecord:
    return NoiseRecord(
        windows=tuple(part.window for part in model.parts),
        degree=model.parts[0].degree if model.parts else 0,
        correlated_over=model.correlation.size - 1,
    )


def _curve_record(one: Reduction) -> ReducedCurve:
    return ReducedCurve(
        recording=one.run.recording,
        column=one.run.column,
        place=one.run.place,
        into=one.run.into,
        level=one.run.level,
        position=one.result.position,
        maximum=one.maximum,
        signal=one.signal,
        standard_error=one.result.standard_error,
        settings_uncertainty=one.result.settings_uncertainty,
        other_baseline_difference=one.result.other.value if one.result.other else None,
        noise_sd=one.result.noise_sd,
        noise_peak_to_peak=one.noise.peak_to_peak if one.noise else None,
        settings=one.run.own_settings or None,
        reason=one.run.reason,
        excluded=one.run.excluded,
    )
