"""Caveats that only the excluded results would have raised."""

from __future__ import annotations

from typing import TYPE_CHECKING

from validator.assessment.caveats.raising import Raised, listed
from validator.guidance import caveat_texts

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from validator.evaluation.rows import Cell


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
