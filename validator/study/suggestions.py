"""The word that somebody most likely meant who wrote another one."""

from __future__ import annotations

import difflib
import re
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Iterable

LONGEST_WORD = 100
_NUMBERED = re.compile(r"(.*\D)_?\d{1,3}")

_EVERYDAY = {
    ("level",): "concentration conc conc. amount content standard std nominal",
    ("signals", "concentrations", "found"): "replicate replicates rep repl value values reading readings",
    ("signals",): "response responses absorbance abs area height intensity counts current peak_area",
    ("found", "concentrations"): "result results measured recovered",
    ("detection_limit",): "lod mdl limit_of_detection",
    ("quantification_limit",): "loq lloq limit_of_quantification limit_of_quantitation",
    ("trueness", "recovery"): "accuracy bias",
    ("repeatability", "precision"): "precision within_run replicates repeatability",
    ("intermediate_precision",): "within_laboratory between_run between_day",
    ("robustness",): "ruggedness",
    ("selectivity", "interference"): "specificity interferents",
    ("working_range",): "range linear_range",
    ("calibration",): "standards calibration_curve curve",
    ("recovery",): "spikes spiked additions",
}
_MEANT = {word: choices for choices, words in _EVERYDAY.items() for word in words.split()}
"""What a word of everyday speech stands for, the first choice that is known where it was written."""


def nearest(word: str, known: Iterable[str]) -> str | None:
    """The known word that *word* was probably meant to be."""
    if len(word) > LONGEST_WORD:
        return None
    choices = {choice.lower(): choice for choice in known}
    found = difflib.get_close_matches(word.lower(), choices, n=1, cutoff=0.6)
    return choices[found[0]] if found else None


def meant(word: str, known: Iterable[str]) -> str | None:
    """As ``nearest``, words of everyday speech included."""
    known = list(known)
    plain = re.sub(r"[\s-]+", "_", word[: LONGEST_WORD + 1].lower().strip())
    numbered = _NUMBERED.fullmatch(plain)
    for spelling in (plain, numbered[1].rstrip("_") if numbered else plain):
        for choice in _MEANT.get(spelling, ()):
            if choice in known:
                return choice
    return nearest(word, known)


def unknown(what: str, word: str, known: Iterable[str]) -> str:
    """The sentence about an unknown *word*, with the likely one or the whole choice."""
    known = list(known)
    likely = meant(word, known)
    if likely is not None:
        return f"unknown {what}; did you mean '{likely}'?"
    return f"unknown {what}; valid here: {', '.join(known)}" if known else f"unknown {what}"
