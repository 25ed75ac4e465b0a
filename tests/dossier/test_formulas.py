"""Formulas become pictures of a known size, the same every time."""

from __future__ import annotations

import base64
from xml.etree import ElementTree as ET

import pytest

from validator.dossier.html import formula_picture, formula_svg

LATEX = r"s_{x_0} = \frac{s_{y/x}}{b}\sqrt{\frac{1}{m} + \frac{1}{n} + \frac{(y_0-\bar y)^2}{b^2 S_{xx}}}"


def test_a_formula_is_a_drawing_with_its_size():
    """The picture is well-formed SVG without text, references or scripts, and its size is in em."""
    picture = formula_picture(LATEX)
    drawing = ET.fromstring(base64.b64decode(picture.uri.partition(",")[2]))

    assert {element.tag.rpartition("}")[2] for element in drawing.iter()} <= {"svg", "path", "rect", "g"}
    assert picture.width_em == pytest.approx(float(drawing.get("width")) / 14, abs=0.001)
    assert 1.5 < picture.height_em < 4 < picture.width_em < 20


def test_a_formula_is_the_same_every_time():
    """Drawing afresh gives the same bytes."""
    first = formula_svg(LATEX)
    formula_svg.cache_clear()

    assert formula_svg(LATEX) == first


@pytest.mark.parametrize("latex", [r"\frac{1", r"\left( x", r"x^{"])
def test_a_formula_that_cannot_be_read_says_so(latex):
    """An unbalanced formula is an error that shows it, never an empty picture."""
    with pytest.raises(ValueError, match="cannot be read"):
        formula_svg(latex)
