"""Caveats on the uncertainty: major parts that are nowhere, a figure smaller than the scatter of results."""

from __future__ import annotations

import math
import re

from validator import numbers
from validator.assessment.caveats.raising import Raised, Subject, Trigger, listed
from validator.evaluation.results import (
    BudgetRecord,
    EstimateRecord,
    NotAssessed,
    PartRecord,
    UncertaintyRecord,
)
from validator.evaluation.rows import kept

_STANDARDS = "content of the standards"
_SPEAKS_OF = {
    "precision between series": r"precision|reproducib|repeatab|day|series|scatter",
    "bias or recovery": r"bias|recover|trueness|reference material",
    _STANDARDS: r"calibrat|standard|stock|purity|content|certificate|titre",
}
"""Major parts of an uncertainty, and the words by which what is stated is recognised as one of them."""
_OF_STANDARDS = ("calibration", "standard_addition", "matrix_calibration")
"""Blocks that rest on solutions of known content."""


def uncertainty_incomplete(subject: Subject) -> Trigger:
    """An uncertainty is claimed: a major part is nowhere, or it is smaller than the scatter of results."""
    found = subject.record.uncertainty
    claimed = subject.study.uncertainty is not None or subject.is_limited("uncertainty")
    if isinstance(found, NotAssessed) or not claimed:
        return
    given = {part for part, pattern in _SPEAKS_OF.items() if re.search(pattern, _stated(subject))}
    if isinstance(found.within_laboratory, PartRecord):
        given.add("precision between series")
    if isinstance(found.bias, PartRecord):
        given.add("bias or recovery")
    if not _rests_on_own_standards(subject, found):
        given.add(_STANDARDS)
    missing = [part for part in _SPEAKS_OF if part not in given]
    if missing == [_STANDARDS]:
        yield Raised(id="uncertainty_incomplete", case="standards_missing", values={})
    elif missing:
        yield Raised(id="uncertainty_incomplete", case="parts_missing", values={"missing": listed(missing)})
    yield from _below_scatter(subject, found)


def budget_refuted(subject: Subject) -> Trigger:
    """The simulation of a budget contradicts it, and decides in its place."""
    found = subject.record.uncertainty
    if isinstance(found, NotAssessed):
        return
    unit = subject.analyte.unit
    beside = []
    if found.simulated is not None:
        at = "" if found.simulated.level is None else f"at {subject.unit(found.simulated.level)}"
        relative = found.simulated.level is None and any(one.budget.relative for one in found.levels)
        beside.append((at, found.simulated.check, "%" if relative else unit))
    if found.formula is not None:
        beside.append(("of the measurement model", found.formula.check, found.formula.unit))
    for of, check, of_unit in beside:
        if not isinstance(check, NotAssessed) and check.refutes:
            yield Raised(
                id="uncertainty_incomplete",
                case="refuted",
                values={
                    "of": of,
                    "expanded": numbers.significant(check.expanded_uncertainty, 2, of_unit),
                    "difference": numbers.significant(max(check.d_low, check.d_high), 2, of_unit),
                    "tolerance": numbers.significant(check.tolerance, 1, of_unit),
                },
            )


def _rests_on_own_standards(subject: Subject, found: UncertaintyRecord) -> bool:
    """True where an error of the standards would stay hidden.

    A method without standards has none; and a bias against certified materials or other laboratories holds
    the error of the standards already (Nordtest TR 537, the model; as quoted in a public text).
    """
    if not any(kept(subject.runs(block)) for block in _OF_STANDARDS):
        return False
    block = subject.study.uncertainty
    declared = block.bias if block is not None else None
    if not isinstance(found.bias, PartRecord):
        return True
    if declared is not None:
        return not declared.rounds and declared.origin != "reference materials"
    return not any(one.kind == "reference" and one.n for one in subject.recovery)


def _stated(subject: Subject) -> str:
    """Names and sources of everything that the study states on uncertainty."""
    block = subject.study.uncertainty
    if block is None:
        return ""
    texts = [
        f"{one.name} {one.source} {one.origin}"
        for one in block.components
        if one.analyte in (None, subject.cell.analyte)
    ]
    texts += [f"{one.name} {one.source} {one.origin}" for one in block.quantities]
    return " ".join(texts).casefold()


def _below_scatter(subject: Subject, found: UncertaintyRecord) -> Trigger:
    """The expanded uncertainty against twice the intermediate precision of a routine result."""
    scatter = {
        record.level: figure.value
        for record in subject.precision
        if isinstance(figure := record.intermediate_rsd, EstimateRecord) and figure.value is not None
    }
    if not scatter:
        return
    routine = math.sqrt(subject.choices.calibration.replicates_for_sample)
    smallest = min(scatter.values())
    shown = [(_expanded(one.budget), 2 * scatter.get(one.level, smallest) / routine) for one in found.levels]
    if found.formula is not None and isinstance(found.formula.budget, BudgetRecord):
        shown.append((_expanded(found.formula.budget), 2 * smallest / routine))
    below = [(expanded, least) for expanded, least in shown if expanded is not None and expanded < least]
    if below:
        expanded, least = min(below, key=lambda one: one[0] / one[1])
        yield Raised(
            id="uncertainty_incomplete",
            case="below_scatter",
            values={
                "expanded": numbers.significant(expanded, 2, apart_from=(least,)),
                "scatter": numbers.significant(least, 2),
            },
        )


def _expanded(budget: BudgetRecord) -> float | None:
    """U in percent of the result."""
    return budget.expanded_uncertainty if budget.relative else budget.expanded_percent


TRIGGERS = (uncertainty_incomplete, budget_refuted)
