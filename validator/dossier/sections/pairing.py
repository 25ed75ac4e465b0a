"""Figures side by side: two halves share the width of the text."""

from __future__ import annotations

from functools import wraps
from typing import TYPE_CHECKING, Any, Concatenate, ParamSpec

from validator.dossier.document import Figure, FigurePair
from validator.dossier.figure_style import WIDTHS_MM

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable

    from validator.dossier.figure_style import Width
    from validator.dossier.sections.context import Context

Given = ParamSpec("Given")
HALF_MM = WIDTHS_MM["half"]


def not_of_many(
    draw: Callable[Concatenate[Context, Given], tuple[Any, ...]],
) -> Callable[Concatenate[Context, Given], tuple[Any, ...]]:
    """*draw* for few analytes; no picture where a dossier of many would hold hundreds."""

    @wraps(draw)
    def drawn(context: Context, /, *given: Given.args, **more: Given.kwargs) -> tuple[Any, ...]:
        return () if context.is_compact else draw(context, *given, **more)

    return drawn


def widths(count: int) -> tuple[Width, ...]:
    """Widths of *count* figures of one kind: in pairs, the odd last one over the whole text."""
    in_pairs: list[Width] = ["half"] * (count - count % 2)
    return (*in_pairs, "text") if count % 2 else tuple(in_pairs)


def paired(figures: Iterable[Figure]) -> tuple[Figure | FigurePair, ...]:
    """*figures* in order, neighbours of half the width side by side."""
    found: list[Figure | FigurePair] = []
    for figure in figures:
        before = found[-1] if found else None
        if isinstance(before, Figure) and before.width_mm == figure.width_mm == HALF_MM:
            found[-1] = FigurePair(before, figure)
        else:
            found.append(figure)
    return tuple(found)
