"""Document model to HTML, for the PDF engine ("print") or as one self-contained web page ("web").

Templates live in ``report_templates``; they place what they are given and compute nothing. Every string is
escaped by them; this module hands over no HTML, only text and pictures as data-URIs.
"""

from __future__ import annotations

import base64
import mimetypes
import re
import warnings
from functools import cache, lru_cache
from typing import TYPE_CHECKING, Literal

from markupsafe import Markup
from msgspec import Struct

from validator.dossier import document as model
from validator.dossier.document import number
from validator.dossier.inline import pieces, plain
from validator.dossier.laboratory import ACCENT
from validator.dossier.table_layout import UNIT_TO_STROKE, is_long, lay_out
from validator.dossier.wording import words_for
from validator.resources import templates_folder

if TYPE_CHECKING:
    from collections.abc import Sequence

    from jinja2.sandbox import SandboxedEnvironment

    from validator.dossier.document import Block, ContentsEntry, Document, Section
    from validator.dossier.inline import Inline
    from validator.dossier.laboratory import Laboratory


Medium = Literal["print", "web"]
Paper = Literal["a4", "letter"]

_STYLES: dict[Medium, tuple[str, ...]] = {
    "print": ("fonts.css", "dossier.css", "print.css"),
    "web": ("fonts-screen.css", "dossier.css", "screen.css"),
}
# one template per kind of block; a block kind without an entry is an error, not a gap on the page
_TEMPLATES: dict[type, str] = {
    model.Paragraph: "paragraph",
    model.BulletList: "bullet_list",
    model.DefinitionList: "definition_list",
    model.KeyFacts: "key_facts",
    model.Table: "table",
    model.Figure: "figure",
    model.FigurePair: "figure_pair",
    model.Formula: "formula",
    model.Verdict: "verdict",
    model.Findings: "findings",
    model.CaveatBlock: "caveat",
    model.NotAssessedList: "not_assessed",
    model.SafetyNotice: "safety",
    model.Signatures: "signatures",
    model.PageBreak: "page_break",
    model.Section: "section",
}
LONG_CONTENTS = 36
"""Lines of contents beyond which they stand in two columns."""
MOST_BESIDE = 100
_BEFORE_NUMBER_OR_UNIT = re.compile(
    rf"([<>≤≥≈=]) (?=[\d−])|(?<=\d)() (?=[%‰°]|{UNIT_TO_STROKE}(?:\(|[^\W\d_]))"
)
_SURROGATES = re.compile("[\ud800-\udfff\x00-\x08\x0b\x0c\x0e-\x1f]")


def render_html(
    document: Document,
    medium: Medium = "print",
    *,
    paper: Paper = "a4",
    laboratory: Laboratory | None = None,
) -> str:
    """The whole *document* as an HTML page.

    ``print`` refers to the shipped fonts and marks by paths relative to the templates' folder; ``web`` holds
    everything it needs and asks no server for anything. *laboratory* adds a laboratory's own look.

    Raises:
        ValueError: a reference points nowhere, or the document's language has no catalogue.
    """
    words = words_for(document.language, "frame")
    numbering = number(document, words)
    return (
        _environment()
        .get_template("dossier.html.j2")
        .render(
            document=document,
            numbering=numbering,
            words=words,
            medium=medium,
            styles=_in_colour(_styles(medium, paper), laboratory),
            laboratory=laboratory,
        )
    )


def _in_colour(styles: Markup, laboratory: Laboratory | None) -> Markup:
    """The style sheet in the laboratory's accent colour."""
    return styles if laboratory is None else Markup(str(styles).replace(ACCENT, laboratory.accent))


