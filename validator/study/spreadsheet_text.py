"""Texts in tables that a spreadsheet program would take for formulas: written with a guard, read without."""

from __future__ import annotations

import re

_STEERING = ("=", "+", "-", "@", "\t", "\r", "\n")
"""A text that begins so is computed, or hides what is computed, when a text file is opened."""
_GUARD = "'"
_NUMBER = re.compile(r"[-+]?(?:\d+(?:[.,]\d*)?|[.,]\d+)(?:[eE][-+]?\d+)?")


def guarded(text: str) -> str:
    """*text* so that no spreadsheet program computes it; numbers stay as they are."""
    return _GUARD + text if _is_steering(text) else text


def unguarded(cell: str) -> str:
    """What ``guarded`` was given; any other text as it is."""
    bare = cell[len(_GUARD) :]
    return bare if cell.startswith(_GUARD) and _is_steering(bare) else cell


def _is_steering(text: str) -> bool:
    # a text that begins with the guard itself, before such a sign, is guarded too: reading takes one away
    return text.lstrip(_GUARD).startswith(_STEERING) and not _NUMBER.fullmatch(text)
