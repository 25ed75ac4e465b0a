"""The range that is claimed, and what of it calibration, precision and trueness cover.

Trueness counts in the matrix that it was found in. Where the study names claimed matrices, a run counts for
the one it names; a solution of known content, a sample of another matrix and a run that names none count for
none. Where it names none, spiked samples and reference materials count, and solutions only where they name a
matrix or the study has none. What does not count for a matrix and fails, fails all the same: a bias in a
clean solution is not absent from a sample.
"""

from __future__ import annotations

import math
from itertools import chain
from typing import TYPE_CHECKING

from msgspec import Struct

from validator import numbers
from validator.assessment import levels as of_levels
from validator.assessment.asked import PRECISION, TRUENESS
from validator.assessment.levels import Span, claimed_range, is_inside
from validator.evaluation.named_levels import same_level
from validator.evaluation.results import (
    AccuracyProfileRecord,
    CalibrationRecord,
    DeclaredLimit,
    DetectionRecord,
    LinearRange,
    NotAssessed,
    RangeRecord,
)
from validator.evaluation.rows import kept, runs_of
from validator.study.models.blanks import LowLevelRun
from validator.study.models.precision import PrecisionRun
from validator.study.models.trueness import ComparisonRun, RecoveryRun

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from validator.evaluation.results import ConfigurationRecord, Finding, RecoveryRecord, Results
    from validator.evaluation.rows import Cell
    from validator.study import Study
    from validator.study.models.analysis import ProgramDefaults

RANGELESS = "impurity_limit"
ASSAY = "assay"


def reach(study: Study, results: Results, cell: Cell, findings: Sequence[Finding]) -> RangeRecord:
    """What is claimed for *cell* and what the evidence covers."""
    record = results.analytes[cell.analyte].configurations[cell.configuration]
    evidence = _Evidence(
        study=study,
        cell=cell,
        record=record,
        findings=[
            one
            for one in findings
            if one.configuration in (None, cell.configuration)
            and (one.decides or one.informs == "outside the claim")
        ],
    )
    precision, trueness = evidence.precision(), evidence.trueness()
    span, lowest = _common(evidence, precision, trueness)
    validated = _validated(evidence, span, lowest)
    return RangeRecord(
        claimed=evidence.claim,
        calibrated=of_levels.widest(evidence.calibrated),
        linear=_linear(evidence.line),
        precision=of_levels.widest(evidence.pieces(precision)),
        trueness=_hull([evidence.pieces(levels) for levels in trueness.values()]),
        validated=validated,
        not_covered=tuple(_not_covered(evidence, precision, trueness, span, validated)),
        working_quantification_limit=_working_limit(evidence),
    )


