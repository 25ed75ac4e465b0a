"""What was written, value by value: what each means, and the place where it stands.

The resolution is that of YAML 1.2: ``1e-3`` is a number, ``12:30:45``, ``0o17`` and ``2026-03-25`` are text.
``yes``, ``no``, ``on`` and ``off`` are still read as truth values, because other YAML readers do so
and an analyte called ``no`` must not depend on who reads the file.
"""

from __future__ import annotations

import re
from typing import TYPE_CHECKING, NamedTuple

from msgspec import Struct

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping, Sequence

    from validator.study.models.runs import Run

_NUMBER = re.compile(r"[-+]?(?:\.\d+|\d+(?:\.\d*)?)(?:[eE][-+]?\d+)?", re.ASCII)
_NOT_FINITE = re.compile(r"[-+]?\.(?:inf|Inf|INF)|\.(?:nan|NaN|NAN)")
_NOTHING = frozenset({"", "~", "null", "Null", "NULL"})
_TRUE = frozenset({"true", "True", "TRUE", "yes", "Yes", "YES", "on", "On", "ON"})
_FALSE = frozenset({"false", "False", "FALSE", "no", "No", "NO", "off", "Off", "OFF"})


class Scalar(Struct, frozen=True):
    """A number or a truth value, with the text that was written for it."""

    text: str
    value: float | bool


def resolve(text: str) -> Scalar | str | None:
    """What the unquoted *text* means: a number, a truth value, nothing, or just text."""
    if text in _NOTHING:
        return None
    if _NUMBER.fullmatch(text):
        return Scalar(text, float(text))
    if text in _TRUE:
        return Scalar(text, True)
    if text in _FALSE:
        return Scalar(text, False)
    if _NOT_FINITE.fullmatch(text):
        return Scalar(text, float(text.replace(".", "")))
    return text


def resolve_cell(text: str, decimal: str) -> Scalar | str | None:
    """What the *text* of a table cell means; there are no truth values in tables."""
    if not text:
        return None
    if decimal == "," and "." in text:
        return text  # might be a separator of thousands
    point = text.replace(",", ".") if decimal == "," else text
    if _NUMBER.fullmatch(point):
        return Scalar(text, float(point))
    return point if point.startswith("<") else text


Loc = tuple[str | int, ...]
"""The way to a field: keys and positions, from the top of the study."""


class Place(NamedTuple):
    """A line of the study file, or a row (and column) of a table."""

    file: str
    line: int
    column: str = ""
    in_table: bool = False

    def __str__(self) -> str:
        return f"{self.file}{_ROW}{self.line}" if self.in_table else f"{self.file}:{self.line}"

    @classmethod
    def of_row(cls, written: str) -> Place:
        """The place of a table's row from the text of it."""
        file, _, row = written.rpartition(_ROW)
        return cls(file, int(row), in_table=True)


_ROW = " row "


class Leaf(Struct):
    """A single value: a number or truth value with its text, a text, or nothing."""

    place: Place
    value: Scalar | str | None


class Listing(Struct):
    """A list of values; runs that were cast from rows of a table stand in it as they are."""

    place: Place
    items: Sequence[Node | Run]


class Entry(Struct):
    """A key's place and its value."""

    key_place: Place
    node: Node


class Table(Struct):
    """Keys and values, in the order written."""

    place: Place
    entries: Mapping[str, Entry]

    def get(self, key: str) -> Node | None:
        """The value of *key*, None where it is absent or left empty."""
        entry = self.entries.get(key)
        if entry is None or (isinstance(entry.node, Leaf) and entry.node.value is None):
            return None
        return entry.node

    def text(self, key: str) -> str | None:
        """The text written for *key*, None where there is no single value."""
        return text_of(self.get(key))

    def table(self, key: str) -> Table | None:
        """The table under *key*, None where there is none."""
        node = self.get(key)
        return node if isinstance(node, Table) else None

    def tables(self, key: str) -> Iterator[tuple[int, Table]]:
        """The tables in the list under *key*, with their positions."""
        node = self.get(key)
        if isinstance(node, Listing):
            yield from ((index, item) for index, item in enumerate(node.items) if isinstance(item, Table))

    def place_of(self, key: str) -> Place:
        """Where *key* stands, or the table that lacks it."""
        entry = self.entries.get(key)
        return self.place if entry is None else entry.key_place

    def with_entries(self, added: Mapping[str, Entry]) -> Table:
        """A copy with further or other entries; the original may be shared and stays as it is."""
        return Table(self.place, {**self.entries, **added})


