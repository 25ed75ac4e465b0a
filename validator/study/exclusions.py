"""Excluded results: where they stand, and the study with all of them restored."""

from __future__ import annotations

from typing import TYPE_CHECKING

from validator.study.models.runs import Block

if TYPE_CHECKING:
    from validator.study.models.study import Study


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
