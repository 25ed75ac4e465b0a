"""Streams that cannot show every sign: a console of an older code page, or a file it is redirected to."""

from __future__ import annotations

import codecs
import io
import sys

_PLAIN = {
    "≤": "<=",
    "≥": ">=",
    "\N{MINUS SIGN}": "-",
    "\N{EN DASH}": "-",
    "…": "...",
    "±": "+/-",
    "×": "x",
    "µ": "u",
    "\N{GREEK SMALL LETTER MU}": "u",
    "\N{NO-BREAK SPACE}": " ",
    "\N{NARROW NO-BREAK SPACE}": " ",
    "\N{THIN SPACE}": " ",
}
_HANDLER = "validator-plain"


def _in_plain_signs(error: UnicodeError) -> tuple[str, int]:
    if not isinstance(error, UnicodeEncodeError):
        raise error
    return "".join(_PLAIN.get(sign, "?") for sign in error.object[error.start : error.end]), error.end


def show_what_can_be_shown() -> None:
    """Let both standard streams write plain signs for those that they cannot show, instead of failing."""
    codecs.register_error(_HANDLER, _in_plain_signs)
    for stream in (sys.stdout, sys.stderr):
        if isinstance(stream, io.TextIOWrapper):
            stream.reconfigure(errors=_HANDLER)
