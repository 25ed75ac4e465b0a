"""Caveats that only the excluded results would have raised."""

from __future__ import annotations

from typing import TYPE_CHECKING

from validator.assessment.caveats.raising import Raised, listed
from validator.guidance import caveat_texts
from validator.study.models.runs import Block, Run

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from validator.evaluation.rows import Cell
    from validator.study import Study


def excluded_from(study: Study) -> tuple[str, ...]:
    """Names of the blocks from which results are excluded."""
    return tuple(
        name
        for name in type(study).model_fields
        if any(getattr(run, "excluded", None) for run in _runs(study, name))
    )


def _runs(study: Study, name: str) -> tuple[Run, ...]:
    block = getattr(study, name)
    runs: tuple[Run, ...] = getattr(block, "runs", ()) if isinstance(block, Block) else ()
    return runs


def with_excluded(study: Study, blocks: Sequence[str]) -> Study:
    """The study with the excluded results of *blocks* restored, and the shortest simulation."""
    restored = {
        name: getattr(study, name).model_copy(
            update={"runs": tuple(run.model_copy(update={"excluded": None}) for run in _runs(study, name))}
        )
        for name in blocks
    }
    return study.model_copy(update=restored).with_shortest_simulation()


def only_with_excluded(
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
