"""The section as DOCX: real headings, captions, tables and formulas, no macro, no field with a study's text.

The same document gives the same bytes: no date of the clock enters the file.
"""

from __future__ import annotations

import datetime as dt
import io
import re
import zipfile
from typing import TYPE_CHECKING

from validator.dossier import document as model
from validator.dossier.inline import Code, Emphasis, LineBreak, Reference, Strong, Symbol, pieces, plain
from validator.dossier.journal.equations import office_math
from validator.dossier.numbering import number
from validator.dossier.words import words_for
from validator.errors import EnvironmentProblem

if TYPE_CHECKING:
    from collections.abc import Mapping
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
