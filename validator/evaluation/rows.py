"""Picking the runs of one analyte and configuration, what is excluded, what shares a preparation."""

from __future__ import annotations

from functools import cache
from typing import TYPE_CHECKING, TypeVar

from msgspec import Struct

from validator.evaluation.results import ExcludedPoint
from validator.study.models.precision import PrecisionRun
from validator.study.models.runs import Run

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

    from validator.study.models.runs import Block


R = TypeVar("R", bound=Run)

_PREPARED_BY = (
    *("level", "expected", "analyte_level", "interferent", "ratio", "interferent_level"),
    *("kind", "matrix", "sample", "condition", "time", "laboratory", "device"),
)
"""What tells preparations of one label apart; another operator or instrument reads the same one again."""


class Cell(Struct, frozen=True):
    """One analyte measured with one configuration: what an evaluation works on."""

    analyte: str
    configuration: str


class Value(Struct, frozen=True):
    """One independent value: a preparation's reading, or the mean of its readings.

    Attributes:
        value: the value, signal or concentration.
        readings: the readings behind it.
        run: the (first) run it was written in.
    """

    value: float
    readings: tuple[float, ...]
    run: Run


def runs_of(block: Block | None, cell: Cell) -> tuple[Run, ...]:
    """Every run of *block* for *cell*, excluded ones too, in the order written."""
    return () if block is None else block.runs_for(cell.analyte, cell.configuration)


def kept(runs: Iterable[R]) -> tuple[R, ...]:
    """The runs that the study does not exclude."""
    return tuple(run for run in runs if run.excluded is None)


def excluded(runs: Iterable[R]) -> tuple[R, ...]:
    """The runs that the study excludes, with a cause."""
    return tuple(run for run in runs if run.excluded is not None)


def independent_values(runs: Sequence[Run]) -> tuple[Value, ...]:
    """Independent values of *runs*: readings of one preparation are averaged and count once.

    A preparation is a run marked ``repeated_reading``, or all readings that share a ``preparation_id``
    under the same conditions. Runs of one reading marked ``repeated_reading`` without an id (rows of a
    table) are one preparation where level, series, device and the like agree: the cautious reading, since
    repeats must never add degrees of freedom. Everything else is one value a reading.
    """
    values: list[Value] = []
    shared: dict[tuple[object, ...], list[tuple[Run, tuple[float, ...]]]] = {}
    for run in runs:
        readings: tuple[float, ...] = getattr(run, "values", ())
        lone_repeat = run.preparation == "repeated_reading" and len(readings) == 1
        if run.preparation_id is not None or lone_repeat:
            shared.setdefault(_preparation(run), []).append((run, readings))
        elif run.preparation == "repeated_reading" and readings:
            values.append(Value(_mean(readings), readings, run))
        else:
            values.extend(Value(reading, (reading,), run) for reading in readings)
    for members in shared.values():
        readings = tuple(reading for _, some in members for reading in some)
        if readings:
            values.append(Value(_mean(readings), readings, members[0][0]))
    return tuple(values)


def _preparation(run: Run) -> tuple[object, ...]:
    # the same label at another level, on another day or in another laboratory is another preparation
    told = (getattr(run, name) for name in _PREPARED_BY if _has(type(run), name))
    return (run.preparation_id, group_label(run), *told)


@cache
def _has(kind: type[Run], name: str) -> bool:
    """Whether runs of a *kind* have a field or property: asking a run that lacks it is slow."""
    return name in kind.model_fields or hasattr(kind, name)


def _mean(readings: Sequence[float]) -> float:
    first = readings[0]
    return first + sum(reading - first for reading in readings) / len(readings)


def group_label(run: Run) -> str | None:
    """The series, day or date a run belongs to: what readings under repeatability conditions share."""
    day = run.day if isinstance(run, PrecisionRun) else None
    if run.series is not None:
        return run.series
    if day is not None:
        return str(day)
    return run.date.isoformat() if run.date is not None else None


def labels_or_none(labels: Sequence[str | None]) -> tuple[str, ...] | None:
    """The labels, or None where any is missing: half-labelled results cannot be grouped."""
    known = tuple(label for label in labels if label is not None)
    return known if len(known) == len(labels) and known else None


def excluded_points(runs: Iterable[Run]) -> tuple[ExcludedPoint, ...]:
    """Every reading of the excluded ones among *runs*, with its place and cause."""
    return tuple(
        ExcludedPoint(
            level=getattr(run, "level", None), value=value, place=run.place, cause=run.excluded or ""
        )
        for run in excluded(runs)
        for value in getattr(run, "values", ())
    )
