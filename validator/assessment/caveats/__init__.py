"""Caveats by trigger: what a reader must be told because of these data. The words are the guidance room's.

A new caveat is an entry in ``guidance/caveats/*.yaml`` and a trigger in one of the modules here.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, TypeVar

from validator.assessment.caveats import (
    of_blanks,
    of_calibration,
    of_conditions,
    of_exclusions,
    of_limits,
    of_linearity,
    of_matrix,
    of_plausibility,
    of_recordings,
    of_replicates,
    of_series,
    of_study,
    of_trueness,
    of_uncertainty,
)
from validator.assessment.caveats.raising import Raised, Subject, Trigger, as_caveats, listed
from validator.characteristics.order import PACKAGES
from validator.evaluation.rows import Cell
from validator.guidance import caveat_texts
from validator.study.censored import excluded_from, with_numbers

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Iterator, Sequence

    from validator.evaluation.results import Caveat, DesignFinding, Finding, Results
    from validator.guidance import Profile
    from validator.study import Study

F = TypeVar("F", "Finding", "DesignFinding")

TRIGGERS: tuple[Callable[[Subject], Trigger], ...] = (
    *of_plausibility.TRIGGERS,
    *of_recordings.TRIGGERS,
    *of_replicates.TRIGGERS,
    *of_series.TRIGGERS,
    *of_exclusions.TRIGGERS,
    *of_linearity.TRIGGERS,
    *of_calibration.TRIGGERS,
    *of_limits.TRIGGERS,
    *of_blanks.TRIGGERS,
    *of_trueness.TRIGGERS,
    *of_matrix.TRIGGERS,
    *of_conditions.TRIGGERS,
    *of_uncertainty.TRIGGERS,
    *of_study.TRIGGERS,
)

OF_COMPARED: tuple[Callable[[Subject], Trigger], ...] = (
    *of_plausibility.TRIGGERS,
    of_calibration.calibration_outlier,
    of_calibration.unequal_scatter_ignored,
    of_calibration.weights_from_few_replicates,
    of_blanks.blanks_censored_or_rounded,
    of_blanks.blanks_off_the_line,
)
"""What a compared configuration is examined for: the data that a comparison rests on."""


def raised_caveats(
    study: Study,
    results: Results,
    profiles: Sequence[Profile],
    findings: Sequence[Finding],
    design: Sequence[DesignFinding],
    restored: tuple[Study, Results] | None,
) -> tuple[Caveat, ...]:
    """Every caveat whose trigger is met, gravest first.

    Each analyte is examined in the validated configuration, and as far as a comparison rests on them in the
    others. *restored* is the study with its excluded results and what is found then, where it has any: what
    only they would have raised is told, so that no exclusion silences a caveat.
    """
    raised = _raised(study, results, profiles, findings, design)
    if restored is not None:
        other, found = restored
        again = _raised(with_numbers(other, "bound"), found, profiles, findings, design)
        raised.extend(_only_with_excluded(excluded_from(study), raised, again))
    return as_caveats(raised)


def _of_packages() -> Iterator[Callable[[Subject], Trigger]]:
    # asked for only here: a characteristic imports what stands above
    for one in PACKAGES:
        yield from one.part("assessing").TRIGGERS


def _raised(
    study: Study,
    results: Results,
    profiles: Sequence[Profile],
    findings: Sequence[Finding],
    design: Sequence[DesignFinding],
) -> list[tuple[Raised, Cell]]:
    """What each trigger raises, with the analyte and configuration that it speaks of."""
    raised: list[tuple[Raised, Cell]] = []
    findings_on, design_of = _by_analyte(findings, study.analyte_ids), _by_analyte(design, study.analyte_ids)
    for analyte in study.analyte_ids:
        for configuration in results.analytes[analyte].configurations:
            cell = Cell(analyte, configuration)
            subject = Subject(
                study=study,
                results=results,
                cell=cell,
                profiles=tuple(profiles),
                findings=findings_on[analyte],
                all_findings=tuple(findings),
                design=design_of[analyte],
            )
            is_validated = configuration == study.validated_configuration
            triggers = (*TRIGGERS, *_of_packages()) if is_validated else OF_COMPARED
            for trigger in triggers:
                raised.extend((one, cell) for one in trigger(subject))
    return raised


def _by_analyte(entries: Iterable[F], analytes: Iterable[str]) -> dict[str, tuple[F, ...]]:
    """The *entries* that speak of each analyte, or of all of them, in their order."""
    found: dict[str, list[F]] = {analyte: [] for analyte in analytes}
    for entry in entries:
        for some in found.values() if entry.analyte is None else (found[entry.analyte],):
            some.append(entry)
    return {analyte: tuple(some) for analyte, some in found.items()}


def _only_with_excluded(
    blocks: Sequence[str],
    raised: Sequence[tuple[Raised, Cell]],
    again: Sequence[tuple[Raised, Cell]],
) -> Iterator[tuple[Raised, Cell]]:
    """A note for each analyte and configuration on what *again* raises and *raised* does not."""
    texts = caveat_texts()
    known = {(one.id, one.case, cell) for one, cell in raised}
    titles: dict[Cell, list[str]] = {}
    for one, cell in again:
        text = texts[one.id]
        if (one.id, one.case, cell) not in known and text.characteristics:
            titles.setdefault(cell, []).append(text.cases[one.case].title or text.title)
    for cell, some in titles.items():
        yield (
            Raised(
                id="raised_by_excluded_results",
                case="only_with",
                values={
                    "blocks": listed([name.replace("_", " ") for name in blocks]),
                    "caveats": "; ".join(dict.fromkeys(some)),
                },
            ),
            cell,
        )


__all__ = ["TRIGGERS", "raised_caveats"]
