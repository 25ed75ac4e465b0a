"""Repeatability over samples of different levels that were measured twice each."""

from __future__ import annotations

from collections import Counter
from typing import TYPE_CHECKING

from validator.errors import NotEstimable
from validator.evaluation.convert import figure_record
from validator.evaluation.results import DuplicatesRecord
from validator.evaluation.rows import independent_values, kept, runs_of
from validator.statistics.precision import duplicates as of_pairs
from validator.study.models.precision import PrecisionRun

if TYPE_CHECKING:
    from validator.evaluation.concentrations import SignalReader
    from validator.evaluation.rows import Cell
    from validator.study import Study

FEWEST_PAIRS = 2


def duplicates(study: Study, cell: Cell, reader: SignalReader) -> DuplicatesRecord | None:
    """Repeatability from the levels of the precision runs that hold one pair each.

    A level with a single pair says next to nothing by itself; together such levels do. None where there are
    fewer than two of them.
    """
    runs = [run for run in kept(runs_of(study.precision, cell)) if isinstance(run, PrecisionRun)]
    values = independent_values(runs)
    per_level = Counter(getattr(value.run, "level", None) for value in values)
    by_level: dict[object, list[float]] = {}
    try:
        for value in values:
            level = getattr(value.run, "level", None)
            if per_level[level] == 2:
                by_level.setdefault(level, []).append(reader.concentration(value))
        pairs = [(first, second) for first, second in by_level.values()]
        if len(pairs) < FEWEST_PAIRS:
            return None
        confidence = study.analysis_for(cell.analyte).confidence
        found = of_pairs(pairs, level=confidence)
    except NotEstimable:
        # signals that cannot be read: the levels themselves say so
        return None
    return DuplicatesRecord(
        pairs=found.pairs,
        mean=found.mean,
        repeatability_sd=figure_record(found.repeatability_sd),
        repeatability_rsd=figure_record(found.repeatability_rsd),
        repeatability_limit=found.repeatability_limit,
    )
