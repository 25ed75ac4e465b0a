"""What blanks show beside the quantification limit."""

from __future__ import annotations

from typing import TYPE_CHECKING

from validator.errors import NotEstimable
from validator.evaluation.convert import estimate_record
from validator.evaluation.results import BlankResponseRecord, DetectionRecord, NotAssessed
from validator.evaluation.rows import Cell, Value, independent_values, kept, runs_of
from validator.statistics.selectivity import blank_matrix_response
from validator.study.models.blanks import BlankRun

if TYPE_CHECKING:
    from validator.evaluation.concentrations import SignalReader
    from validator.study import Study


def blank_response(
    study: Study, cell: Cell, reader: SignalReader, detection: DetectionRecord | NotAssessed
) -> BlankResponseRecord | None:
    """Blanks of *cell* in percent of the declared quantification limit; None where one of the two is missing.

    Blanks of the matrix count alone where there are any. A blank reported as below a limit counts as that
    limit, which is the cautious reading.
    """
    if isinstance(detection, NotAssessed) or isinstance(detection.quantification_limit, NotAssessed):
        return None
    runs = [run for run in kept(runs_of(study.blanks, cell)) if isinstance(run, BlankRun)]
    of_matrix = [run for run in runs if run.kind == "matrix"]
    counted = of_matrix or runs
    values = [
        *independent_values(counted),
        *(Value(limit, (limit,), run) for run in counted for limit in run.below),
    ]
    confidence = study.analysis_for(cell.analyte).confidence
    limit = detection.quantification_limit.value
    try:
        results = reader.concentrations(values)
        found = blank_matrix_response(results, limit, confidence=confidence)
    except NotEstimable:
        return None
    return BlankResponseRecord(
        kind="matrix" if of_matrix else "any",
        n=found.n,
        censored=sum(len(run.below) for run in counted),
        percent_of_limit=estimate_record(found.percent_of_limit),
        largest_percent=found.largest_percent,
    )