class _Evidence(Struct, frozen=True):
    """What speaks of the range of one analyte."""

    study: Study
    cell: Cell
    record: ConfigurationRecord
    findings: Sequence[Finding]

    @property
    def claim(self) -> Span | None:
        return claimed_range(self.study.analyte(self.cell.analyte))

    @property
    def line(self) -> CalibrationRecord | None:
        found = self.record.calibration
        return None if isinstance(found, NotAssessed) else found

    @property
    def calibrated(self) -> list[Span]:
        return [] if self.line is None else [(self.line.working_range.lower, self.line.working_range.upper)]

    @property
    def needs_line(self) -> bool:
        """Whether results are read from a calibration: one was measured, or its function is declared."""
        measured = bool(runs_of(self.study.calibration, self.cell))
        return measured or self.study.analysis_for(self.cell.analyte).declared("calibration")

    @property
    def defaults(self) -> ProgramDefaults:
        return self.study.analysis_for(self.cell.analyte).defaults

    @property
    def is_assay(self) -> bool:
        return self.study.method.kind == ASSAY

    @property
    def quantification_limit(self) -> float | None:
        found = self.record.detection
        limit = found.quantification_limit if isinstance(found, DetectionRecord) else None
        return limit.value if isinstance(limit, DeclaredLimit) else None

    def is_asked(self, name: str) -> bool:
        """Whether the kind of method asks for precision or trueness."""
        return name not in self.study.method.not_required

    def pieces(self, levels: of_levels.Met) -> list[Span]:
        return of_levels.pieces(levels, self.defaults)

    def drawn(self, levels: of_levels.Met) -> list[Span]:
        return of_levels.towards_ends(self.pieces(levels), self.claim, self.defaults)

    def precision(self) -> of_levels.Met:
        """The levels at which every precision criterion that speaks of them is met."""
        return of_levels.joined(chain(self._at_levels(PRECISION), self._of_profile()))

    def _at_levels(self, characteristics: frozenset[str]) -> Iterator[tuple[float, bool]]:
        for one in self.findings:
            if one.characteristic in characteristics and one.content is not None:
                yield one.content, one.outcome == "meets"

    def _of_profile(self) -> Iterator[tuple[float, bool]]:
        """The levels of an accuracy profile that a criterion of the study is held against."""
        profile = self.record.accuracy_profile
        asked = [one for one in self.findings if one.characteristic == "accuracy_profile"]
        if isinstance(profile, AccuracyProfileRecord) and asked:
            holds = all(one.outcome == "meets" for one in asked)
            for one in profile.levels:
                for content in self._contents(profile, one.level):
                    yield content, holds and one.inside

    def _contents(self, profile: AccuracyProfileRecord, level: float) -> list[float]:
        """The contents of the samples behind a level of the profile: recoveries stand at what was added."""
        recovery = self.record.recovery
        if profile.data == "precision" or isinstance(recovery, NotAssessed):
            return [level]
        return [one.content for one in recovery if same_level(one.level, level)]

    def trueness(self) -> dict[str, of_levels.Met]:
        """The levels at which trueness is met, for each claimed matrix; of one without a name else."""
        claimed = self.study.study.claimed_matrices
        return {name: of_levels.joined(self._true(name)) for name in claimed or ("",)}

    def _true(self, matrix: str) -> Iterator[tuple[float, bool]]:
        for one in self.findings:
            if one.characteristic in TRUENESS and one.content is not None:
                met = one.outcome == "meets"
                if one.outcome == "does not meet" or self._counts(one, matrix):
                    yield one.content, met
        yield from self._compared(matrix)
        profile = self.record.accuracy_profile
        if isinstance(profile, AccuracyProfileRecord) and self._profile_counts(profile, matrix):
            yield from self._of_profile()

    def _counts(self, finding: Finding, matrix: str) -> bool:
        """Whether what was recovered was found in the matrix."""
        recovery = self.record.recovery
        behind = [
            one
            for one in (() if isinstance(recovery, NotAssessed) else recovery)
            if same_level(one.level, finding.level or 0.0)
            and (one.matrix or "") == finding.what
            and (finding.total is None or same_level(one.content, finding.total))
        ]
        return all(self._in_matrix(one, matrix) for one in behind)

    def _in_matrix(self, record: RecoveryRecord, matrix: str) -> bool:
        if matrix:
            return _same_name(record.matrix, matrix)
        if record.kind != "level":
            return True
        return record.matrix is not None or self.study.study.matrix is None

    def _profile_counts(self, profile: AccuracyProfileRecord, matrix: str) -> bool:
        """Whether every result of the profile was found in the matrix, or in any where none is claimed."""
        block = self.study.precision if profile.data == "precision" else self.study.recovery
        runs = kept(runs_of(block, self.cell))
        if matrix:
            return all(_same_name(run.matrix, matrix) for run in runs)
        if profile.data == "precision":
            return self.study.study.matrix is None or all(run.matrix is not None for run in runs)
        recovery = self.record.recovery
        return not isinstance(recovery, NotAssessed) and all(self._in_matrix(one, "") for one in recovery)

    def _compared(self, matrix: str) -> Iterator[tuple[float, bool]]:
        """The samples of a comparison with another method, where a criterion is held against it."""
        asked = [one for one in self.findings if one.characteristic == "method_comparison"]
        met = all(one.outcome == "meets" for one in asked)
        for run in kept(runs_of(self.study.comparison, self.cell)) if asked else ():
            if not isinstance(run, ComparisonRun) or not (run.reference_values and run.this_values):
                continue
            if not matrix or _same_name(run.matrix, matrix):
                yield sum(run.reference_values) / len(run.reference_values), met


