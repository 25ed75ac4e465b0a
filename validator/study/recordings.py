"""The curves that a study names, read from their files, each once."""

from __future__ import annotations

from typing import TYPE_CHECKING

from validator.study.curves import Curve, CurveName, read_curve
from validator.study.files import Unusable
from validator.study.models.base import quoted
from validator.study.places import Place, find
from validator.study.tables import TableFiles
from validator.study.units import same_unit

if TYPE_CHECKING:
    from validator.study.files import StudyFolder
    from validator.study.models.recordings import RecordedRun
    from validator.study.models.study import Study
    from validator.study.places import Loc, Table
    from validator.study.problems import Problems

MOST_CURVES = 5000
MOST_POINTS = 5_000_000


def read_curves(study: Study, root: Table, folder: StudyFolder, problems: Problems) -> dict[CurveName, Curve]:
    """Every curve that a run of ``recordings`` names; what is wrong goes to *problems*."""
    curves: dict[CurveName, Curve] = {}
    block = study.recordings
    if block is None:
        return curves
    files = TableFiles(folder)
    refused: set[CurveName] = set()
    points = 0
    for index, run in enumerate(block.runs):
        loc: Loc = ("recordings", "runs", index, "recording")
        name = (run.recording, run.column)
        if name not in curves and name not in refused:
            if len(curves) >= MOST_CURVES or points > MOST_POINTS:
                message = f"the study names more than {MOST_CURVES} curves or {MOST_POINTS} points"
                problems.add(find(root, loc)[0], loc, message)
                break
            try:
                ordinate = run.column or block.y
                curves[name] = read_curve(files, run.recording, block.x, ordinate, block.recording_decimal)
                points += len(curves[name].x)
            except Unusable as error:
                refused.add(name)
                if error.line:
                    problems.add(Place(run.recording, error.line, in_table=True), ("recordings",), str(error))
                else:
                    problems.add(find(root, loc)[0], loc, f"{run.recording}: {error}")
        if name in curves:
            _check_unit(study, run, curves[name], problems)
    return curves


def _check_unit(study: Study, run: RecordedRun, curve: Curve, problems: Problems) -> None:
    """Note ordinates that are not in the unit of the signal where their height becomes the signal."""
    peak = study.recordings.peak_for(run.analyte, run.configuration) if study.recordings else None
    expected = study.analyte(run.analyte).signal_unit
    if peak is None or peak.measure == "area" or curve.y_unit is None or same_unit(curve.y_unit, expected):
        return
    place = Place(run.recording, 1, f"{curve.y_name} ({curve.y_unit})", in_table=True)
    message = (
        f"the unit is {quoted(curve.y_unit)} here and '{expected}' in method.analytes; "
        f"convert the values to {expected}"
    )
    problems.add(place, ("recordings",), message)
