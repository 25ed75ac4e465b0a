"""What the summary says of one study: verdict, counts, and the figures that are followed over versions."""

from __future__ import annotations

from msgspec import Struct

UNREADABLE = "not read"


class FigureRow(Struct, frozen=True, kw_only=True):
    """One figure of one study with its interval; ``level`` in the unit of the analyte."""

    analyte: str
    configuration: str
    figure: str
    level: float | None
    unit: str
    value: float
    lower: float | None
    upper: float | None


class StudyRow(Struct, frozen=True, kw_only=True):
    """One study in a line.

    Attributes:
        path: its folder relative to that of the batch.
        title, id, version, matrix, analytes: as in the study.
        verdict: the verdict, "draft" for a study without one, or "not read".
        reason: the sentence behind it.
        meets, does_not_meet, inconclusive, not_assessed: findings that decide, by outcome.
        stops, conditions, cautions: open caveats by severity.
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
    reason: str = ""
    meets: int = 0
    does_not_meet: int = 0
    inconclusive: int = 0
    not_assessed: int = 0
    stops: int = 0
    conditions: int = 0
    cautions: int = 0
    design_short: int = 0
    problem: str = ""
    figures: tuple[FigureRow, ...] = ()
    reused: bool = False
