"""A published source, and how far its text was consulted: one field, printed as one mark."""

from __future__ import annotations

from types import MappingProxyType
from typing import TYPE_CHECKING, Literal

from msgspec import Struct

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping

SourceStatus = Literal["seen", "reprint", "quotation", "memory", "practice"]
"""Its text was seen, in a reprint, or only as a secondary text cites it; it was not seen, or only in part
(``memory``); no document says it (``practice``, and the text of the source says so)."""

MARKS: Mapping[str, str] = MappingProxyType({"memory": "†", "reprint": "‡", "quotation": "§"})
"""Sign after a source; ``common.source_marks`` explains them, once in every list."""


class Source(Struct, frozen=True):
    """Document, edition and place, with how far they were consulted."""

    text: str
    status: SourceStatus

    @property
    def marked(self) -> str:
        """As it is printed."""
        return marked(self.text, self.status)


def marked(text: str, status: str) -> str:
    """The *text* of a source with the mark of its *status*, if that has one."""
    return f"{text}{MARKS.get(status, '')}"


def in_one_line(sources: Iterable[Source]) -> str:
    """All of *sources*, each with its mark."""
    return "; ".join(source.marked for source in sources)


def has_marks(text: str) -> bool:
    """Whether a mark stands in *text*, so that it has to be explained."""
    return any(mark in text for mark in MARKS.values())