def _same_name(one: str | None, other: str) -> bool:
    return one is not None and " ".join(one.casefold().split()) == " ".join(other.casefold().split())


def _linear(line: CalibrationRecord | None) -> Span | None:
    found = None if line is None else line.linear_range
    return (found.lower, found.upper) if isinstance(found, LinearRange) else None


def _hull(of_each: Sequence[Sequence[Span]]) -> Span | None:
    """What is common to the matrices, in one piece."""
    both = list(of_each[0]) if of_each else []
    for other in of_each[1:]:
        both = of_levels.common(both, other)
    return of_levels.widest(both)


def _precise(evidence: _Evidence, precision: of_levels.Met) -> list[Span]:
    """What precision covers: of an assay the whole claim, once it is met at 100 %."""
    claim = evidence.claim
    if evidence.is_assay and claim is not None and _is_met_at_whole(evidence, precision, claim):
        return [claim]
    return evidence.drawn(precision)


def _is_met_at_whole(evidence: _Evidence, precision: of_levels.Met, claim: Span) -> bool:
    """Met at the nominal content: within the specification, else about the middle of the claim."""
    specified = evidence.study.analyte(evidence.cell.analyte).specification
    if specified is not None and specified.lower is not None and specified.upper is not None:
        lower, upper = specified.lower, specified.upper
    else:
        middle = (claim[0] + claim[1]) / 2
        width = evidence.defaults.end_covered_width_percent / 100 * (claim[1] - claim[0])
        lower, upper = middle - width, middle + width
    inside = {level: met for level, met in precision.items() if claim[0] <= level <= claim[1]}
    return all(inside.values()) and any(lower <= level <= upper for level in inside)


def _common(
    evidence: _Evidence, precision: of_levels.Met, trueness: dict[str, of_levels.Met]
) -> tuple[Span | None, float]:
    """What calibration, precision and trueness cover together, and the level down to which both were met."""
    parts: list[list[Span]] = [[evidence.claim]] if evidence.claim else []
    if evidence.needs_line:
        parts.append(evidence.calibrated)
    lowest: list[float] = []
    if evidence.is_asked("precision"):
        parts.append(_precise(evidence, precision))
        lowest.append(_lowest(precision))
    if evidence.is_asked("trueness"):
        for levels in trueness.values():
            parts.append(evidence.drawn(levels))
            lowest.append(_lowest(levels))
    if evidence.claim is None:
        parts = _near(parts, evidence.defaults.end_covered_percent / 100)
    found = parts[0] if parts else []
    for other in parts[1:]:
        found = of_levels.common(found, other)
    return of_levels.widest(found), max(lowest, default=math.inf)


def _lowest(levels: of_levels.Met) -> float:
    return min((level for level, met in levels.items() if met), default=math.inf)


def _validated(evidence: _Evidence, span: Span | None, lowest: float) -> Span | None:
    """What of *span* is covered: from the quantification limit on where nothing was met at the lower end."""
    limit = evidence.quantification_limit
    if span is None or evidence.is_assay or limit is None or limit <= span[0]:
        return span
    if lowest <= span[0] or same_level(lowest, span[0]):
        return span
    lower = min(limit, lowest)
    return (lower, span[1]) if lower <= span[1] else None


