"""From judged results to the line of the summary."""

from __future__ import annotations

from collections import Counter
from typing import TYPE_CHECKING

from validator.batch.rows import FigureRow, StudyRow
from validator.evaluation.results import NotAssessed

if TYPE_CHECKING:
    from collections.abc import Iterator

    from validator.evaluation.results import AnalyteRecord, ConfigurationRecord, Results
    from validator.evaluation.results.detection import DeclaredLimit
    from validator.records import EstimateRecord, Interval


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