@cache
def _environment() -> SandboxedEnvironment:
    from jinja2 import FileSystemLoader, StrictUndefined
    from jinja2.sandbox import SandboxedEnvironment

    environment = SandboxedEnvironment(
        loader=FileSystemLoader(templates_folder()),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    environment.filters.update(
        template_of=_template_of,
        kind=_kind,
        pieces=pieces,
        plain=plain,
        runs=_runs,
        bound=_bound,
        lay_out=lay_out,
        picture=_picture,
        formula_picture=formula_picture,
        slug=_slug,
        in_columns=_in_columns,
    )
    return environment


def _template_of(block: Block | Section) -> str:
    return f"blocks/{_TEMPLATES[type(block)]}.html.j2"


def _kind(piece: Inline) -> str:
    return type(piece).__name__


def _slug(words: str) -> str:
    return words.replace(" ", "-")


def _in_columns(entries: Sequence[ContentsEntry], medium: Medium) -> list[list[Sequence[ContentsEntry]]]:
    """The contents as lists that stand beside each other: two on paper where they are long.

    Split here, because the PDF engine balances columns by setting them over and over.
    """
    if medium == "web" or len(entries) <= LONG_CONTENTS:
        return [[entries]]
    found: list[list[Sequence[ContentsEntry]]] = []
    for start in range(0, len(entries), MOST_BESIDE):
        part = entries[start : start + MOST_BESIDE]
        middle = min((len(part) + 1) // 2 + 1, len(part) - 1)  # headings take more room than what follows
        while middle > 1 and part[middle].level > 1 and part[middle - 1].level == 1:
            middle -= 1
        found.append([part[:middle], part[middle:]])
    return found


def _bound(label: str) -> str:
    """A label that stays on one line: its number does not begin the next."""
    return label.replace(" ", "\u00a0")


def _runs(text: str) -> list[tuple[str, bool]]:
    """*text* in runs; the flag marks a word that may break anywhere, because no line could hold it."""
    parts = re.split(r"(\s+)", _typeset(text))
    if not any(is_long(part) for part in parts):
        return [("".join(parts), False)]
    return [(part, is_long(part) and not part.isspace()) for part in parts if part]


def _typeset(text: str) -> str:
    """No line breaks inside ``a ± b``, ``a × 10ⁿ``, ``3 µg/L``; what no page can show becomes U+FFFD."""
    bound = text.replace(" ± ", "\u00a0±\u00a0").replace(" × 10", "\u00a0×\u00a010")
    bound = _BEFORE_NUMBER_OR_UNIT.sub("\\1\u00a0", bound)
    return _SURROGATES.sub("\ufffd", bound)


def _picture(svg: str, medium: Medium) -> str:
    text = _with_own_face(svg) if medium == "web" else svg
    return _data_uri(text.encode("utf-8"), "image/svg+xml")


def _with_own_face(svg: str) -> str:
    """*svg* carrying the faces it names: inside an ``<img>`` a browser lends it none of the page's."""
    faces = "".join(
        f'@font-face{{font-family:"Dossier Figure";font-weight:{weight};src:url({uri}) format("woff2")}}'
        for weight, uri in _screen_faces()
        if weight == 400 or f"font-weight: {weight}" in svg
    )
    opening = re.search(r"<svg\b[^>]*>", svg)
    if opening is None:
        return svg
    return f"{svg[: opening.end()]}<style>{faces}</style>{svg[opening.end() :]}"


@cache
def _screen_faces() -> tuple[tuple[int, str], ...]:
    folder = templates_folder() / "fonts" / "screen"
    names = ((400, "DossierFigure-Regular.woff2"), (600, "DossierFigure-Semibold.woff2"))
    return tuple((weight, _data_uri((folder / name).read_bytes(), "font/woff2")) for weight, name in names)


@cache
def _styles(medium: Medium, paper: Paper) -> Markup:
    folder = templates_folder()
    names = [*_STYLES[medium], f"paper-{paper}.css"]
    sheet = "\n".join((folder / "styles" / name).read_text(encoding="utf-8") for name in names)
    if medium == "web":
        sheet = re.sub(r"url\(([\w./-]+)\)", lambda found: f"url({_shipped_uri(found[1])})", sheet)
    return Markup(sheet)


def _shipped_uri(name: str) -> str:
    kind = mimetypes.guess_type(name)[0] or "font/woff2"
    return _data_uri((templates_folder() / name).read_bytes(), kind)


def _data_uri(content: bytes, mime_type: str) -> str:
    return f"data:{mime_type};base64,{base64.b64encode(content).decode('ascii')}"


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
