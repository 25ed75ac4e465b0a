"""The document model: what the dossier says, in order, without a word on how it looks.

Built in Python from results, rendered by templates. Everything is frozen; every string is literal text.
Constructors check what would otherwise show only on paper: a row with a cell too few, an id used twice,
a figure without alternative text.

Block kinds: Paragraph, BulletList, DefinitionList, KeyFacts, Table, Figure, FigurePair, Formula, Verdict,
Findings, CaveatBlock, NotAssessedList, SafetyNotice, Signatures, PageBreak; a Section holds blocks and
sections.
"""

from __future__ import annotations

import re
from itertools import count
from typing import TYPE_CHECKING, Any, Literal, TypeAlias

from msgspec import Struct, structs

from validator.dossier.inline import plain

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping

    from validator.dossier.inline import Content, OutcomeWord, SeverityWord, VerdictWord


RowKind = Literal["plain", "declared", "excluded", "struck", "group", "remark", "total"]
Alignment = Literal["text", "decimal", "centre"]

_ID = re.compile(r"[A-Za-z][A-Za-z0-9_.-]*")


def identifier(*parts: str) -> str:
    """An id from *parts*, joined by ``--``; characters an id cannot hold become their hexadecimal code."""
    return "--".join(
        "".join(c if re.fullmatch(r"[A-Za-z0-9_]", c) else f".{ord(c):x}." for c in part) for part in parts
    )


def _check_id(value: str) -> None:
    if not _ID.fullmatch(value):
        raise ValueError(f"not an id: {value!r}; make one with identifier()")


class Paragraph(Struct, frozen=True):
    """A paragraph; ``role`` "lead" opens a section in larger type, "small" is an aside in smaller type."""

    content: Content
    role: Literal["body", "lead", "small"] = "body"


class BulletList(Struct, frozen=True):
    """A list of short items; numbered where the order or the number is referred to."""

    items: tuple[Content, ...]
    numbered: bool = False


class DefinitionList(Struct, frozen=True):
    """Terms with what they mean, one under the other."""

    items: tuple[tuple[Content, Content], ...]


class KeyFacts(Struct, frozen=True):
    """A compact grid of labels and facts, such as the particulars of the study."""

    items: tuple[tuple[str, Content], ...]
    columns: Literal[1, 2] = 2


class Column(Struct, frozen=True):
    """A column of a table.

    Attributes:
        header: what the column holds.
        unit: printed after the header, in lighter type; "1", which is none, is not printed.
        align: "decimal" aligns numbers on their decimal point, also in ``12.3 ± 0.4`` or ``< 0.001``.
        width: share of the table's width in percent; columns without one share what is left.
        starts_panel: a rule parts it from the column before: the rows go on there.
    """

    header: Content
    unit: str = ""
    align: Alignment = "text"
    width: float | None = None
    starts_panel: bool = False

    def __post_init__(self) -> None:
        if self.unit == "1":
            structs.force_setattr(self, "unit", "")


class Row(Struct, frozen=True):
    """A row; ``kind`` is shown by a mark, a rule or a strike, never by colour alone.

    "declared" is the row that decides, "excluded" and "struck" do not count, "total" closes a table; "group"
    heads rows and "remark" comments on those before it, both over the whole table with their first cell (the
    others must be empty).
    """

    cells: tuple[Content, ...]
    kind: RowKind = "plain"


class Table(Struct, frozen=True, kw_only=True):
    """A table with a numbered caption; ``size`` "small" is for many columns, "tiny" for long annexes."""

    id: str
    caption: Content
    columns: tuple[Column, ...]
    rows: tuple[Row, ...]
    note: Content = ""
    size: Literal["normal", "small", "tiny"] = "normal"

    def __post_init__(self) -> None:
        _check_id(self.id)
        for row in self.rows:
            if len(row.cells) != len(self.columns):
                raise ValueError(
                    f"table {self.id}: a row of {len(row.cells)} cells for {len(self.columns)} columns"
                )


class Figure(Struct, frozen=True, kw_only=True):
    """A figure with a numbered caption.

    Attributes:
        svg: the drawing, as text.
        caption: what it shows.
        alternative_text: what a reader who cannot see it must know.
        width_mm: width on paper; the text column is 160 mm wide.
    """

    id: str
    svg: str
    caption: Content
    alternative_text: str
    width_mm: float = 160.0

    def __post_init__(self) -> None:
        _check_id(self.id)
        if not self.alternative_text.strip():
            raise ValueError(f"figure {self.id} has no alternative text")


class FigurePair(Struct, frozen=True):
    """Two figures side by side on paper, each half as wide as the text."""

    left: Figure
    right: Figure


