"""Display formulas: LaTeX to a picture, because the PDF engine lays out no MathML."""

from __future__ import annotations

import base64
import warnings
from functools import lru_cache

from msgspec import Struct

_PIXELS_PER_EM = 14.0


class FormulaPicture(Struct, frozen=True):
    """A formula as a drawing; sizes are in units of the surrounding type size (em)."""

    uri: str
    width_em: float
    height_em: float


@lru_cache(maxsize=512)
def formula_svg(latex: str) -> str:
    """*latex* (without delimiters) as an SVG drawing, the same text for the same input.

    Raises:
        ValueError: the formula cannot be read.
    """
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", DeprecationWarning)  # it opens its font file in a way of old
        from ziamath.config import config
        from ziamath.zmath import Latex

    config.svg2 = False  # symbols by reference are an SVG 2 habit that not every tool has
    try:
        drawing: str = Latex(latex, size=_PIXELS_PER_EM).svg()
    except Exception as error:  # the parser raises whatever its last step met
        raise ValueError(f"the formula cannot be read: {latex!r}") from error
    return drawing


@lru_cache(maxsize=512)
def formula_picture(latex: str) -> FormulaPicture:
    """*latex* as a data-URI with its size."""
    svg = formula_svg(latex)
    width, height = (float(svg.split(f'{side}="', 1)[1].split('"', 1)[0]) for side in ("width", "height"))
    uri = "data:image/svg+xml;base64," + base64.b64encode(svg.encode("utf-8")).decode("ascii")
    return FormulaPicture(uri, round(width / _PIXELS_PER_EM, 3), round(height / _PIXELS_PER_EM, 3))
