"""How every figure looks, in one place: size, type, colours, marks.

Colours are from the palette of Okabe and Ito (2008, from memory), ordered so that neighbours also differ in
grey; a second feature (marker, dash, fill) always says the same thing as the colour. Text stays text, in the
shipped faces; nothing depends on the clock or on chance, so the same data give the same bytes.
"""

from __future__ import annotations

import contextlib
import io
import re
import warnings
import xml.etree.ElementTree as ET
from functools import cache
from typing import TYPE_CHECKING, Any, Literal

from msgspec import Struct

from validator.resources import templates_folder

if TYPE_CHECKING:
    from collections.abc import Iterator

    from matplotlib.axes import Axes
    from matplotlib.figure import Figure


Width = Literal["text", "column", "half"]

# the text of a page, the column of a journal, one of two figures side by side
WIDTHS_MM: dict[Width, float] = {"text": 160.0, "column": 84.0, "half": 78.0}
INK, SOFT, HAIR = "#1a1a1a", "#5a5a5a", "#c9c9c9"
BLUE, VERMILLION, GREEN = "#0072b2", "#d55e00", "#009e73"
ORANGE, SKY, PURPLE = "#e69f00", "#56b4e9", "#cc79a7"
BAND, PALE_BAND, ACCEPTED = "#9cc3dd", "#dce9f2", "#ececea"
TALLEST_MM = 225.0
LONGEST_IN_LEGEND = 60
HAIR_WIDTH, LINE_WIDTH, MARKER = 0.6, 1.2, 4.2


class SeriesLook(Struct, frozen=True):
    """Colour, marker and dash that together tell one series from the others."""

    colour: str
    marker: str
    dash: Any
    filled: bool = True


SERIES = (
    SeriesLook(BLUE, "o", "-"),
    SeriesLook(VERMILLION, "s", (0, (5, 2))),
    SeriesLook(GREEN, "^", (0, (5, 1.5, 1, 1.5))),
    SeriesLook(INK, "D", (0, (1.2, 1.6)), filled=False),
    SeriesLook(PURPLE, "v", (0, (8, 2)), filled=False),
    SeriesLook(ORANGE, "X", "-", filled=False),
)

_RC: dict[Any, Any] = {
    "font.family": ["Dossier Figure", "Dossier Signs"],
    "font.size": 8.0,
    "text.parse_math": False,  # a dollar sign in a name of the study is a dollar sign
    "text.color": INK,
    "axes.titlesize": 8.5,
    "axes.titleweight": 600,
    "axes.titlelocation": "left",
    "axes.labelsize": 8.0,
    "axes.labelcolor": INK,
    "axes.edgecolor": INK,
    "axes.linewidth": HAIR_WIDTH,
    "axes.spines.top": False,
    "axes.spines.right": False,
    "axes.axisbelow": True,
    "axes.unicode_minus": True,
    "axes.formatter.use_mathtext": False,
    "axes.formatter.limits": (-4, 6),
    "xtick.labelsize": 7.5,
    "ytick.labelsize": 7.5,
    "xtick.color": INK,
    "ytick.color": INK,
    "xtick.major.width": HAIR_WIDTH,
    "ytick.major.width": HAIR_WIDTH,
    "xtick.minor.width": 0.4,
    "ytick.minor.width": 0.4,
    "xtick.major.size": 3.0,
    "ytick.major.size": 3.0,
    "xtick.minor.size": 1.8,
    "ytick.minor.size": 1.8,
    "legend.fontsize": 7.5,
    "legend.frameon": False,
    "legend.handlelength": 2.0,
    "legend.borderaxespad": 0.2,
    "legend.columnspacing": 1.4,
    "lines.linewidth": LINE_WIDTH,
    "lines.markersize": MARKER,
    "hatch.linewidth": 0.5,
    "svg.fonttype": "none",
    "svg.hashsalt": "dossier",
    "pdf.fonttype": 42,
    "savefig.transparent": False,
    "figure.facecolor": "white",
    "path.simplify": True,
}


_SVG: dict[str, Any] = {"format": "svg", "metadata": {"Date": None, "Creator": None}}

# how the recurring things are drawn, as keywords of Axes.plot
POINT: dict[str, Any] = {
    "linestyle": "none",
    "marker": "o",
    "color": BLUE,
    "markeredgecolor": "white",
    "markeredgewidth": 0.5,
    "markersize": MARKER + 0.6,
    "zorder": 4,
}
SINGLE: dict[str, Any] = {
    "linestyle": "none",
    "marker": "o",
    "markerfacecolor": "none",
    "markeredgecolor": BLUE,
    "markeredgewidth": 0.8,
    "markersize": 3.8,
    "zorder": 3,
}
MEAN: dict[str, Any] = {"linestyle": "none", "marker": "D", "color": INK, "markersize": 4.6, "zorder": 4}
SERIES_MEAN: dict[str, Any] = {
    "linestyle": "none",
    "marker": "_",
    "color": INK,
    "markersize": 8.0,
    "markeredgewidth": 1.5,
    "zorder": 4,
}
LIMIT: dict[str, Any] = {"color": VERMILLION, "linewidth": 1.1, "linestyle": (0, (5, 3)), "zorder": 2}
RANGE: dict[str, Any] = {
    "color": INK,
    "linewidth": 2.2,
    "marker": "|",
    "markersize": 8.0,
    "markeredgewidth": 1.0,
    "solid_capstyle": "butt",
    "zorder": 5,
}


