"""When two spellings mean the same unit."""

from __future__ import annotations

import re
import unicodedata

_MICRO = re.compile(r"\bu(?=[gmlLMA]|mol)")
_LITRE = re.compile(r"(?<=/)([munpμ]?)l\b")


def same_unit(one: str, other: str) -> bool:
    """True when the units differ in blanks, in the micro sign or in the letter of the litre at most."""
    return _normal(one) == _normal(other)


def _normal(unit: str) -> str:
    text = "".join(unicodedata.normalize("NFKC", unit).split())
    return _LITRE.sub(r"\1L", _MICRO.sub("μ", text))
