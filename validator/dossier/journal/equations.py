"""Formulas for a word processor: LaTeX to MathML by a library, MathML to Office Math here."""

from __future__ import annotations

import xml.etree.ElementTree as ET
from typing import TYPE_CHECKING

from validator.errors import EnvironmentProblem

if TYPE_CHECKING:
    from collections.abc import Callable

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
