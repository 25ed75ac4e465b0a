"""Width of text in the figure face, in units of the type size (em), without a renderer."""

from __future__ import annotations

import json
import re
from functools import cache

from validator.resources import templates_folder

_LONG_TOKEN = 18
_OTHER_CHARACTER = 560
JOINER = "\N{WORD JOINER}"
UNIT_TO_STROKE = r"[^\W\d_]{1,4}(?:·[^\W\d_]{1,4})?/"
"""The beginning of a unit such as ``µg/L`` or ``µA·L/µg``."""
_STROKE = re.compile(rf"(?<![\w/.:]){UNIT_TO_STROKE}(?=[^\W\d_]{{1,4}}(?![\w/])|\()")
_BREAKS = re.compile(
    r"[ \n\u200b]|(?<=[-/])(?=[^\W\d])"
)  # after a hyphen a letter may begin a line, a digit not


def text_width(text: str) -> float:
    """Width of *text* on one line, in em."""
    widths = _advance_widths()
    return sum(widths.get(character, _OTHER_CHARACTER) for character in text) / 1000


def with_whole_units(text: str) -> str:
    """*text* whose units with a stroke are joined there: ``µg/L`` would otherwise end a line as ``µg/``."""
    return _STROKE.sub(f"\\g<0>{JOINER}", text)


def longest_word(text: str) -> float:
    """Width of the longest part of *text* that no line break may divide, in em."""
    words = [word.replace(JOINER, "") for word in _BREAKS.split(with_whole_units(text))]
    return max((text_width(word) for word in words if not is_long(word)), default=0.0)


def is_long(token: str) -> bool:
    """True for a word so long that it must be allowed to break anywhere."""
    return len(token) > _LONG_TOKEN


@cache
def _advance_widths() -> dict[str, int]:
    place = templates_folder() / "fonts" / "advance_widths.json"
    widths: dict[str, int] = json.loads(place.read_text(encoding="utf-8"))
    return widths
