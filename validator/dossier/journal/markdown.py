"""The section as Markdown: CommonMark with pipe tables and formulas between dollar signs.

Whatever a study says is literal: every sign that could start markup, HTML or a formula is escaped.
"""

from __future__ import annotations

import re
from typing import TYPE_CHECKING

from validator.dossier import document as model
from validator.dossier.document import number
from validator.dossier.inline import (
    Code,
    Emphasis,
    LineBreak,
    Reference,
    Strong,
    Symbol,
    WebLink,
    pieces,
    plain,
)
from validator.dossier.wording import words_for

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping
    from typing import Any

    from validator.dossier.document import Block, Document, Numbering, Section
    from validator.dossier.inline import Content, Inline

_MARKUP = re.compile(r"[\\`*_{}\[\]<>#|$~&@^!]")
_AT_LINE_START = re.compile(r"^(\d*)([-+=:.)])")
_LINE_ENDS = re.compile("[\t\n\r\x0b\x0c\x1c-\x1e\x85\u2028\u2029]")
_UNWRITABLE = re.compile("[\ud800-\udfff\x00-\x08\x0e-\x1b\x1f\x7f]")


def to_markdown(document: Document, pictures: Mapping[str, str] | None = None) -> str:
    """*document* as Markdown; *pictures* gives the path of each figure's file by the figure's id."""
    return _Writer(document, pictures or {}).text()


def escaped(text: str) -> str:
    """*text* on one line, with every sign of markup made literal."""
    one_line = _LINE_ENDS.sub(" ", _UNWRITABLE.sub("\ufffd", text))
    return _MARKUP.sub(r"\\\g<0>", one_line)


class _Writer:
    def __init__(self, document: Document, pictures: Mapping[str, str]) -> None:
        self.document = document
        self.pictures = pictures
        self.words: dict[str, Any] = words_for(document.language, "frame")
        self.numbering: Numbering = number(document, self.words)

    def text(self) -> str:
        parts = [f"# {escaped(self.document.title)}"]
        for section in self.document.sections:
            parts.extend(self._section(section, 2))
        return "\n\n".join(parts) + "\n"

    def _section(self, section: Section, level: int) -> Iterator[str]:
        yield f"{'#' * level} {self._inline(section.title)}"
        for block in section.blocks:
            if isinstance(block, model.Section):
                yield from self._section(block, level + 1)
            else:
                yield from self._block(block)

    def _block(self, block: Block) -> Iterator[str]:
        match block:
            case model.Paragraph():
                yield _guarded(self._inline(block.content))
            case model.BulletList():
                yield "\n".join(f"- {_guarded(self._inline(item))}" for item in block.items)
            case model.Formula():
                tag = rf" \tag{{{self.numbering.numbers[block.id]}}}" if block.id else ""
                yield f"$$\n{block.latex}{tag}\n$$"
            case model.Table():
                yield self._caption(block.id, block.caption)
                yield self._table(block)
                if block.note:
                    yield _guarded(self._inline(block.note))
            case model.Figure():
                if block.id in self.pictures:
                    yield f"![{escaped(block.alternative_text)}](<{_address(self.pictures[block.id])}>)"
                yield self._caption(block.id, block.caption)
            case _:
                raise TypeError(f"a manuscript holds no {type(block).__name__}")

    def _caption(self, block_id: str, caption: Content) -> str:
        return f"**{self.numbering.label(block_id)}.** {self._inline(caption)}"

    def _table(self, table: model.Table) -> str:
        head = [self._heading(column) for column in table.columns]
        rule = ["---:" if column.align == "decimal" else "---" for column in table.columns]
        rows = [[self._inline(cell) for cell in row.cells] for row in table.rows]
        return "\n".join(f"| {' | '.join(cells)} |" for cells in (head, rule, *rows))

    def _heading(self, column: model.Column) -> str:
        unit = f" ({escaped(column.unit)})" if column.unit else ""
        return self._inline(column.header) + unit

    def _inline(self, content: Content) -> str:
        return "".join(self._piece(piece) for piece in pieces(content))

    def _piece(self, piece: Inline) -> str:
        match piece:
            case Strong():
                return f"**{escaped(piece.text)}**"
            case Emphasis():
                return f"*{escaped(piece.text)}*"
            case Code():
                return escaped(piece.text)
            case Symbol():
                sub = f"<sub>{escaped(piece.sub)}</sub>" if piece.sub else ""
                sup = f"<sup>{escaped(piece.sup)}</sup>" if piece.sup else ""
                return f"*{escaped(piece.letter)}*{sub}{sup}"
            case Reference():
                return escaped(piece.text or self.numbering.label(piece.target))
            case WebLink():
                return escaped(piece.address)
            case LineBreak():
                return " "
            case _:
                return escaped(plain(piece))


def _guarded(line: str) -> str:
    """*line* whose first sign starts no list, rule, heading or block of code."""
    return _AT_LINE_START.sub(r"\g<1>\\\g<2>", line.strip(" \t"), count=1)


def _address(path: str) -> str:
    """*path* between angle brackets, where only these signs and line ends have a meaning."""
    return re.sub(r"[\\<>]", r"\\\g<0>", path.replace("\n", "%0A"))
