"""Single values as they stand in a file: what was written and what it means.

The resolution is that of YAML 1.2: ``1e-3`` is a number, ``12:30:45``, ``0o17`` and ``2026-03-25`` are text.
``yes``, ``no``, ``on`` and ``off`` are still read as truth values, because other YAML readers do so
and an analyte called ``no`` must not depend on who reads the file.
"""

from __future__ import annotations

import re

from msgspec import Struct

_NUMBER = re.compile(r"[-+]?(?:\.\d+|\d+(?:\.\d*)?)(?:[eE][-+]?\d+)?", re.ASCII)
_NOT_FINITE = re.compile(r"[-+]?\.(?:inf|Inf|INF)|\.(?:nan|NaN|NAN)")
_NOTHING = frozenset({"", "~", "null", "Null", "NULL"})
_TRUE = frozenset({"true", "True", "TRUE", "yes", "Yes", "YES", "on", "On", "ON"})
_FALSE = frozenset({"false", "False", "FALSE", "no", "No", "NO", "off", "Off", "OFF"})


class Scalar(Struct, frozen=True):
    """A number or a truth value, with the text that was written for it."""

    text: str
    value: float | bool


def resolve(text: str) -> Scalar | str | None:
    """What the unquoted *text* means: a number, a truth value, nothing, or just text."""
    if text in _NOTHING:
        return None
    if _NUMBER.fullmatch(text):
        return Scalar(text, float(text))
    if text in _TRUE:
        return Scalar(text, True)
    if text in _FALSE:
        return Scalar(text, False)
    if _NOT_FINITE.fullmatch(text):
        return Scalar(text, float(text.replace(".", "")))
    return text


def resolve_cell(text: str, decimal: str) -> Scalar | str | None:
    """What the *text* of a table cell means; there are no truth values in tables."""
    if not text:
        return None
    if decimal == "," and "." in text:
        return text  # might be a separator of thousands
    point = text.replace(",", ".") if decimal == "," else text
    if _NUMBER.fullmatch(point):
        return Scalar(text, float(point))
    return point if point.startswith("<") else text
