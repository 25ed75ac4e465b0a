"""The sentences of the dossier: one folder of catalogues per language, keys such as ``calibration.lead``."""

from __future__ import annotations

from functools import cache
from typing import TYPE_CHECKING, Any

from msgspec import Struct

from validator.dossier.inline import Content, Inline, plain, rich
from validator.resources import templates_folder
from validator.yaml_loader import load

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping


class Wording(Struct, frozen=True):
    """The catalogue of one language; calling it gives running text with values set in."""

    language: str
    entries: Mapping[str, str]

    def __call__(self, key: str, **values: Content) -> tuple[Inline, ...]:
        """The text under *key*, with *values* where the catalogue names them.

        Raises:
            KeyError: the catalogue lacks the key, or the text a value.
        """
        return rich(self.entries[key], **values)

    def text(self, key: str, **values: Content) -> str:
        """As calling, without markup."""
        return plain(self(key, **values))

    def maybe(self, key: str, otherwise: str) -> str:
        """The text under *key*, or *otherwise* where the catalogue has none (names a user may coin)."""
        return plain(rich(self.entries[key])) if key in self.entries else otherwise


@cache
def wording(language: str) -> Wording:
    """The catalogue of *language*: every ``language/<language>/*.yaml`` of the templates' folder.

    Raises:
        ValueError: there is none.
    """
    folder = templates_folder() / "language" / language
    if not folder.is_dir():
        raise ValueError(f"no wording in the language {language!r}")
    entries: dict[str, str] = {}
    for file in sorted(folder.glob("*.yaml")):
        entries.update(_flat(load(file.read_text(encoding="utf-8")), file.stem))
    return Wording(language, entries)


def _flat(tree: dict[str, Any], prefix: str) -> Iterator[tuple[str, str]]:
    for key, value in tree.items():
        name = f"{prefix}.{key}"
        if isinstance(value, dict):
            yield from _flat(value, name)
        else:
            yield name, " ".join(str(value).split())
