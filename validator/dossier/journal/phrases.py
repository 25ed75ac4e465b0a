"""Small pieces of a manuscript's sentences: lists of names, levels, units."""

from __future__ import annotations

from typing import TYPE_CHECKING, TypeVar

from validator.dossier import numbers
from validator.dossier.inline import Inline, Text, pieces

if TYPE_CHECKING:
    from collections.abc import Hashable, Iterable, Sequence

    from validator.dossier.inline import Content
    from validator.dossier.sections.context import Context, Item

Key = TypeVar("Key", bound="Hashable")


def listed(context: Context, names: Sequence[str]) -> str:
    """``a``, ``a and b``, ``a, b and c``."""
    if len(names) < 2:
        return "".join(names)
    return f"{', '.join(names[:-1])} {context.say.text('journal.and')} {names[-1]}"


def grouped(pairs: Iterable[tuple[Key, Item]]) -> dict[Key, list[Item]]:
    """Items of which the same can be said, in the order of their first member."""
    groups: dict[Key, list[Item]] = {}
    for key, item in pairs:
        groups.setdefault(key, []).append(item)
    return groups


def names_of(items: Sequence[Item]) -> str:
    """Names of *items*; semicolons, because a name may hold a comma."""
    return "; ".join(item.name for item in items)


def levels_text(levels: Iterable[float | None], unit: str) -> str:
    """``3, 8, 13 µg/L``: distinct levels in order, the unit once."""
    known = sorted({level for level in levels if level is not None})
    return numbers.quantity(", ".join(numbers.as_given(level) for level in known), unit)


def joined(sentences: Iterable[Content]) -> tuple[Inline, ...]:
    """Sentences one after the other, as one paragraph."""
    text: list[Inline] = []
    for sentence in sentences:
        if text:
            text.append(Text(" "))
        text.extend(pieces(sentence))
    return tuple(text)
