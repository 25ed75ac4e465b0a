"""Figures side by side: two halves share the width of the text."""

from __future__ import annotations

from functools import wraps
from typing import TYPE_CHECKING, Any, Concatenate, ParamSpec

from validator.dossier import figures
from validator.dossier.document import Figure, FigurePair
from validator.dossier.figure_style import WIDTHS_MM
from validator.dossier.sections.context import percent_level

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable

    from matplotlib.figure import Figure as Drawing

    from validator.dossier.figure_style import Width
    from validator.dossier.inline import Content
    from validator.dossier.sections.context import Context, Item

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


def picture(
    context: Context,
    item: Item | None,
    id: str | tuple[str, ...],
    key: str,
    drawn: Drawing,
    *,
    width: Width = "text",
    **values: Content | int,
) -> Figure:
    """*drawn* with its caption under *key* and its alternative text under ``<key>_alt`` of the catalogue.

    Both may name *values* and, of an *item*, its name and level of confidence.
    """
    parts = (id,) if isinstance(id, str) else id
    if item is not None:
        values = {"name": item.name, "level": percent_level(item.record.confidence)} | values
    return Figure(
        id=item.id(*parts) if item is not None else "--".join(parts),
        svg=figures.to_svg(drawn),
        caption=context.say(key, **values),
        alternative_text=context.say.text(f"{key}_alt", **values),
        width_mm=WIDTHS_MM[width],
    )


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
