"""Whether two names of a matrix speak of different things."""

from __future__ import annotations

import re

_UNTELLING = frozenset(
    {
        "and", "for", "from", "the", "with", "without",
        "analyte", "artificial", "blank", "certified", "filtered", "free", "material", "matrix", "reference",
        "sample", "samples", "solution", "spiked", "standard", "synthetic", "treated",
    }
)  # fmt: skip
"""Words that say nothing of what a material is."""

_CLEAN = frozenset(
    {
        "buffer", "deionised", "deionized", "demineralised", "distilled", "eluent", "electrolyte", "pure",
        "purified", "solvent", "ultrapure",
    }
)  # fmt: skip
"""Words of a clean solution, which no sample is."""


def unlike(one: str | None, other: str | None) -> bool:
    """True when the two have no telling word in common, or only one of them is a clean solution.

    Names are free text, so the doubt is raised only where nothing speaks for likeness: ``river water`` and
    ``canal water`` may be alike, ``seawater`` and ``sediment`` are not.
    """
    first, second = _words(one), _words(other)
    if not first or not second:
        return False
    return bool(first & _CLEAN) != bool(second & _CLEAN) or not first & second


def _words(text: str | None) -> frozenset[str]:
    return frozenset(re.findall(r"[^\W\d_]{3,}", (text or "").casefold())) - _UNTELLING
