"""The section as DOCX: real headings, captions, tables and formulas, no macro, no field with a study's text.

The same document gives the same bytes: no date of the clock enters the file.
"""

from __future__ import annotations

import datetime as dt
import io
import re
import xml.etree.ElementTree as ET
import zipfile
from typing import TYPE_CHECKING

from validator.dossier import document as model
from validator.dossier.document import number
from validator.dossier.inline import Code, Emphasis, LineBreak, Reference, Strong, Symbol, pieces, plain
from validator.dossier.wording import words_for
from validator.errors import EnvironmentProblem

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping
    from typing import Any

    from docx.document import Document as WordFile
    from docx.table import _Cell, _Row
    from docx.text.paragraph import Paragraph

    from validator.dossier.document import Block, Document, Section
    from validator.dossier.inline import Content, Inline


INSTALL = "DOCX needs a library that is not installed: pip install 'validator[word]'"
_WITHOUT_A_DATE = dt.datetime(2000, 1, 1)
_ZIP_DATE = (2000, 1, 1, 0, 0, 0)
_A4_MM = (210, 297)
_UNWRITABLE = re.compile("[\ud800-\udfff\x00-\x08\x0b\x0c\x0e-\x1f\ufffe\uffff]")


def to_word(document: Document, pictures: Mapping[str, bytes] | None = None) -> bytes:
    """*document* as DOCX; *pictures* holds each figure as PNG by the figure's id.

    Raises:
        EnvironmentProblem: the library that writes DOCX is not installed.
    """
    try:
        import docx
    except ImportError as error:
        raise EnvironmentProblem(INSTALL) from error
    writer = _Writer(docx.Document(), document, pictures or {})
    writer.write()
    buffer = io.BytesIO()
    writer.file.save(buffer)
    return _without_clock(buffer.getvalue())


def _without_clock(content: bytes) -> bytes:
    """The same package with fixed dates of its parts, in the order they were written."""
    buffer = io.BytesIO()
    with (
        zipfile.ZipFile(io.BytesIO(content)) as old,
        zipfile.ZipFile(buffer, "w", zipfile.ZIP_DEFLATED) as new,
    ):
        for part in old.infolist():
            entry = zipfile.ZipInfo(part.filename, _ZIP_DATE)
            entry.compress_type = zipfile.ZIP_DEFLATED
            entry.external_attr = 0o600 << 16
            new.writestr(entry, old.read(part))
    return buffer.getvalue()


def _clean(text: str) -> str:
    return _UNWRITABLE.sub("\ufffd", text)


