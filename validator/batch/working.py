"""One study of a batch, in whichever process: taken over where nothing changed, else computed and written."""

from __future__ import annotations

import logging
from collections import Counter
from typing import TYPE_CHECKING

import numpy as np
import scipy
from msgspec.structs import replace

from validator.assessment import assess
from validator.batch.rows import FigureRow, StudyRow
from validator.errors import OutputProblem, StudyError, ValidatorError
from validator.evaluation import evaluate
from validator.evaluation.inputs import files_of, input_records
from validator.evaluation.results import NotAssessed, Results, Software
from validator.evaluation.serialise import from_json, to_json
from validator.reading import read_study
from validator.version import __version__
from validator.writing import check_outputs, write_atomically

if TYPE_CHECKING:
    from collections.abc import Iterator

    from validator.batch.rows import StudyPlace
    from validator.evaluation.results import AnalyteRecord, ConfigurationRecord, Results
    from validator.evaluation.results.detection import DeclaredLimit
    from validator.records import EstimateRecord, Interval
    from validator.study import Study


def row_of(path: str, results: Results, *, reused: bool = False) -> StudyRow:
    """The line of the study at *path* with judged *results*."""
    study, assessment = results.study, results.assessment
    findings = assessment.findings if assessment else ()
    outcomes = Counter(one.outcome for one in findings if one.decides)
    severities = Counter(one.severity for one in (assessment.caveats if assessment else ()))
    design = assessment.design if assessment else ()
    return StudyRow(
        path=path,
        title=study.title,
        id=study.id or "",
        version=study.version or "",
        matrix=study.matrix or "",
        analytes=", ".join(results.analytes),
        verdict=(assessment.verdict if not assessment.draft else "draft") if assessment else "not assessed",
        reason=assessment.reason if assessment else "",
        meets=outcomes["meets"],
        does_not_meet=outcomes["does not meet"],
        inconclusive=outcomes["inconclusive"],
        not_assessed=outcomes["not assessed"],
        stops=severities["stop"],
        conditions=severities["condition"],
        cautions=severities["caution"],
        design_short=sum(one.outcome == "does not meet" and not one.recommended for one in design),
        figures=tuple(_figures(results)),
        reused=reused,
    )


def _figures(results: Results) -> Iterator[FigureRow]:
    for analyte, record in results.analytes.items():
        for configuration, found in record.configurations.items():
            for figure, level, unit, value, ends in _of_configuration(record, found):
                yield FigureRow(
                    analyte=analyte,
                    configuration=configuration,
                    figure=figure,
                    level=level,
                    unit=unit,
                    value=value,
                    lower=ends[0],
                    upper=ends[1],
                )


_Named = tuple[str, float | None, str, float, "Interval"]


def _of_configuration(analyte: AnalyteRecord, found: ConfigurationRecord) -> Iterator[_Named]:
    if not isinstance(found.calibration, NotAssessed):
        per = f"{analyte.signal_unit}/({analyte.unit})"
        yield from _estimate("slope", None, per, found.calibration.slope)
    if not isinstance(found.detection, NotAssessed):
        yield from _limit("detection_limit", found.detection.detection_limit)
        yield from _limit("quantification_limit", found.detection.quantification_limit)
    for one in () if isinstance(found.precision, NotAssessed) else found.precision:
        for name in ("repeatability_rsd", "intermediate_rsd", "reproducibility_rsd"):
            yield from _estimate(name, one.level, "%", getattr(one, name))
    for recovery in () if isinstance(found.recovery, NotAssessed) else found.recovery:
        yield from _estimate("mean_recovery", recovery.level, "%", recovery.mean_recovery)


def _estimate(
    figure: str, level: float | None, unit: str, found: EstimateRecord | NotAssessed | None
) -> Iterator[_Named]:
    if found is not None and not isinstance(found, NotAssessed) and found.value is not None:
        yield figure, level, unit, found.value, found.ci or (None, None)


def _limit(figure: str, found: DeclaredLimit | NotAssessed) -> Iterator[_Named]:
    if not isinstance(found, NotAssessed):
        yield figure, None, found.unit, found.value, found.ci or (None, None)


_LOG = logging.getLogger(__name__)


def work(place: StudyPlace) -> StudyRow:
    """The line of the study at *place*; whatever goes wrong with it is told there and stops no other."""
    try:
        study = read_study(place.folder)
        kept = unchanged_results(place, study)
        return row_of(place.name, kept or _computed(place, study), reused=kept is not None)
    except StudyError as error:
        return StudyRow(path=place.name, problem="; ".join(str(one) for one in error.problems))
    except ValidatorError as error:
        return StudyRow(path=place.name, problem=str(error))
    except Exception as error:
        _LOG.info("%s", place.name, exc_info=True)
        return StudyRow(path=place.name, problem=f"unexpected error: {type(error).__name__}: {error}")


def unchanged_results(place: StudyPlace, study: Study) -> Results | None:
    """The results written before, if every input still has its hash and the same software would compute them.

    Findings and verdict are judged anew: a results file that says anything else was edited, and counts for
    nothing. A dossier counts as belonging to the results when it was written after them.
    """
    try:
        results = from_json(place.results.read_bytes())
        if place.with_dossier and place.dossier.stat().st_mtime_ns < place.results.stat().st_mtime_ns:
            return None
        if results.software != _software() or results.inputs != input_records(study):
            return None
        return results if assess(study, replace(results, assessment=None)) == results else None
    except Exception:  # no such file, or not as it was written; whatever else it is, computing will say it
        return None


def _computed(place: StudyPlace, study: Study) -> Results:
    results = assess(study, evaluate(study))
    try:
        place.output.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise OutputProblem(f"{place.output}: cannot be made ({error.strerror or error})") from error
    check_outputs((place.results, place.dossier if place.with_dossier else None), files_of(study))
    write_atomically(place.results, to_json(results))
    if place.with_dossier:
        from validator.dossier import render

        write_atomically(place.dossier, render(study, results))
    return results


def _software() -> Software:
    return Software(name="validator", version=__version__, numpy=np.__version__, scipy=scipy.__version__)
