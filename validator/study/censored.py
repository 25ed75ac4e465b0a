"""Results below a limit and excluded ones: where they stand, and the study with others in their place."""

from __future__ import annotations

from functools import cache
from typing import TYPE_CHECKING, Literal

from validator.study.models.base import LessThan
from validator.study.models.runs import Block

if TYPE_CHECKING:
    from collections.abc import Iterator

    from validator.study.models.runs import Run
    from validator.study.models.study import Study

OF_LIMITS = frozenset({"blanks", "low_level", "noise"})
"""Blocks whose statistics have rules of their own for such results."""


def censored(study: Study, block: str | None = None) -> Iterator[tuple[str, Run]]:
    """Every run with a result below a limit that counts, with its block, once for each such result."""
    for name in [block] if block else type(study).model_fields:
        found = getattr(study, name)
        if name in OF_LIMITS or not isinstance(found, Block):
            continue
        for run in study.runs(name):
            if run.excluded is None:
                yield from ((name, run) for reading in _readings(run) if isinstance(reading, LessThan))


def with_numbers(study: Study, at: Literal["zero", "bound"]) -> Study:
    """The study with every result below a limit at 0 or at that limit; itself where it has none."""
    blocks: dict[str, Block] = {}
    for name in dict.fromkeys(name for name, _ in censored(study)):
        runs = tuple(_numbered(run, at) for run in study.runs(name))
        blocks[name] = getattr(study, name).model_copy(update={"runs": runs})
    return study.model_copy(update=blocks) if blocks else study


@cache
def _fields(kind: type[Run]) -> tuple[str, ...]:
    """The fields of a run that may hold such a result."""
    return tuple(
        name for name, field in kind.model_fields.items() if LessThan.__name__ in repr(field.annotation)
    )


def _readings(run: Run) -> Iterator[object]:
    for name in _fields(type(run)):
        value = getattr(run, name)
        yield from value if isinstance(value, tuple) else (value,)


def _numbered(run: Run, at: Literal["zero", "bound"]) -> Run:
    changed: dict[str, object] = {}
    for name in _fields(type(run)):
        value = getattr(run, name)
        if isinstance(value, LessThan):
            changed[name] = _number(value, at)
        elif isinstance(value, tuple) and any(isinstance(one, LessThan) for one in value):
            changed[name] = tuple(_number(one, at) if isinstance(one, LessThan) else one for one in value)
    return run.model_copy(update=changed) if changed else run


def _number(reading: LessThan, at: Literal["zero", "bound"]) -> float:
    return reading.limit if at == "bound" else 0.0


def excluded_from(study: Study) -> tuple[str, ...]:
    """Names of the blocks from which results are excluded."""
    return tuple(
        name
        for name in type(study).model_fields
        if isinstance(getattr(study, name), Block)
        and any(run.excluded is not None for run in study.runs(name))
    )


def without_exclusions(study: Study) -> Study | None:
    """The study with every excluded run restored and the shortest simulation; None where none is excluded."""
    blocks = {
        name: getattr(study, name).model_copy(
            update={"runs": tuple(run.model_copy(update={"excluded": None}) for run in study.runs(name))}
        )
        for name in excluded_from(study)
    }
    return study.model_copy(update=blocks).with_shortest_simulation() if blocks else None