@contextlib.contextmanager
def style() -> Iterator[None]:
    """Within this, matplotlib draws and writes in the style of the dossier, and afterwards as before."""
    import matplotlib as mpl

    _register_faces()
    with mpl.rc_context(_RC), warnings.catch_warnings():
        # a sign that no shipped face has stays text in the SVG; the reader's machine may know it
        warnings.filterwarnings("ignore", message="Glyph .* missing from font")
        yield


def new_figure(width: Width, height_mm: float) -> Figure:
    """An empty figure of the given width; to be called within :func:`style`."""
    from matplotlib.figure import Figure
    from matplotlib.layout_engine import ConstrainedLayoutEngine

    layout = ConstrainedLayoutEngine(w_pad=0.03, h_pad=0.03)
    return Figure(figsize=(WIDTHS_MM[width] / 25.4, height_mm / 25.4), layout=layout)


def shortened(text: str, longest: int) -> str:
    """*text*, or its beginning where a figure has no room for all of it."""
    return text if len(text) <= longest else f"{text[: longest - 1]}…"


def legend_above(figure: Figure, axes: Axes, columns: int | None = None) -> None:
    """One legend over the axes, where it can cover no datum; as many *columns* as the width carries."""
    if columns is None:
        columns = 4 if figure.get_figwidth() * 25.4 > WIDTHS_MM["column"] + 1 else 2
    handles, labels = axes.get_legend_handles_labels()
    labels = [shortened(label, LONGEST_IN_LEGEND) for label in labels]
    if handles:
        figure.legend(handles, labels, loc="outside upper left", ncols=min(columns, len(handles)))


def to_svg(figure: Figure) -> str:
    """*figure* as SVG with its text as text."""
    return tidy(_written(figure, _SVG, {}).decode("utf-8"))


def to_outlined_svg(figure: Figure) -> str:
    """*figure* as SVG with its text as outlines, for programs that do not have the shipped faces."""
    return _written(figure, _SVG, {"svg.fonttype": "path"}).decode("utf-8")


def to_png(figure: Figure, dpi: int = 600) -> bytes:
    """*figure* as PNG."""
    return _written(figure, {"format": "png", "dpi": dpi, "metadata": {"Software": None}}, {})


def to_pdf(figure: Figure) -> bytes:
    """*figure* as a PDF page of its own size."""
    metadata = {"CreationDate": None, "Creator": None, "Producer": None}
    return _written(figure, {"format": "pdf", "metadata": metadata}, {})


def _written(figure: Figure, options: dict[str, Any], settings: dict[Any, Any]) -> bytes:
    import matplotlib as mpl

    buffer = io.BytesIO()
    with style(), mpl.rc_context(settings):
        _fix_layout(figure)
        figure.savefig(buffer, **options)
    return buffer.getvalue()


def _fix_layout(figure: Figure) -> None:
    """Lay out once: a second run would move everything by some 1e-16 and so change the bytes."""
    engine = figure.get_layout_engine()
    if engine is not None:
        engine.execute(figure)  # a drawing to nowhere would do the same, and draw everything besides
        # no engine at all, not the one called "none": that one would cost another drawing before writing
        figure.set_layout_engine(None)


@cache
def _register_faces() -> None:
    from matplotlib import font_manager

    for face in sorted((templates_folder() / "fonts" / "drawing").glob("*.ttf")):
        font_manager.fontManager.addfont(face)


_NAMESPACE, _XLINK = "http://www.w3.org/2000/svg", "http://www.w3.org/1999/xlink"
_HREF = f"{{{_XLINK}}}href"
_NOT_IN_XML = re.compile("[\x00-\x08\x0b\x0c\x0e-\x1f\ud800-\udfff\ufffe\uffff]")
_KEPT_OF_GROUPS = ("clip-path", "transform", "style", "opacity")
_DECIMALS = 2
_NUMBER = re.compile(r"-?\d+\.\d+(?:e-?\d+)?")
_TOKEN = re.compile(r"[A-Za-z]|-?[\d.]+(?:e-?\d+)?")
_NO_TURN = re.compile(r"rotate\(-?0(?:\.0+)? [^)]*\)\s*")
_PLACES = ("d", "x", "y", "width", "height", "transform", "points")
_TRANSLATABLE = frozenset("MLCQTSz")
_ALONE = ("opacity", "clip-path", "url(")  # laid over each other they look otherwise than as one


