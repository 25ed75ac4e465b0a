"""The range that is claimed, and what of it calibration, precision and trueness cover."""

from __future__ import annotations

from typing import TYPE_CHECKING

from validator.assessment.claim import claimed_range
from validator.evaluation.results import NotAssessed, RangeRecord

if TYPE_CHECKING:
    from collections.abc import Sequence

    from validator.evaluation.results import Finding, Results
    from validator.evaluation.rows import Cell
    from validator.study import Study


def reach(study: Study, results: Results, cell: Cell, findings: Sequence[Finding]) -> RangeRecord:
    """What is claimed for *cell* and what the evidence covers."""
    record = results.analytes[cell.analyte].configurations[cell.configuration]
    line = None if isinstance(record.calibration, NotAssessed) else record.calibration
    return RangeRecord(
        claimed=claimed_range(study.analyte(cell.analyte)),
        calibrated=None if line is None else (line.working_range.lower, line.working_range.upper),
    )
