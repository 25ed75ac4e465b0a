"""Caveats by trigger: what a reader must be told because of these data. The words are the guidance room's.

A new caveat is an entry in ``guidance/caveats/*.yaml`` and a trigger in one of the modules here.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, TypeVar

from validator.assessment.caveats import (
    of_bias,
    of_blanks,
    of_calibration,
    of_conditions,
    of_criteria,
    of_deciding_limit,
    of_exclusions,
    of_files,
    of_limits,
    of_linearity,
    of_matrix,
    of_replicates,
    of_series,
    of_study,
    of_trueness,
    of_uncertainty,
    of_weights,
)
from validator.assessment.caveats.raising import Raised, Subject, Trigger, as_caveats
from validator.evaluation.rows import Cell

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Sequence

    from validator.evaluation.results import Caveat, DesignFinding, Finding, Results
    from validator.guidance import Profile
    from validator.study import Study

F = TypeVar("F", "Finding", "DesignFinding")

TRIGGERS: tuple[Callable[[Subject], Trigger], ...] = (
    *of_replicates.TRIGGERS,
    *of_series.TRIGGERS,
    *of_exclusions.TRIGGERS,
    *of_criteria.TRIGGERS,
    *of_linearity.TRIGGERS,
    *of_calibration.TRIGGERS,
    *of_weights.TRIGGERS,
    *of_limits.TRIGGERS,
    *of_blanks.TRIGGERS,
    *of_deciding_limit.TRIGGERS,
    *of_trueness.TRIGGERS,
    *of_bias.TRIGGERS,
    *of_matrix.TRIGGERS,
    *of_conditions.TRIGGERS,
    *of_uncertainty.TRIGGERS,
    *of_study.TRIGGERS,
    *of_files.TRIGGERS,
)


def raised_caveats(
    study: Study,
    results: Results,
    profiles: Sequence[Profile],
    findings: Sequence[Finding],
    design: Sequence[DesignFinding],
) -> tuple[Caveat, ...]:
    """Every caveat whose trigger is met, for each analyte in the validated configuration, gravest first."""
    raised: list[tuple[Raised, Cell | None]] = []
    findings_on, design_of = _by_analyte(findings, study.analyte_ids), _by_analyte(design, study.analyte_ids)
    for analyte in study.analyte_ids:
        subject = Subject(
            study=study,
            results=results,
            cell=(cell := Cell(analyte, study.validated_configuration)),
            profiles=tuple(profiles),
            findings=findings_on[analyte],
            all_findings=tuple(findings),
            design=design_of[analyte],
        )
        for trigger in TRIGGERS:
            raised.extend((one, cell) for one in trigger(subject))
    return as_caveats(raised)


def _by_analyte(entries: Iterable[F], analytes: Iterable[str]) -> dict[str, tuple[F, ...]]:
    """The *entries* that speak of each analyte, or of all of them, in their order."""
    found: dict[str, list[F]] = {analyte: [] for analyte in analytes}
    for entry in entries:
        for some in found.values() if entry.analyte is None else (found[entry.analyte],):
            some.append(entry)
    return {analyte: tuple(some) for analyte, some in found.items()}


__all__ = ["TRIGGERS", "raised_caveats"]
