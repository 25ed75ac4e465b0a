"""Interference: the effect of each interferent at each ratio; and what blanks show."""

from __future__ import annotations

from typing import TYPE_CHECKING, Literal

from msgspec import Struct

from validator.errors import NotEstimable
from validator.evaluation.convert import attempt
from validator.evaluation.results import (
    BlankResponseRecord,
    DetectionRecord,
    EstimateRecord,
    ExcludedPoint,
    InterferenceRecord,
    NotAssessed,
)
from validator.evaluation.rows import Cell, Value, excluded_points, independent_values, kept, runs_of
from validator.records import finite
from validator.statistics.interval import estimate_record, interval_record, two_sided_record
from validator.statistics.selectivity import (
    RelativeChange,
    blank_matrix_response,
    interferes,
    relative_change,
    tolerance_ratio,
)
from validator.study.models.blanks import BlankRun
from validator.study.models.selectivity import InterferenceRun

if TYPE_CHECKING:
    from collections.abc import Sequence

    from validator.evaluation.concentrations import SignalReader
    from validator.statistics.interval import Interval
    from validator.study import Study


DEFAULT_LIMIT_PERCENT = 5.0
"""Change that counts as interference where the study states none (common practice for sensors)."""

ALL_EXCLUDED = NotAssessed(
    not_assessed="all results at this ratio are excluded", needs="results that are not excluded"
)

_GUARDED: dict[str, Literal["yes", "no", "undecided"]] = {
    "interferes": "yes",
    "does not interfere": "no",
    "inconclusive": "undecided",
}


class _Tested(Struct, frozen=True):
    """One interferent at one ratio."""

    run: InterferenceRun
    outcome: RelativeChange | NotAssessed
    excluded: tuple[ExcludedPoint, ...] = ()
    with_excluded: EstimateRecord | NotAssessed | None = None

    @property
    def amount(self) -> float:
        """Ratio, or level of the interferent where no ratio is given."""
        return self.run.ratio if self.run.ratio is not None else self.run.interferent_level or 0.0


def interference_limit(study: Study, cell: Cell) -> float:
    """The change that the study allows, else the customary ±5 %."""
    for criterion in study.criteria:
        applies = criterion.analyte in (None, cell.analyte) and criterion.configuration in (
            None,
            cell.configuration,
        )
        if (
            applies
            and criterion.characteristic in ("interference", "selectivity")
            and criterion.max is not None
        ):
            return abs(criterion.max)
    return DEFAULT_LIMIT_PERCENT


def interference(study: Study, cell: Cell) -> tuple[InterferenceRecord, ...] | NotAssessed:
    """Every interferent of *cell*, in the order of the study, ratios rising."""
    runs = [run for run in runs_of(study.interference, cell) if isinstance(run, InterferenceRun)]
    if not runs:
        return NotAssessed(
            not_assessed="no interference data were provided",
            needs=(
                "at least three results with, and three without, each potential interferent "
                "in the presence of the analyte"
            ),
        )
    confidence = study.analysis_for(cell.analyte).confidence
    limit = interference_limit(study, cell)
    records: list[InterferenceRecord] = []
    for members in _by_interferent(runs).values():
        tested = [_tested(same, confidence) for same in _by_amount(members)]
        records.extend(_records(tested, limit))
    return tuple(records)


def _tested(runs: Sequence[InterferenceRun], confidence: float) -> _Tested:
    """One interferent at one ratio, what the study excludes beside; its references are left out with it."""
    counted = kept(runs)
    outcome = _change(counted, confidence) if counted else ALL_EXCLUDED
    if len(counted) == len(runs):
        return _Tested(runs[0], outcome)
    beside = _change(runs, confidence)
    return _Tested(
        runs[0],
        outcome,
        excluded_points(runs),
        beside if isinstance(beside, NotAssessed) else two_sided_record(beside.change, reason=beside.reason),
    )


def _by_interferent(runs: Sequence[InterferenceRun]) -> dict[tuple[str, object], list[InterferenceRun]]:
    groups: dict[tuple[str, object], list[InterferenceRun]] = {}
    for run in runs:
        # ratios and levels of one interferent are two scales: a tolerance holds on one of them
        scale = _ratio_kind(run) or run.interferent_unit
        groups.setdefault((run.interferent, scale), []).append(run)
    return groups


def _ratio_kind(run: InterferenceRun) -> str | None:
    return None if run.ratio is None else run.ratio_kind or "mass"


