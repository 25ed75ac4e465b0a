"""Caveats on the evaluation of recorded curves: what another baseline or a drifting peak does to signals."""

from __future__ import annotations

from typing import TYPE_CHECKING

from validator import numbers
from validator.assessment.caveats.raising import Raised, Subject, Trigger

if TYPE_CHECKING:
    from validator.evaluation.results import OtherBaselineRecord

SIGNIFICANT = 2.6
"""Multiple of its standard error above which an offset is significant (two-sided, 1 %)."""
LARGEST_OF_HALF_WIDTH = 0.1
"""Distance of maxima from the reading position, relative to the width of the peak at half its height, that
costs a bell 3 % of its height (customary)."""


def signals_depend_on_evaluation(subject: Subject) -> Trigger:
    """Another baseline changes signals by more than their uncertainty; peaks are not where they are read."""
    record = subject.record.recordings
    if record is None:
        return
    other = record.other_baseline
    if other is not None and max(changes := _changes(other)) > other.uncertainty:
        unit = "" if subject.analyte.signal_unit == "1" else subject.analyte.signal_unit
        offset, scatter = changes
        yield Raised(
            id="signals_depend_on_evaluation",
            case="baseline",
            values={
                "other": _named(other),
                "offset": numbers.significant(other.offset, 2, unit),
                "scatter": numbers.significant(other.scatter, 2, unit),
                "uncertainty": numbers.significant(other.uncertainty, 2, unit),
            },
            effect=max(offset, scatter) / other.uncertainty if other.uncertainty else None,
        )
    maxima = record.maxima
    if maxima is None or maxima.distance is None or maxima.half_width is None:
        return
    share = maxima.distance / maxima.half_width
    if share > LARGEST_OF_HALF_WIDTH:
        yield Raised(
            id="signals_depend_on_evaluation",
            case="position",
            values={
                "distance": numbers.significant(maxima.distance, 2),
                "at": numbers.as_given(record.settings.at),
                "share": numbers.percent(100 * share, 2),
            },
            effect=share / LARGEST_OF_HALF_WIDTH,
        )


def _changes(other: OtherBaselineRecord) -> tuple[float, float]:
    """Size of the offset, 0 where it is not significant, and of the scatter."""
    offset = abs(other.offset)
    return offset if offset > SIGNIFICANT * other.offset_error else 0.0, other.scatter


def _named(other: OtherBaselineRecord) -> str:
    if other.baseline.method == "linear":
        return "a straight line beside the peak"
    return f"a polynomial of degree {other.baseline.degree}"


TRIGGERS = (signals_depend_on_evaluation,)
