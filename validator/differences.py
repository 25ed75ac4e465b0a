"""Two trees of JSON values side by side: what differs, and where. No files, no study."""

from __future__ import annotations

import json
import math

from msgspec import Struct

_ABSENT = object()
_LONGEST_TEXT = 90
_CONTEXT = 25
_SPACES = "\n\u00a0\u2009\u202f"


class Difference(Struct, frozen=True, kw_only=True):
    """A place where the dossier and what was recomputed disagree.

    Attributes:
        field: keys and positions on the way to it, such as ``analytes.cd.unit``, or the name of a file.
        text: what stands there and what should, as it is to be printed.
        relative: size of the difference of two numbers, relative to the larger; None for all else.
    """

    field: str
    text: str
    relative: float | None = None

    def __str__(self) -> str:
        return f"{printable(self.field)}: {self.text}"


class Comparison:
    """Walks two trees and keeps what differs; numbers may differ by *tolerance*, relative to the larger."""

    def __init__(self, tolerance: float = 0.0) -> None:
        self.tolerance = tolerance
        self.count = 0
        self.differences: list[Difference] = []

    def compare(self, stated: object, recomputed: object, field: str = "") -> None:
        """Compare what the dossier states under *field* with what was recomputed."""
        if isinstance(stated, dict) and isinstance(recomputed, dict):
            for key in dict.fromkeys((*recomputed, *stated)):
                inner = f"{field}.{key}" if field else key
                self.compare(stated.get(key, _ABSENT), recomputed.get(key, _ABSENT), inner)
        elif isinstance(stated, list) and isinstance(recomputed, list):
            for index in range(max(len(stated), len(recomputed))):
                left, right = (side[index] if index < len(side) else _ABSENT for side in (stated, recomputed))
                self.compare(left, right, f"{field}[{index}]")
        else:
            self.count += 1
            self._compare_leaves(stated, recomputed, field)

    def _compare_leaves(self, stated: object, recomputed: object, field: str) -> None:
        relative = relative_difference(stated, recomputed)
        if relative is None and type(stated) is type(recomputed) and stated == recomputed:
            return
        if relative is not None and relative <= self.tolerance:
            return
        self.differences.append(
            Difference(field=field, text=_sentence(stated, recomputed), relative=relative)
        )


def relative_difference(a: object, b: object) -> float | None:
    """Difference of two numbers relative to the larger, zero for equal ones; None where one is no number."""
    if not (isinstance(a, int | float) and isinstance(b, int | float)):
        return None
    if isinstance(a, bool) or isinstance(b, bool):
        return None
    if a == b:
        return 0.0
    try:
        scale = max(abs(float(a)), abs(float(b)))
        return abs(float(a) / scale - float(b) / scale) if math.isfinite(scale) else math.inf
    except OverflowError:  # an integer beyond every double
        return math.inf


def printable(text: str) -> str:
    """*text* without the signs that would steer a terminal."""
    return "".join(sign if sign.isprintable() or sign in _SPACES else f"\\u{ord(sign):04x}" for sign in text)


def _sentence(stated: object, recomputed: object) -> str:
    if stated is _ABSENT:
        return "recomputed, not in the dossier"
    if recomputed is _ABSENT:
        return "in the dossier, not recomputed"
    left, right = _side_by_side(_written(stated), _written(recomputed))
    return f"{left} in the dossier, {right} recomputed"


def _written(value: object) -> str:
    if isinstance(value, dict):
        return "an object"
    if isinstance(value, list):
        return "a list"
    return printable(json.dumps(value, ensure_ascii=False))


def _side_by_side(left: str, right: str) -> tuple[str, str]:
    """Both as they are; of long texts the part about the first character that differs."""
    if max(len(left), len(right)) <= _LONGEST_TEXT:
        return left, right
    pairs = enumerate(zip(left, right, strict=False))
    first = next((index for index, (a, b) in pairs if a != b), min(len(left), len(right)))
    start = max(0, first - _CONTEXT)
    return _part(left, start), _part(right, start)


def _part(text: str, start: int) -> str:
    end = start + _LONGEST_TEXT
    return ("…" if start else "") + text[start:end] + ("…" if end < len(text) else "")