class _Writer:
    def __init__(self, file: WordFile, document: Document, pictures: Mapping[str, bytes]) -> None:
        self.file = file
        self.document = document
        self.pictures = pictures
        self.words: dict[str, Any] = words_for(document.language, "frame")
        self.numbering = number(document, self.words)

    def write(self) -> None:
        self._set_up()
        self.file.add_heading(_clean(self.document.title), level=0)
        for section in self.document.sections:
            self._section(section, 1)

    def _set_up(self) -> None:
        from docx.shared import Mm

        page = self.file.sections[0]
        page.page_width, page.page_height = (Mm(side) for side in _A4_MM)
        properties = self.file.core_properties
        written = dt.datetime.fromisoformat(self.document.date) if self.document.date else _WITHOUT_A_DATE
        properties.created = properties.modified = written
        properties.author = properties.last_modified_by = _clean("; ".join(self.document.authors))[:255]
        properties.title = _clean(self.document.title)[:255]
        properties.subject = _clean(self.document.subject)[:255]
        properties.language = self.document.language
        properties.comments = ""
        properties.revision = 1

    def _section(self, section: Section, level: int) -> None:
        self.file.add_heading(_clean(plain(section.title)), level=level)
        for block in section.blocks:
            if isinstance(block, model.Section):
                self._section(block, level + 1)
            else:
                self._block(block)

    def _block(self, block: Block) -> None:
        match block:
            case model.Paragraph():
                self._inline(self.file.add_paragraph(), block.content)
            case model.BulletList():
                for item in block.items:
                    self._inline(self.file.add_paragraph(style="List Bullet"), item)
            case model.Formula():
                self._formula(block)
            case model.Table():
                self._caption("table", block.id, block.caption, keep_with_next=True)
                self._table(block)
                self._inline(self.file.add_paragraph(), block.note)
            case model.Figure():
                self._picture(block)
                self._caption("figure", block.id, block.caption, keep_with_next=False)
            case _:
                raise TypeError(f"a manuscript holds no {type(block).__name__}")

    # --- blocks ----------------------------------------------------------------------------------------

    def _formula(self, formula: model.Formula) -> None:
        from docx.oxml import parse_xml

        paragraph = self.file.add_paragraph()
        paragraph._p.append(parse_xml(office_math(formula.latex)))
        if formula.id:
            paragraph.add_run(f"\t({self.numbering.numbers[formula.id]})")

    def _picture(self, figure: model.Figure) -> None:
        from docx.shared import Mm

        if figure.id not in self.pictures:
            return
        run = self.file.add_paragraph().add_run()
        drawn = run.add_picture(io.BytesIO(self.pictures[figure.id]), width=Mm(figure.width_mm))
        drawn._inline.docPr.set("descr", _clean(figure.alternative_text))

    def _caption(self, kind: str, block_id: str, caption: Content, *, keep_with_next: bool) -> None:
        """A caption whose number is a field, so that it counts on among the manuscript's own."""
        paragraph = self.file.add_paragraph(style="Caption")
        paragraph.paragraph_format.keep_with_next = keep_with_next
        paragraph.add_run(f"{self.words[kind]} ")
        _add_field(paragraph, f"SEQ {kind.capitalize()} \\* ARABIC", self.numbering.numbers[block_id])
        paragraph.add_run(". ")
        self._inline(paragraph, caption)

    def _table(self, table: model.Table) -> None:
        shown = self.file.add_table(rows=1, cols=len(table.columns), style="Table Grid")
        for cell, column in zip(shown.rows[0].cells, table.columns, strict=True):
            unit = f" ({column.unit})" if column.unit else ""
            self._cell(cell, column, (*pieces(column.header), unit), bold=True)
        _mark_as_header(shown.rows[0])
        for row in table.rows:
            for cell, column, content in zip(shown.add_row().cells, table.columns, row.cells, strict=True):
                self._cell(cell, column, content)

    def _cell(self, cell: _Cell, column: model.Column, content: Content, *, bold: bool = False) -> None:
        from docx.enum.text import WD_ALIGN_PARAGRAPH
        from docx.shared import Pt

        paragraph = cell.paragraphs[0]
        paragraph.paragraph_format.space_after = Pt(0)
        if column.align == "decimal":
            paragraph.alignment = WD_ALIGN_PARAGRAPH.RIGHT
        self._inline(paragraph, content, bold=bold)

    # --- running text ----------------------------------------------------------------------------------

    def _inline(self, paragraph: Paragraph, content: Content, *, bold: bool = False) -> None:
        for piece in pieces(content):
            self._piece(paragraph, piece, bold=bold)

    def _piece(self, paragraph: Paragraph, piece: Inline, *, bold: bool) -> None:
        match piece:
            case Symbol():
                _add(paragraph, piece.letter, bold=bold, italic=True)
                _add(paragraph, piece.sub, bold=bold, position="subscript")
                _add(paragraph, piece.sup, bold=bold, position="superscript")
            case Strong():
                _add(paragraph, piece.text, bold=True)
            case Emphasis():
                _add(paragraph, piece.text, bold=bold, italic=True)
            case Reference() if not piece.text:
                _add(paragraph, self.numbering.label(piece.target), bold=bold)
            case LineBreak():
                paragraph.add_run().add_break()
            case Code():
                _add(paragraph, piece.text, bold=bold)
            case _:
                _add(paragraph, plain(piece), bold=bold)


def _add(
    paragraph: Paragraph, text: str, *, bold: bool = False, italic: bool = False, position: str = ""
) -> None:
    if not text:
        return
    run = paragraph.add_run(" ".join(_clean(text).splitlines()))
    run.bold, run.italic = bold or None, italic or None
    if position == "subscript":
        run.font.subscript = True
    elif position == "superscript":
        run.font.superscript = True


def _add_field(paragraph: Paragraph, instruction: str, shown: str) -> None:
    from docx.oxml import OxmlElement
    from docx.oxml.ns import qn

    field = OxmlElement("w:fldSimple")
    field.set(qn("w:instr"), instruction)
    run, text = OxmlElement("w:r"), OxmlElement("w:t")
    text.text = shown
    run.append(text)
    field.append(run)
    paragraph._p.append(field)


def _mark_as_header(row: _Row) -> None:
    """Repeat the row where the table breaks over pages; readers announce it as the head of the columns."""
    from docx.oxml import OxmlElement

    row._tr.get_or_add_trPr().append(OxmlElement("w:tblHeader"))


