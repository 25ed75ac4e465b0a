"""The words that templates and figures print around the content, from the catalogue of one language."""

from __future__ import annotations

from functools import cache
from typing import Any

from validator.resources import templates_folder
from validator.yaml_loader import load


def sentence(words: str) -> str:
    """*words* with a capital at the start, the rest as it is (RSD stays RSD)."""
    return words[:1].upper() + words[1:]


@cache
def words_for(language: str, part: str) -> dict[str, Any]:
    """The catalogue ``language/<language>/<part>.yaml`` of the templates' folder ("frame", "figures").

    Raises:
        ValueError: there is no such catalogue for *language*.
    """
    folder = templates_folder() / "language"
    known = sorted(place.name for place in folder.iterdir() if (place / f"{part}.yaml").is_file())
    if language not in known:
        raise ValueError(f"no wording in the language {language!r}; there is {', '.join(known)}")
    words: dict[str, Any] = load((folder / language / f"{part}.yaml").read_text(encoding="utf-8"))
    return words