def _near(parts: list[list[Span]], share: float) -> list[list[Span]]:
    """Without a claim: lone levels that differ by a *share* at most are taken as one range."""
    lone = [part[0] for part in parts if len(part) == 1 and part[0][0] == part[0][1]]
    lower, upper = min((a for a, _ in lone), default=0.0), max((b for _, b in lone), default=0.0)
    if upper > lower * (1 + share):
        return parts
    return [[(lower, upper)] if part and part[0] in lone and len(part) == 1 else part for part in parts]


def _not_covered(
    evidence: _Evidence,
    precision: of_levels.Met,
    trueness: dict[str, of_levels.Met],
    span: Span | None,
    validated: Span | None,
) -> Iterator[str]:
    """What of the claim is not covered, in words: *span* in common, and *validated* of it."""
    claim = evidence.claim
    if claim is None or evidence.study.method.kind == RANGELESS:
        return
    unit = evidence.study.analyte(evidence.cell.analyte).unit
    if evidence.needs_line:
        yield from _told("calibration", of_levels.gaps(evidence.calibrated, claim), unit)
    if evidence.is_asked("precision"):
        left = of_levels.gaps(_precise(evidence, precision), claim)
        yield from _told("precision", left, unit)
        if not evidence.is_assay:
            yield from _without_data(evidence, "precision", precision, left, unit)
    if evidence.is_asked("trueness"):
        for matrix, levels in trueness.items():
            name = f"trueness in {matrix}" if matrix else "trueness"
            left = of_levels.gaps(evidence.drawn(levels), claim)
            if matrix and not any(levels.values()):
                yield name
                continue
            yield from _told(name, left, unit)
            yield from _without_data(evidence, name, levels, left, unit)
    if span is not None and (validated is None or validated[0] > span[0]):
        upper = span[1] if validated is None else validated[0]
        yield from _told("quantification", [(span[0], upper)], unit)


def _without_data(
    evidence: _Evidence, name: str, levels: of_levels.Met, left: Sequence[Span], unit: str
) -> Iterator[str]:
    """Target levels inside the claim near which there are no results at all."""
    claim = evidence.claim
    share = evidence.defaults.end_covered_percent / 100
    for target in evidence.study.analyte(evidence.cell.analyte).target_levels:
        if not is_inside(target, claim) or any(lower <= target <= upper for lower, upper in left):
            continue
        if not any(abs(level - target) <= share * target for level in levels):
            yield f"{name} at {_level(target, unit)}"


def _told(name: str, left: Sequence[Span], unit: str) -> Iterator[str]:
    for lower, upper in left:
        yield f"{name} from {_level(lower, unit)} to {_level(upper, unit)}"


def _level(value: float, unit: str) -> str:
    return numbers.quantity(numbers.end_of_range(value), unit)


def range_words(span: Span, unit: str) -> str:
    """``from 3 µg/L to 13 µg/L``, ``at 5 µg/L`` where one level is all."""
    lower, upper = span
    if same_level(lower, upper):
        return f"at {_level(lower, unit)}"
    return f"from {_level(lower, unit)} to {_level(upper, unit)}"


def _working_limit(evidence: _Evidence) -> float | None:
    """The larger of the estimate and the lowest standard, or the lowest level of the whole procedure."""
    limit, line = evidence.quantification_limit, evidence.line
    if limit is None:
        return None
    taken = [] if line is None else [point.level for point in line.points if point.level > 0]
    if not taken:
        taken = [level for level in _taken_through(evidence.study, evidence.cell) if level > 0]
    return max(limit, min(taken, default=limit))


def _taken_through(study: Study, cell: Cell) -> Iterator[float]:
    """Levels of samples taken through the whole procedure."""
    for block in (study.precision, study.recovery, study.low_level):
        for run in kept(runs_of(block, cell)):
            if isinstance(run, RecoveryRun):
                yield run.content
            elif isinstance(run, PrecisionRun | LowLevelRun):
                yield run.level
