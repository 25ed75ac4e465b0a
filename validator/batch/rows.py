"""What the summary says of one study: its verdict, counts, and the figures that are followed over versions."""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass
from typing import TYPE_CHECKING

from validator.evaluation.results import NotAssessed

if TYPE_CHECKING:
    from collections.abc import Iterator

    from validator.evaluation.results import AnalyteRecord, ConfigurationRecord, Results
    from validator.evaluation.results.base import EstimateRecord, Interval
    from validator.evaluation.results.detection import DeclaredLimit

UNREADABLE = "not read"


@dataclass(frozen=True, slots=True, kw_only=True)
class FigureRow:
    """One figure of one study with its interval; ``level`` in the unit of the analyte."""

    analyte: str
    configuration: str
    figure: str
    level: float | None
    unit: str
    value: float
    lower: float | None
    upper: float | None


@dataclass(frozen=True, slots=True, kw_only=True)
class StudyRow:
    """One study in a line.

    Attributes:
        path: its folder relative to that of the batch.
        title, id, version, matrix, analytes: as in the study.
        verdict: the verdict, or "not read".
        meets, does_not_meet, inconclusive, not_assessed: findings that decide, by outcome.
        stops, cautions: open caveats by severity.
        design_short: requirements of the guidance on the design that are not met.
        problem: why it could not be read.
        figures: figures that are followed over versions.
        reused: unchanged since its results were written, which were taken over.
    """

    path: str
    title: str = ""
    id: str = ""
    version: str = ""
    matrix: str = ""
    analytes: str = ""
    verdict: str = UNREADABLE
    meets: int = 0
    does_not_meet: int = 0
    inconclusive: int = 0
    not_assessed: int = 0
    stops: int = 0
    cautions: int = 0
    design_short: int = 0
    problem: str = ""
    figures: tuple[FigureRow, ...] = ()
    reused: bool = False


def row_of(path: str, results: Results, *, reused: bool = False) -> StudyRow:
    """The line of the study at *path* with judged *results*."""
    study, assessment = results.study, results.assessment
    findings = assessment.findings if assessment else ()
    outcomes = Counter(one.outcome for one in findings if one.decides and one.superseded_by is None)
    severities = Counter(one.severity for one in (assessment.caveats if assessment else ()))
    design = assessment.design if assessment else ()
    return StudyRow(
        path=path,
        title=study.title,
        id=study.id or "",
        version=study.version or "",
        matrix=study.matrix or "",
        analytes=", ".join(results.analytes),
        verdict=assessment.verdict if assessment else "not assessed",
        meets=outcomes["meets"],
        does_not_meet=outcomes["does not meet"],
        inconclusive=outcomes["inconclusive"],
        not_assessed=outcomes["not assessed"],
        stops=severities["stop"],
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