Node = Leaf | Listing | Table
_WRITTEN = (Leaf, Listing, Table)


def text_of(node: Node | Run | None) -> str | None:
    """The text of a single value as it was written, surrounding blanks left out."""
    if not isinstance(node, Leaf) or node.value is None:
        return None
    return (node.value.text if isinstance(node.value, Scalar) else node.value).strip()


def find(root: Node, loc: Loc) -> tuple[Place, Loc]:
    """The place of the field at *loc*, or of its nearest ancestor, and the way that exists.

    The place of a list or table is that of the key that introduces it.
    """
    node, place, walked = root, root.place, 0
    for step in loc:
        if isinstance(node, Table) and step in node.entries:
            entry = node.entries[str(step)]
            node = entry.node
            place = node.place if isinstance(node, Leaf) and node.value is not None else entry.key_place
        elif isinstance(node, Listing) and isinstance(step, int) and step < len(node.items):
            item = node.items[step]
            if not isinstance(item, _WRITTEN):
                return Place.of_row(item.place), loc[: walked + 1]
            node, place = item, item.place
        else:
            break
        walked += 1
    return place, loc[:walked]


def node_at(root: Node, loc: Loc) -> Node | None:
    """The value of the field at *loc*, None where it is not written."""
    node: Node | Run | None = root
    for step in loc:
        match node:
            case Table():
                node = node.get(str(step))
            case Listing() if isinstance(step, int) and step < len(node.items):
                node = node.items[step]
            case _:
                return None
    return node if isinstance(node, _WRITTEN) else None


def leaves(node: Node, loc: Loc = ()) -> Iterator[tuple[Loc, Leaf]]:
    """Every single value that is written below *node*, with the way to it."""
    match node:
        case Leaf():
            yield loc, node
        case Listing():
            for index, item in enumerate(node.items):
                if isinstance(item, _WRITTEN):
                    yield from leaves(item, (*loc, index))
        case Table():
            for key, entry in node.entries.items():
                yield from leaves(entry.node, (*loc, key))


def plain(node: Node) -> object:
    """The values alone, for the models: dictionaries, lists, what single values mean, and finished runs."""
    match node:
        case Leaf():
            return node.value
        case Listing():
            return [plain(item) if isinstance(item, _WRITTEN) else item for item in node.items]
        case Table():
            return {key: plain(entry.node) for key, entry in node.entries.items()}


def written_in(table: Table) -> dict[str, tuple[str, ...]]:
    """The texts of the numbers under each key, those of tables in a list under ``key.key``."""
    found: dict[str, tuple[str, ...]] = {}
    for key, entry in table.entries.items():
        items = entry.node.items if isinstance(entry.node, Listing) else [entry.node]
        values = [one.value for one in items if isinstance(one, Leaf)]
        texts = tuple(one.text for one in values if isinstance(one, Scalar))
        if texts and len(texts) == len(items):
            found[key] = texts
        for item in items:
            for inner, some in written_in(item).items() if isinstance(item, Table) else ():
                found[f"{key}.{inner}"] = (*found.get(f"{key}.{inner}", ()), *some)
    return found


def path_of(loc: Loc) -> str:
    """The field's path as it is printed: ``calibration.runs[3].signals[1]``."""
    path = ""
    for step in loc:
        path += f"[{step}]" if isinstance(step, int) else f".{step}" if path else step
    return path
