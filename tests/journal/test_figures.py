"""The figures of a manuscript: one drawing in three formats, of a known width, with names that are safe."""

from __future__ import annotations

import io
import re
import struct

import docx
import pytest
from pypdf import PdfReader

from validator.dossier.document import Figure
from validator.dossier.journal import draw_figures, journal_document, to_latex, to_markdown, to_word
from validator.dossier.journal.drawing import file_name

COLUMN_MM = 84


@pytest.fixture(scope="module")
def drawn(hostile):
    return draw_figures(hostile.study, hostile.results)


def size_of(png):
    return struct.unpack(">II", png[16:24])


def test_calibration_limits_recovery_interference_and_overlay_are_drawn(drawn):
    """One of each for the analyte as validated, in the order in which they are talked about."""
    assert [one.name for one in drawn] == [
        "calibration-x",
        "limits-x",
        "recovery-x",
        "interference-x",
        "overlay-x",
    ]
    assert all(re.fullmatch(r"[a-z0-9_-]+", one.name) for one in drawn)
    assert [sorted(one.files) for one in drawn[:1]] == [
        ["calibration-x.pdf", "calibration-x.png", "calibration-x.svg"]
    ]


def test_every_format_has_the_width_of_a_column(drawn):
    """84 mm in the PDF and at 600 dots per inch in the PNG; the text of the SVG needs no face."""
    for one in drawn:
        box = PdfReader(io.BytesIO(one.pdf)).pages[0].mediabox
        assert float(box.width) / 72 * 25.4 == pytest.approx(COLUMN_MM, abs=0.1)
        assert size_of(one.png)[0] == pytest.approx(COLUMN_MM / 25.4 * 600, abs=1)
        assert one.svg.lstrip().startswith("<?xml")
        assert "<text" not in one.svg
        assert one.figure.width_mm == pytest.approx(COLUMN_MM)


def test_names_that_fall_together_are_told_apart():
    """Ids that differ only in signs no file name should hold."""
    assert file_name("calibration a/b", taken=()) == "calibration-a-b"
    assert file_name("calibration a b", taken={"calibration-a-b"}) == "calibration-a-b-2"
    assert file_name("limits ..\\x", taken=()) == "limits-x"


def test_the_three_formats_show_them(hostile, drawn):
    """Markdown links the PNG, LaTeX includes the PDF, DOCX holds the PNG with its alternative text."""
    document = journal_document(hostile.study, hostile.results, figures=[one.figure for one in drawn])
    assert sum(isinstance(block, Figure) for block in document.elements()) == len(drawn)

    markdown = to_markdown(document, {one.figure.id: f"my figures/{one.name}.png" for one in drawn})
    latex = to_latex(document, {one.figure.id: f"figures/{one.name}.pdf" for one in drawn})
    word = docx.Document(io.BytesIO(to_word(document, {one.figure.id: one.png for one in drawn})))

    assert markdown.count("](<my figures/") == len(drawn)
    assert latex.count(r"\includegraphics[width=84mm]{figures/") == len(drawn)
    assert len(word.inline_shapes) == len(drawn)
    descriptions = [shape._inline.docPr.get("descr") for shape in word.inline_shapes]
    assert descriptions == [one.figure.alternative_text for one in drawn]
    assert word.inline_shapes[0].width.mm == pytest.approx(COLUMN_MM, abs=0.01)
