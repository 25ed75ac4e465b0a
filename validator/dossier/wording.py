"""The sentences of the dossier: one folder of catalogues per language, keys such as ``calibration.lead``.

Tables are declared by columns whose heads stand in the catalogue beside the caption.
"""

from __future__ import annotations

from functools import cache
from typing import TYPE_CHECKING, Any, Generic, Literal, TypeVar

from msgspec import Struct

from validator import numbers
from validator.dossier.document import Alignment, Column, Paragraph, Row, RowKind, Table
from validator.dossier.inline import Content, Inline, plain, rich
from validator.resources import templates_folder
from validator.yaml_loader import load

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Iterator, Mapping


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


R = TypeVar("R")


class Wording(Struct, frozen=True):
    """The catalogue of one language; calling it gives running text with values set in."""

    language: str
    entries: Mapping[str, str]

    def __call__(self, key: str, **values: Content | int | None) -> tuple[Inline, ...]:
        """The text under *key*, with *values* where the catalogue names them; a whole number is a count.

        Raises:
            KeyError: the catalogue lacks the key, or the text a value.
        """
        contents = {
            name: numbers.count(one) if one is None or isinstance(one, int) else one
            for name, one in values.items()
        }
        return rich(self.entries[key], **contents)

    def text(self, key: str, **values: Content | int | None) -> str:
        """As calling, without markup."""
        return plain(self(key, **values))

    def paragraph(
        self, key: str, *, role: Literal["body", "lead", "small"] = "body", **values: Content | int | None
    ) -> Paragraph:
        """A paragraph of the text under *key*."""
        return Paragraph(self(key, **values), role)

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


class Col(Struct, Generic[R], frozen=True):
    """A declared column: its head, and what stands in it of a record.

    Attributes:
        head: a key beside that of the table's caption, or the head itself where it is no string.
        value: the cell of a record; None in tables whose rows are built elsewhere.
        unit, width, align: as in ``Column``.
    """

    head: Content
    value: Callable[[R], Content] | None = None
    unit: str = ""
    width: float | None = None
    align: Alignment = "text"


class Num(Col[R], Generic[R], frozen=True):
    """A declared column of numbers, aligned on their decimal point."""

    align: Alignment = "decimal"


class Mid(Col[R], Generic[R], frozen=True):
    """A declared column of short entries, centred."""

    align: Alignment = "centre"


def table_of(
    say: Wording,
    key: str,
    records: Iterable[R | Row],
    *columns: Col[R],
    id: str,
    note: Content | None = None,
    size: Literal["normal", "small", "tiny"] = "small",
    kind: Callable[[R], RowKind] = lambda _: "plain",
    **values: Content | int | None,
) -> Table:
    """A table whose caption stands under *key*, with *values* set in; a row for each of *records*.

    The note is *note*, else what the catalogue has under ``<key>_note``. Rows among the records (headings,
    totals) stand as they are.

    Raises:
        KeyError: the catalogue lacks the caption or a head.
    """
    prefix = key.rpartition(".")[0]
    return Table(
        id=id,
        caption=say(key, **values),
        columns=tuple(
            Column(
                say(f"{prefix}.{one.head}") if isinstance(one.head, str) else one.head,
                unit=one.unit,
                align=one.align,
                width=one.width,
            )
            for one in columns
        ),
        rows=tuple(
            one
            if isinstance(one, Row)
            else Row(tuple(column.value(one) for column in columns if column.value), kind(one))
            for one in records
        ),
        note=say(f"{key}_note", **values) if note is None and f"{key}_note" in say.entries else note or "",
        size=size,
    )