def tidy(svg: str) -> str:
    """*svg* with the same picture in fewer and simpler elements."""
    root = ET.fromstring(_NOT_IN_XML.sub("\ufffd", svg))
    marks = {one.get("id", ""): one for one in root.iter(f"{{{_NAMESPACE}}}path") if one.get("id")}
    general = " ".join(one.text or "" for one in root.iter(f"{{{_NAMESPACE}}}style"))
    defined = [one for one in root.iter() if _name(one) in ("clipPath", "pattern", "linearGradient")]
    whole = ET.Element(
        f"{{{_NAMESPACE}}}svg", {key: root.get(key, "") for key in ("width", "height", "viewBox")}
    )
    look = re.search(r"\*\s*\{([^}]*)\}", general)
    drawn = ET.SubElement(whole, f"{{{_NAMESPACE}}}g", {"style": look[1].strip()} if look else {})
    if defined:
        ET.SubElement(drawn, f"{{{_NAMESPACE}}}defs").extend(defined)
    drawn.extend(_joined(_flat(root, marks)))
    for element in drawn.iter():
        _shorten(element)
    ET.register_namespace("", _NAMESPACE)
    ET.register_namespace("xlink", _XLINK)
    return ET.tostring(whole, encoding="unicode")


def _name(element: ET.Element) -> str:
    return element.tag.rpartition("}")[2]


def _flat(parent: ET.Element, marks: dict[str, ET.Element]) -> Iterator[ET.Element]:
    """What is drawn within *parent*, out of groups that change nothing."""
    for child in parent:
        match _name(child):
            case "metadata" | "defs" | "style" | "title":
                continue
            case "g":
                kept = {key: value for key in _KEPT_OF_GROUPS if (value := child.get(key))}
                if not kept:
                    yield from _flat(child, marks)
                    continue
                group = ET.Element(child.tag, kept)
                group.extend(_joined(_flat(child, marks)))
                yield group
            case "use":
                yield _mark(child, marks)
            case _:
                child.attrib.pop("id", None)
                child.tail = None
                yield child


def _mark(use: ET.Element, marks: dict[str, ET.Element]) -> ET.Element:
    """The mark that *use* refers to, at its place."""
    mark = marks.get(use.get(_HREF, "").lstrip("#"))
    moved = None if mark is None else _moved(mark.get("d", ""), use.get("x", "0"), use.get("y", "0"))
    if mark is None or moved is None or mark.get("transform") or use.get("transform"):
        raise ValueError("a figure holds a reference that cannot be resolved")
    # what the mark says of its look holds before what the reference says
    styles = (one.get("style", "").strip().rstrip(";") for one in (use, mark))
    found = {"d": moved, "style": "; ".join(filter(None, dict.fromkeys(styles)))}
    if clip := use.get("clip-path"):
        found["clip-path"] = clip
    return ET.Element(f"{{{_NAMESPACE}}}path", found)


def _moved(d: str, x: str, y: str) -> str | None:
    """Path data moved by (x, y); None where a command is not one that moves that way."""
    shift, at_x, found = (float(x), float(y)), True, []
    for token in _TOKEN.findall(d):
        if token.isalpha():
            if token not in _TRANSLATABLE:
                return None
            found.append(token)
            at_x = True
            continue
        found.append(f"{float(token) + shift[not at_x]:.6f}")
        at_x = not at_x
    return " ".join(found)


def _joined(elements: Iterator[ET.Element]) -> list[ET.Element]:
    """Neighbouring paths of the same look as one path."""
    found: list[ET.Element] = []
    for element in elements:
        before = found[-1] if found else None
        if before is not None and _may_join(before, element):
            before.set("d", f"{before.get('d', '')} {element.get('d', '')}")
        else:
            found.append(element)
    return found


def _may_join(one: ET.Element, other: ET.Element) -> bool:
    if _name(one) != "path" or _name(other) != "path" or set(one.keys()) != set(other.keys()):
        return False
    same = all(one.get(key) == other.get(key) for key in one.attrib if key != "d")
    return same and "transform" not in one.attrib and not any(sign in one.get("style", "") for sign in _ALONE)


def _shorten(element: ET.Element) -> None:
    for key in _PLACES:
        value = element.get(key)
        if value is None:
            continue
        text = _NO_TURN.sub("", " ".join(value.split())) if key == "transform" else " ".join(value.split())
        text = _NUMBER.sub(lambda found: _short(found[0]), text)
        if text:
            element.set(key, text)
        else:
            del element.attrib[key]
    if _name(element) != "text" and _name(element) != "tspan":
        element.text = None
    element.tail = None


def _short(number: str) -> str:
    text = f"{float(number):.{_DECIMALS}f}".rstrip("0").rstrip(".")
    return "0" if text == "-0" else text
