"""Numbers of sections, tables, figures, formulas and caveats, and what a reference to one of them says."""

from __future__ import annotations

from itertools import count
from typing import TYPE_CHECKING, Any

from msgspec import Struct

from validator.dossier.document import CaveatBlock, Figure, Formula, Section, Table
from validator.dossier.inline import plain

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping

    from validator.dossier.document import Block, Document

_COUNTED = ((Table, "table"), (Figure, "figure"), (Formula, "equation"), (CaveatBlock, "caveat"))


class ContentsEntry(Struct, frozen=True):
    """A line of the contents."""

    target: str
    number: str
    title: str
    level: int


class Numbering(Struct, frozen=True):
    """What was counted in one document.

    Attributes:
        numbers: id -> number ("2.1", "3", "A.2"), empty for an unnumbered section.
        labels: id -> what a reference prints ("section 2.1", "Table 3").
        contents: every section in order, with its level from 1.
    """

    numbers: Mapping[str, str]
    labels: Mapping[str, str]
    contents: tuple[ContentsEntry, ...]

    def label(self, target: str) -> str:
        """The label of *target*.

        Raises:
            ValueError: nothing in the document has this id.
        """
        if target not in self.labels:
            raise ValueError(f"a reference points to {target!r}, which is not in the document")
        return self.labels[target]


def number(document: Document, words: Mapping[str, Any]) -> Numbering:
    """Count everything in *document* that has an id, in reading order; *words* name the kinds."""
    numbers: dict[str, str] = {}
    labels: dict[str, str] = {}
    contents = []
    for section, section_number, level in _numbered_sections(document.sections):
        title = plain(section.title)
        kind = words["appendix" if section_number[:1].isalpha() else "section"]
        numbers[section.id] = section_number
        labels[section.id] = f"{kind} {section_number}" if section_number else title
        contents.append(ContentsEntry(section.id, section_number, title, level))
    for block, kind, block_number in _numbered_blocks(document):
        numbers[block] = block_number
        labels[block] = (
            f"{words[kind]} ({block_number})" if kind == "equation" else f"{words[kind]} {block_number}"
        )
    return Numbering(numbers, labels, tuple(contents))


def _numbered_sections(
    siblings: tuple[Block | Section, ...], prefix: str = "", level: int = 1
) -> Iterator[tuple[Section, str, int]]:
    figures, letters = count(1), count(1)
    for section in siblings:
        if not isinstance(section, Section):
            continue
        own = _own_number(section, prefix, level, figures, letters)
        yield section, own, level
        yield from _numbered_sections(section.blocks, own, level + 1)


def _own_number(
    section: Section, prefix: str, level: int, figures: Iterator[int], letters: Iterator[int]
) -> str:
    if section.numbering == "none" or (level > 1 and not prefix):
        return ""
    if prefix:
        return f"{prefix}.{next(figures)}"
    return _letter(next(letters)) if section.numbering == "appendix" else str(next(figures))


def _letter(position: int) -> str:
    """A, B, ... Z, AA, AB, ..."""
    letters = ""
    while position:
        position, rest = divmod(position - 1, 26)
        letters = chr(ord("A") + rest) + letters
    return letters


def _numbered_blocks(document: Document) -> Iterator[tuple[str, str, str]]:
    counters = {kind: count(1) for _, kind in _COUNTED}
    for element in document.elements():
        for block_type, kind in _COUNTED:
            if isinstance(element, block_type) and element.id:
                yield element.id, kind, str(next(counters[kind]))
