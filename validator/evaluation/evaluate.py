"""The whole evaluation: for each analyte and configuration, one step per characteristic."""

from __future__ import annotations

from collections import Counter
from typing import TYPE_CHECKING

import numpy as np
import scipy

from validator.characteristics.order import PACKAGES
from validator.evaluation.accuracy_profile import accuracy_profile
from validator.evaluation.calibration import Fitted, calibration
from validator.evaluation.comparison import comparison
from validator.evaluation.concentrations import reader_of
from validator.evaluation.configurations import compare_configurations
from validator.evaluation.decision_limits import decision_limits
from validator.evaluation.declared import check_declared
from validator.evaluation.detection import Limits, detection
from validator.evaluation.device_to_device import device_to_device
from validator.evaluation.given import Given
from validator.evaluation.inputs import check_size, input_records
from validator.evaluation.matrix_effect import matrix_effect
from validator.evaluation.plan_kept import plan_kept
from validator.evaluation.precision import duplicates, precision, without_scatter
from validator.evaluation.predicted_precision import level_dependence
from validator.evaluation.recordings import recordings
from validator.evaluation.repeated_use import repeated_use
from validator.evaluation.results import (
    AnalyteRecord,
    ConfigurationComparison,
    ConfigurationRecord,
    NotAssessed,
    Results,
    Software,
    StudyIdentity,
)
from validator.evaluation.rows import Cell
from validator.evaluation.selectivity import blank_response, interference
from validator.evaluation.standard_addition import standard_addition
from validator.evaluation.trueness import found_on_added, recovery
from validator.evaluation.uncertainty import uncertainty
from validator.study.censored import censored, with_numbers
from validator.study.models.precision import PrecisionRun
from validator.version import __version__

if TYPE_CHECKING:
    from collections.abc import Mapping

    from validator.study import Study


def evaluate(study: Study, *, only_deciding_limits: bool = False) -> Results:
    """Compute everything that the data of *study* can carry; the rest says why not.

    Pure: the same study gives equal results; nothing is read from or written to files but guidance profiles.
    With *only_deciding_limits* the variants of the limits that decide nothing are left out, for whoever
    judges many studies.

    Raises:
        StudyError: the study declares a guidance profile or a limit variant that is not known, or holds more
            runs than can be evaluated.
        GuidanceError: a guidance profile of the study's own is malformed.
    """
    if not study.is_reduced:
        raise ValueError("the recordings are not reduced; read the study with validator.read_study")
    check_size(study)
    check_declared(study)
    counts = Counter(name for name, _ in censored(study))
    written, study = study, with_numbers(study, "bound")
    analytes: dict[str, AnalyteRecord] = {}
    comparisons: dict[str, ConfigurationComparison] = {}
    for analyte in study.method.analytes:
        cells = {name: Cell(analyte.id, name) for name in study.configuration_ids}
        calibrations = {name: calibration(study, cell) for name, cell in cells.items()}
        records: dict[str, ConfigurationRecord] = {}
        limits: dict[str, Limits] = {}
        for name, cell in cells.items():
            below = Counter(
                run.level
                for _, run in censored(written, "precision")
                if isinstance(run, PrecisionRun) and Cell(run.analyte, run.configuration) == cell
            )
            records[name], limits[name] = _configuration(
                study, cell, calibrations[name], below, only_deciding_limits
            )
        analytes[analyte.id] = AnalyteRecord(
            unit=analyte.unit,
            signal_unit=analyte.signal_unit,
            confidence=study.analysis_for(analyte.id).confidence,
            configurations=records,
        )
        compared = compare_configurations(study, analyte.id, calibrations, limits)
        if compared is not None:
            comparisons[analyte.id] = compared
    return Results(
        software=Software(
            name="validator", version=__version__, numpy=np.__version__, scipy=scipy.__version__
        ),
        study=StudyIdentity(
            title=study.study.title,
            id=study.study.id,
            version=study.study.version,
            matrix=study.study.matrix,
            intended_use=study.study.intended_use,
            guidance=study.study.guidance,
        ),
        inputs=input_records(study),
        analytes=analytes,
        comparison_of_configurations=comparisons,
        plan=plan_kept(study),
        censored=dict(counts),
    )


def _configuration(
    study: Study,
    cell: Cell,
    fitted: Fitted | NotAssessed,
    below: Mapping[float, int],
    only_deciding_limits: bool,
) -> tuple[ConfigurationRecord, Limits]:
    reader = reader_of(fitted)
    precisions = without_scatter(precision(study, cell, reader), below)
    recoveries = recovery(study, cell)
    profile = accuracy_profile(study, cell, reader)
    limits = detection(
        study,
        cell,
        fitted,
        reader,
        precisions,
        recoveries,
        profile.found,
        only_deciding=only_deciding_limits,
    )
    decision, capability = decision_limits(study, cell, precisions, recoveries)
    given = Given(study, cell, fitted, limits.record)
    record = ConfigurationRecord(
        calibration=fitted if isinstance(fitted, NotAssessed) else fitted.record,
        detection=limits.record,
        precision=precisions,
        recovery=recoveries,
        interference=interference(study, cell),
        standard_addition=standard_addition(study, cell, fitted),
        matrix_effect=matrix_effect(study, cell, fitted),
        comparison=comparison(study, cell),
        repeated_use=repeated_use(study, cell),
        device_to_device=device_to_device(study, cell, reader),
        uncertainty=uncertainty(study, cell, fitted, precisions, recoveries),
        accuracy_profile=profile.record,
        decision_limit=decision,
        detection_capability=capability,
        duplicates=duplicates(study, cell, reader),
        level_dependence=level_dependence(precisions),
        found_on_added=found_on_added(study, cell) or None,
        blank_response=blank_response(study, cell, reader, limits.record),
        recordings=recordings(study, cell),
        **{one.name: one.part("assessing").evaluate(given) for one in PACKAGES},
    )
    return record, limits