def _by_amount(runs: Sequence[InterferenceRun]) -> list[list[InterferenceRun]]:
    groups: dict[tuple[float, float | None], list[InterferenceRun]] = {}
    for run in runs:
        amount = run.ratio if run.ratio is not None else run.interferent_level or 0.0
        groups.setdefault((amount, run.analyte_level), []).append(run)
    return [groups[key] for key in sorted(groups, key=lambda key: (key[0], key[1] or 0.0))]


def _change(runs: Sequence[InterferenceRun], confidence: float) -> RelativeChange | NotAssessed:
    with_it = [value.value for value in independent_values(runs)]
    # a reference list repeated on each row of one series is the same measurements, not more of them
    references: dict[tuple[float, ...], None] = {}
    singles: list[float] = []
    for run in runs:
        values = run.reference_values
        if run.preparation == "repeated_reading":
            singles.append(sum(values) / len(values))
        elif len(values) == 1:
            singles.append(values[0])
        else:
            references.setdefault(values)
    if len(set(singles)) == 1:
        singles = singles[:1]
    reference = singles + [value for some in references for value in some]
    return attempt(lambda: relative_change(with_it, reference, confidence=confidence))


def _records(tested: Sequence[_Tested], limit: float) -> list[InterferenceRecord]:
    shown = [(entry, entry.outcome) for entry in tested if isinstance(entry.outcome, RelativeChange)]
    point = guarded = None
    if shown:
        amounts = [entry.amount for entry, _ in shown]
        changes = [outcome.change.value for _, outcome in shown]
        intervals: list[Interval | None] = [outcome.change.interval for _, outcome in shown]
        point = tolerance_ratio(amounts, changes, intervals, limit_percent=limit, rule="point")
        guarded = tolerance_ratio(amounts, changes, intervals, limit_percent=limit, rule="guarded")
    return [_record(entry, limit, point, guarded) for entry in tested]


def _record(entry: _Tested, limit: float, point: float | None, guarded: float | None) -> InterferenceRecord:
    run = entry.run
    outcome = entry.outcome
    if isinstance(outcome, NotAssessed):
        return InterferenceRecord(
            interferent=run.interferent,
            ratio=run.ratio,
            ratio_kind=_ratio_kind(run),
            interferent_level=run.interferent_level,
            interferent_unit=run.interferent_unit,
            analyte_level=run.analyte_level,
            n=0,
            n_reference=0,
            relative_change_percent=None,
            tolerance_ratio=None,
            reason=outcome.not_assessed,
            excluded=entry.excluded,
            with_excluded=entry.with_excluded,
        )
    decision = interferes(outcome.change, limit_percent=limit)
    return InterferenceRecord(
        interferent=run.interferent,
        ratio=run.ratio,
        ratio_kind=_ratio_kind(run),
        interferent_level=run.interferent_level,
        interferent_unit=run.interferent_unit,
        analyte_level=run.analyte_level,
        n=outcome.n_with,
        n_reference=outcome.n_reference,
        relative_change_percent=finite(outcome.change.value),
        ci=interval_record(outcome.change.interval),
        interferes=decision.interferes,
        interferes_guarded=_GUARDED[decision.guarded],
        tolerance_ratio=point,
        tolerance_ratio_guarded=guarded,
        reason=outcome.reason,
        excluded=entry.excluded,
        with_excluded=entry.with_excluded,
    )


def blank_response(
    study: Study, cell: Cell, reader: SignalReader, detection: DetectionRecord | NotAssessed
) -> BlankResponseRecord | None:
    """Blanks of *cell* in percent of the declared quantification limit; None where one of the two is missing.

    Blanks of the matrix count alone where there are any. A blank reported as below a limit counts as that
    limit, which is the cautious reading.
    """
    if isinstance(detection, NotAssessed) or isinstance(detection.quantification_limit, NotAssessed):
        return None
    runs = [run for run in kept(runs_of(study.blanks, cell)) if isinstance(run, BlankRun)]
    of_matrix = [run for run in runs if run.kind == "matrix"]
    counted = of_matrix or runs
    values = [
        *independent_values(counted),
        *(Value(limit, (limit,), run) for run in counted for limit in run.below),
    ]
    confidence = study.analysis_for(cell.analyte).confidence
    limit = detection.quantification_limit.value
    try:
        results = reader.concentrations(values)
        found = blank_matrix_response(results, limit, confidence=confidence)
    except NotEstimable:
        return None
    return BlankResponseRecord(
        kind="matrix" if of_matrix else "any",
        n=found.n,
        censored=sum(len(run.below) for run in counted),
        percent_of_limit=estimate_record(found.percent_of_limit),
        largest_percent=found.largest_percent,
    )