MATH = "http://schemas.openxmlformats.org/officeDocument/2006/math"
_WORD = "http://schemas.openxmlformats.org/wordprocessingml/2006/main"
_PARTS = {
    "mfrac": ("f", ("num", "den")),
    "msub": ("sSub", ("e", "sub")),
    "msup": ("sSup", ("e", "sup")),
    "msubsup": ("sSubSup", ("e", "sub", "sup")),
}
_BARS = ("\u00af", "\u203e", "_")
_NARROW, _WIDE = "\u2009", "\u2003"


def office_math(latex: str) -> str:
    """The formula *latex* as the XML of an ``m:oMath`` element.

    Raises:
        EnvironmentProblem: the library that reads LaTeX is not installed.
        ValueError: the formula holds something that has no counterpart here.
    """
    try:
        from latex2mathml.converter import convert
    except ImportError as error:
        raise EnvironmentProblem("formulas in Word need a library: pip install 'validator[word]'") from error
    root = ET.fromstring(convert(latex))
    whole = _element("oMath")
    _append(whole, root)
    ET.register_namespace("m", MATH)
    ET.register_namespace("w", _WORD)
    return ET.tostring(whole, encoding="unicode")


def _append(parent: ET.Element, node: ET.Element) -> None:
    """Add the counterpart of the MathML *node* to *parent*."""
    name = node.tag.rpartition("}")[2]
    if name in ("math", "mrow"):
        for child in node:
            _append(parent, child)
    elif name in _PARTS:
        kind, parts = _PARTS[name]
        parent.append(_composed(kind, parts, list(node)))
    elif name in _MAKERS:
        parent.append(_MAKERS[name](node))
    else:
        raise ValueError(f"no counterpart of <{name}> in a word processor")


def _composed(kind: str, parts: tuple[str, ...], children: list[ET.Element]) -> ET.Element:
    whole = _element(kind)
    for part, child in zip(parts, children, strict=True):
        _append(ET.SubElement(whole, f"{{{MATH}}}{part}"), child)
    return whole


def _run(text: str, *, upright: bool) -> ET.Element:
    run = _element("r")
    if upright:
        style = ET.SubElement(ET.SubElement(run, f"{{{MATH}}}rPr"), f"{{{MATH}}}sty")
        style.set(f"{{{MATH}}}val", "p")
    holder = ET.SubElement(run, f"{{{MATH}}}t")
    holder.text = text
    holder.set("{http://www.w3.org/XML/1998/namespace}space", "preserve")
    return run


def _letter(node: ET.Element) -> ET.Element:
    text = node.text or ""
    return _run(text, upright=len(text) > 1)


def _upright(node: ET.Element) -> ET.Element:
    return _run(node.text or "", upright=True)


def _space(node: ET.Element) -> ET.Element:
    width = float((node.get("width") or "0em").removesuffix("em"))
    return _run(_WIDE if width >= 0.5 else _NARROW, upright=True)


def _root(node: ET.Element) -> ET.Element:
    whole = _element("rad")
    ET.SubElement(ET.SubElement(whole, f"{{{MATH}}}radPr"), f"{{{MATH}}}degHide").set(f"{{{MATH}}}val", "1")
    ET.SubElement(whole, f"{{{MATH}}}deg")
    inside = ET.SubElement(whole, f"{{{MATH}}}e")
    for child in node:
        _append(inside, child)
    return whole


def _over(node: ET.Element) -> ET.Element:
    """A letter with a bar or another accent over it."""
    letter, accent = node
    sign = accent.text or ""
    kind = "bar" if sign in _BARS else "acc"
    whole = _element(kind)
    properties = ET.SubElement(whole, f"{{{MATH}}}{kind}Pr")
    key, value = ("pos", "top") if kind == "bar" else ("chr", sign)
    ET.SubElement(properties, f"{{{MATH}}}{key}").set(f"{{{MATH}}}val", value)
    _append(ET.SubElement(whole, f"{{{MATH}}}e"), letter)
    return whole


def _element(name: str) -> ET.Element:
    return ET.Element(f"{{{MATH}}}{name}")


_MAKERS: dict[str, Callable[[ET.Element], ET.Element]] = {
    "mi": _letter,
    "mn": _upright,
    "mo": _upright,
    "mtext": _upright,
    "mspace": _space,
    "msqrt": _root,
    "mover": _over,
}
