"""What somebody most likely meant who wrote a text where a number or a date is expected."""

from __future__ import annotations

import datetime as dt
import math
import re
from typing import Literal

Cause = Literal["", "comma", "point", "thousands", "date"]
"""Kinds of texts that read otherwise in a table than in the study file."""

DECIMAL_COMMA = re.compile(r"[-+]?\d+,\d+(?:[eE][-+]?\d+)?")
LESS_THAN = re.compile(r"<\s*(\d+(?:\.\d*)?(?:[eE][-+]?\d+)?)")
_THOUSANDS_COMMA = re.compile(r"[-+]?[1-9]\d{0,2},\d{3}")
_THOUSANDS = re.compile(
    r"(?P<first>[-+]?[1-9]\d{0,2})(?P<sign>[ '’_.,\xa0\u2009\u202f])"
    r"(?P<groups>\d{3}(?:(?P=sign)\d{3})*)(?P<rest>[.,]\d+)?"
)
_NUMBER_AND_UNIT = re.compile(
    r"([-+]?\d+(?:\.\d*)?(?:[eE][-+]?\d+)?)(?:\s+[^\d\s].*|[^\W\d_]+(?:/[^\W\d_]+)?|[%‰])"
)
_LESS_THAN_COMMA = re.compile(r"<\s*(\d+),(\d+)")
_NO_VALUE = re.compile(
    r"#?n/a|n\.?a\.?|nan|none|null|missing|-+|–|—|\?+|n\.?d\.?|n/d|not(detected|measured)|failed|overflow|invalid"
)
_BELOW = re.compile(r"lod|loq|bdl|bql|blq|<[a-z]+")
_OF_ALL = re.compile(
    r"(mean|average|avg|median|sd|s|stdev|std|std\.dev\.|%?rsd%?|cv%?|min|max|sum|total|n)[:=]?"
)
_DATE = re.compile(r"(\d{4}-\d\d-\d\d)(?:[T ].*)?")
_DAY_FIRST = re.compile(r"(\d{1,2})\.(\d{1,2})\.(\d{4})")
_SLASHES = re.compile(r"(\d{1,2})/(\d{1,2})/(\d{4})")
_MONTHS = 12
_ODD_BLANK = re.compile(r"[^\S \t\r\n]")


def is_plain_number(text: str) -> bool:
    """True when the *text* is a number that was only written as a text."""
    try:
        return math.isfinite(float(text)) and text.isascii() and "_" not in text
    except ValueError:
        return False


def instead_of(text: str) -> tuple[str, Cause]:
    """What to write instead of *text*, as the end of a sentence that says that a number is expected."""
    bare = text.strip()
    if _ODD_BLANK.search(text) and is_plain_number(bare):
        return "; delete the non-standard space character next to it", ""
    if DECIMAL_COMMA.fullmatch(bare):
        thousands = bare.replace(",", "") if _THOUSANDS_COMMA.fullmatch(bare) else ""
        otherwise = f" ({thousands} if the comma separates thousands)" if thousands else ""
        return f"; write it with a decimal point: {bare.replace(',', '.')}{otherwise}", "comma"
    if number := _without_thousands(bare):
        return f"; omit the thousands separator: {number}", "thousands"
    return _of_signs_and_words(bare), "date" if _DATE.fullmatch(bare) else ""


def _without_thousands(text: str) -> str:
    found = _THOUSANDS.fullmatch(text)
    if found is None or (found["rest"] or "").startswith(found["sign"]):
        return ""
    digits = found["first"] + found["groups"].replace(found["sign"], "")
    return digits + (found["rest"] or "").replace(",", ".")


def _of_signs_and_words(text: str) -> str:
    word = "".join(text.lower().split())
    if "\N{MINUS SIGN}" in text or ("\N{EN DASH}" in text and len(text) > 1):
        return "; write a plain hyphen as the minus sign"
    if LESS_THAN.fullmatch(text):
        return (
            "; values reported as less than a limit are accepted only in blanks, low_level, "
            "stability and comparison"
        )
    if comma := _LESS_THAN_COMMA.fullmatch(text):
        return f"; write it with a decimal point: <{comma[1]}.{comma[2]}"
    if _BELOW.fullmatch(word):
        return (
            '; write the limit itself ("<0.5") in blanks, low_level, stability and comparison, '
            "elsewhere omit the reading"
        )
    if _NO_VALUE.fullmatch(word):
        return "; omit the reading and state the reason in a note"
    if _OF_ALL.fullmatch(word):
        return "; omit values calculated from the readings"
    if found := _NUMBER_AND_UNIT.fullmatch(text):
        return f"; write the number only ({found[1]}); the unit is declared in method.analytes"
    return ""


def date_instead_of(text: str) -> str:
    """How the date that *text* most likely means is written, as the end of a sentence; empty if unsure."""
    bare = text.strip()
    if found := _DATE.fullmatch(bare):
        parts = tuple(found[1].split("-"))
    elif found := _DAY_FIRST.fullmatch(bare):
        parts = found.group(3, 2, 1)
    elif found := _SLASHES.fullmatch(bare):
        # 3/4/2026 is another day on each side of the ocean
        parts = found.group(3, 1, 2) if int(found[2]) > _MONTHS >= int(found[1]) else found.group(3, 2, 1)
        if int(found[1]) <= _MONTHS and int(found[2]) <= _MONTHS:
            return ""
    else:
        return ""
    try:
        return f"; write {dt.date(*map(int, parts)).isoformat()}"
    except ValueError:
        return ""