class Formula(Struct, frozen=True, kw_only=True):
    """A display formula in LaTeX, numbered when it has an id.

    Attributes:
        name: what it gives, printed beside it.
        latex: the formula, without delimiters.
        spoken: the formula in words or plain letters, for readers who cannot see it.
        where: symbols and what they stand for.
        source: where the formula is published.
    """

    latex: str
    spoken: str
    name: Content = ""
    where: tuple[tuple[Content, Content], ...] = ()
    source: Content = ""
    id: str = ""

    def __post_init__(self) -> None:
        if self.id:
            _check_id(self.id)
        if not self.spoken.strip():
            raise ValueError(f"formula {self.latex!r} has no spoken form")


class Verdict(Struct, frozen=True, kw_only=True):
    """The verdict with its sentence; ``points`` are restrictions or open questions said beside it."""

    verdict: VerdictWord
    sentence: Content
    points: tuple[Content, ...] = ()


class Finding(Struct, frozen=True, kw_only=True):
    """One test or criterion in a line: what was asked, what came out, the outcome."""

    outcome: OutcomeWord
    statement: Content
    requirement: Content = ""
    source: Content = ""


class Findings(Struct, frozen=True):
    """Findings one under the other."""

    items: tuple[Finding, ...]


class CaveatBlock(Struct, frozen=True, kw_only=True):
    """A caveat in a box whose frame and mark show its severity."""

    severity: SeverityWord
    title: Content
    text: Content
    because: Content = ""
    remedy: Content = ""
    source: Content = ""
    id: str = ""

    def __post_init__(self) -> None:
        if self.id:
            _check_id(self.id)


class NotAssessedItem(Struct, frozen=True):
    """Something that could not be assessed, why, and what it would take."""

    what: Content
    reason: Content
    needs: Content = ""


class NotAssessedList(Struct, frozen=True):
    """What could not be assessed."""

    items: tuple[NotAssessedItem, ...]


class SafetyNotice(Struct, frozen=True):
    """The usual cautions for work that can hurt someone."""

    title: Content
    points: tuple[Content, ...]


class Signature(Struct, frozen=True):
    """A place to sign; name and date are printed where known and left for ink where not."""

    role: str
    name: str = ""
    date: str = ""


class Signatures(Struct, frozen=True):
    """Places to sign, side by side."""

    signatures: tuple[Signature, ...]


class PageBreak(Struct, frozen=True):
    """What follows starts a new page (in print)."""


Block: TypeAlias = (
    Paragraph
    | BulletList
    | DefinitionList
    | KeyFacts
    | Table
    | Figure
    | FigurePair
    | Formula
    | Verdict
    | Findings
    | CaveatBlock
    | NotAssessedList
    | SafetyNotice
    | Signatures
    | PageBreak
)


class Section(Struct, frozen=True, kw_only=True):
    """A section: a title, its blocks, and sections inside it.

    Attributes:
        numbering: "number" (1, 1.1), "appendix" (A, A.1) or "none"; inner sections follow the outer one.
        new_page: the section starts a page.
    """

    id: str
    title: Content
    blocks: tuple[Block | Section, ...]
    numbering: Literal["number", "appendix", "none"] = "number"
    new_page: bool = False

    def __post_init__(self) -> None:
        _check_id(self.id)


class Document(Struct, frozen=True, kw_only=True):
    """A whole dossier.

    Attributes:
        title: printed on page 1 and in the file's properties.
        kind: what sort of document this is, printed over the title ("Validation dossier").
        subtitle: a line under the title.
        identifier, version: of the study; they stand in the foot of every page.
        language: of the wording, as a BCP 47 tag ("en").
        key_facts: particulars in the title block.
        summary: what stands on page 1 under the title block, before the contents.
        sections: everything else.
        authors, keywords, subject: for the file's properties.
        date: ISO 8601 date of the dossier for the file's properties ("2025-03-14"), from the study.
        draft: what the head of every page says of a draft; empty for a finished dossier.
    """

    title: str
    identifier: str
    version: str
    draft: str = ""
    kind: str = ""
    subtitle: Content = ""
    language: str = "en"
    key_facts: KeyFacts | None = None
    summary: tuple[Block, ...] = ()
    sections: tuple[Section, ...] = ()
    authors: tuple[str, ...] = ()
    keywords: tuple[str, ...] = ()
    subject: str = ""
    date: str = ""

    def __post_init__(self) -> None:
        seen: set[str] = set()
        for element in self.elements():
            element_id = getattr(element, "id", "")
            if element_id and element_id in seen:
                raise ValueError(f"the id {element_id!r} is used twice")
            seen.add(element_id)

    def elements(self) -> Iterator[Block | Section]:
        """Every block and section, in reading order."""
        for block in self.summary:
            yield from _within(block)
        for section in self.sections:
            yield from _within(section)


def _within(block: Block | Section) -> Iterator[Block | Section]:
    yield block
    if isinstance(block, Section):
        for inner in block.blocks:
            yield from _within(inner)
    elif isinstance(block, FigurePair):
        yield block.left
        yield block.right


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
