"""Effect of the matrix: slopes in matrix against the slope of the calibration."""

from __future__ import annotations

from typing import TYPE_CHECKING, Literal

import numpy as np
from msgspec import Struct
from msgspec.structs import replace

from validator.evaluation.calibration import Fitted, calibrate
from validator.evaluation.convert import attempt, t_test
from validator.evaluation.results import (
    EstimateRecord,
    LinePoint,
    MatrixEffectRecord,
    NotAssessed,
    TTest,
)
from validator.evaluation.rows import Cell, excluded, excluded_points, kept, runs_of
from validator.evaluation.standard_addition import samples_of
from validator.statistics.interval import estimate_record, two_sided_record
from validator.statistics.slopes import matrix_effect as effect_percent
from validator.statistics.slopes import pooled_slope_test, slope_difference, slope_ratio
from validator.study.models.calibration import MatrixCalibrationRun

if TYPE_CHECKING:
    from collections.abc import Sequence

    from validator.statistics.regression import CalibrationFit
    from validator.study import Study
    from validator.study.models.runs import Run

Source = Literal["matrix calibration", "standard addition"]

NO_CALIBRATION = NotAssessed(
    not_assessed="no calibration in clean solution is available for comparison",
    needs="calibration data to which a function can be fitted",
)
UNNAMED = "matrix"


class _Line(Struct, frozen=True):
    """A line in matrix, or why there is none."""

    matrix: str
    source: Source
    fit: CalibrationFit | NotAssessed
    weighting: str | None
    runs: tuple[Run, ...]


def matrix_effect(
    study: Study, cell: Cell, fitted: Fitted | NotAssessed
) -> tuple[MatrixEffectRecord, ...] | NotAssessed:
    """One record for each matrix; from the standard additions where there is no calibration in matrix."""
    confidence = study.analysis_for(cell.analyte).confidence
    solvent = fitted.fit if isinstance(fitted, Fitted) else None
    records = [
        _record(line, beside, solvent, confidence)
        for line, beside in _matrix_lines(study, cell) or _addition_lines(study, cell, confidence)
    ]
    if not records:
        return NotAssessed(
            not_assessed="no calibration in matrix was provided",
            needs=(
                "a calibration in matrix, or standard additions to a sample, in addition to "
                "the external calibration"
            ),
        )
    return tuple(records)


def _matrix_lines(study: Study, cell: Cell) -> list[tuple[_Line, _Line | None]]:
    """Lines of the block ``matrix_calibration``, each with that of all its runs where some are excluded."""
    runs = [run for run in runs_of(study.matrix_calibration, cell) if isinstance(run, MatrixCalibrationRun)]
    by_matrix: dict[str, list[MatrixCalibrationRun]] = {}
    for run in runs:
        by_matrix.setdefault(run.matrix or study.study.matrix or UNNAMED, []).append(run)
    return [
        (
            _calibrated(study, cell, matrix, kept(members), members),
            _calibrated(study, cell, matrix, members, members) if excluded(members) else None,
        )
        for matrix, members in by_matrix.items()
    ]


def _calibrated(
    study: Study,
    cell: Cell,
    matrix: str,
    counted: Sequence[MatrixCalibrationRun],
    runs: Sequence[MatrixCalibrationRun],
) -> _Line:
    # excluded marks are taken off, so that "with what is excluded" fits them too
    plain = [run.model_copy(update={"excluded": None}) for run in counted]
    found = calibrate(plain, study.analysis_for(cell.analyte))
    if isinstance(found, NotAssessed):
        return _Line(matrix, "matrix calibration", found, None, tuple(runs))
    return _Line(matrix, "matrix calibration", found.fit, found.weighting.scheme, tuple(runs))


def _addition_lines(study: Study, cell: Cell, confidence: float) -> list[tuple[_Line, _Line | None]]:
    lines: list[tuple[_Line, _Line | None]] = []
    for sample in samples_of(study, cell):
        counted = sample.counted
        fit = attempt(lambda counted=counted: counted.line(confidence).fit)  # type: ignore[misc]
        lines.append((_Line(sample.sample, "standard addition", fit, "none", sample.runs), None))
    return lines


def _record(
    line: _Line, beside: _Line | None, solvent: CalibrationFit | None, confidence: float
) -> MatrixEffectRecord:
    fit = line.fit
    ratio, effect, difference = _compared(fit, solvent, confidence)
    record = MatrixEffectRecord(
        matrix=line.matrix,
        slope_ratio=ratio,
        effect_percent=effect,
        slope_difference=difference,
        slope_difference_pooled=_pooled(fit, solvent),
        source=line.source,
        n=0,
        levels=0,
        excluded=excluded_points(line.runs),
        with_excluded=None if beside is None else _compared(beside.fit, solvent, confidence)[1],
    )
    if isinstance(fit, NotAssessed):
        return record
    return replace(
        record,
        slope=two_sided_record(fit.slope),
        intercept=two_sided_record(fit.intercept),
        weighting=line.weighting,
        n=fit.n,
        levels=int(np.unique(fit.x).size),
        residual_standard_deviation=fit.residual_standard_deviation,
        points=tuple(LinePoint(level=float(x), signal=float(y)) for x, y in zip(fit.x, fit.y, strict=True)),
    )


def _pooled(fit: CalibrationFit | NotAssessed, solvent: CalibrationFit | None) -> TTest | NotAssessed:
    """The test of equal slopes with one residual variance."""
    if isinstance(fit, NotAssessed):
        return fit
    if solvent is None:
        return NO_CALIBRATION
    return attempt(lambda: t_test(pooled_slope_test(fit, solvent)))


def _compared(
    fit: CalibrationFit | NotAssessed, solvent: CalibrationFit | None, confidence: float
) -> tuple[EstimateRecord | NotAssessed, EstimateRecord | NotAssessed, TTest | NotAssessed]:
    """Ratio, effect in percent and test of the difference."""
    if isinstance(fit, NotAssessed):
        return fit, fit, fit
    if solvent is None:
        return NO_CALIBRATION, NO_CALIBRATION, NO_CALIBRATION
    return (
        attempt(lambda: estimate_record(slope_ratio(fit, solvent, confidence=confidence))),
        attempt(lambda: estimate_record(effect_percent(fit, solvent, confidence=confidence))),
        attempt(lambda: t_test(slope_difference(fit, solvent))),
    )
