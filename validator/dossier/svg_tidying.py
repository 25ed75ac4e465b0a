"""Figures as the drawing library writes them, without what nobody sees.

It wraps every stroke in groups, refers to a mark for every point and gives six decimals: the PDF engine pays
for each. Here groups without effect go, references become what they refer to, neighbours of one look become
one path, and places keep a hundredth of a point. What is drawn stays the same.
"""

from __future__ import annotations

import re
import xml.etree.ElementTree as ET
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Iterator

_SVG, _XLINK = "http://www.w3.org/2000/svg", "http://www.w3.org/1999/xlink"
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
    marks = {one.get("id", ""): one for one in root.iter(f"{{{_SVG}}}path") if one.get("id")}
    general = " ".join(one.text or "" for one in root.iter(f"{{{_SVG}}}style"))
    defined = [one for one in root.iter() if _name(one) in ("clipPath", "pattern", "linearGradient")]
    whole = ET.Element(f"{{{_SVG}}}svg", {key: root.get(key, "") for key in ("width", "height", "viewBox")})
    look = re.search(r"\*\s*\{([^}]*)\}", general)
    drawn = ET.SubElement(whole, f"{{{_SVG}}}g", {"style": look[1].strip()} if look else {})
    if defined:
        ET.SubElement(drawn, f"{{{_SVG}}}defs").extend(defined)
    drawn.extend(_joined(_flat(root, marks)))
    for element in drawn.iter():
        _shorten(element)
    ET.register_namespace("", _SVG)
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
    return ET.Element(f"{{{_SVG}}}path", found)


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
