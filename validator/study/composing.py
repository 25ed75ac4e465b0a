"""YAML text in, values with their places out; whatever could harm or mislead is refused.

Works on parser events in a loop, never recursively, so that hostile nesting ends in a sentence.
"""

from __future__ import annotations

import re
from itertools import pairwise
from typing import TYPE_CHECKING, NoReturn

import yaml
from msgspec import Struct, field

from validator.study.models.base import quoted
from validator.study.places import Entry, Leaf, Listing, Loc, Node, Place, Scalar, Table, resolve
from validator.yaml_loader import DEEPEST, SafeLoader

if TYPE_CHECKING:
    from collections.abc import Sequence

    from validator.study.problems import Problems

MOST_VALUES = 100_000
LONGEST_KEY = 200
LONGEST_TEXT = 100_000
ALIASES_DEEP = 3
LARGEST_EXPANSION = 1024 * 1024

_CORE_TAG = "tag:yaml.org,2002:"
_WHOLE = re.compile(r"[-+]?\d+")
_UNPRINTABLE = re.compile("[^\t\n\r -~\x85\xa0-\ud7ff\ue000-\ufffd\U00010000-\U0010ffff]")

_INDENTATION = "the indentation does not match the lines above"
_TOO_DEEP = f"lists and mappings are nested more than {DEEPEST} levels deep"

_SYNTAX = (
    (
        "mapping values are not allowed",
        "unexpected colon; enclose text that contains a colon in quotation marks",
    ),
    ("',' or ']'", "a list opened with [ lacks the closing ] or a comma"),
    ("',' or '}'", "a mapping opened with { lacks the closing } or a comma"),
    ("unexpected end of stream", "a quotation mark is not closed"),
    (
        "unknown escape character",
        "a backslash has a special meaning in double quotation marks; use single quotation marks",
    ),
    ("could not find expected ':'", "a colon is missing after a key"),
    ("expected key", _INDENTATION),
    ("block end", _INDENTATION),
    ("'-' indicator", _INDENTATION),
    ("sequence entries are not allowed", "a list item (-) must start on a line of its own"),
    ("alphabetic or numeric character", "enclose text that starts with * or & in quotation marks"),
    ("node content", "a value is missing, or an unexpected character is in its place"),
    ("nesting depth", _TOO_DEEP),
)
"""What the parser says, and what it means to the person who wrote the file."""


class _Stop(Exception):
    """The rest of the file cannot be understood."""


class _Open(Struct):
    """A list or table that is being read."""

    place: Place
    anchor: str | None
    items: list[Node] | None
    entries: dict[str, Entry] = field(default_factory=dict)
    key: str | None = None
    key_place: Place | None = None
    weight: int = 2
    aliases_deep: int = 0
    whole: list[yaml.ScalarEvent] = field(default_factory=list)
    """Items of a list that are whole numbers."""


class _Anchored(Struct):
    node: Node
    weight: int
    aliases_deep: int


def compose(text: str, file: str, problems: Problems) -> Table | None:
    """The table that the YAML *text* describes, None where it describes none.

    What is wrong goes to *problems*; ``file`` is the name used there.
    """
    composer = _Composer(file, problems)
    try:
        for event in yaml.parse(text, Loader=SafeLoader):
            composer.take(event)
    except _Stop:
        return None
    except yaml.MarkedYAMLError as error:
        problems.add(*_syntax_problem(error, text, file))
        return None
    except yaml.YAMLError:  # the only error without a mark: a character that no YAML file may hold
        problems.add(*_unprintable(text, file))
        return None
    return composer.table()


def _unprintable(text: str, file: str) -> tuple[Place, Loc, str]:
    found = _UNPRINTABLE.search(text)
    line = text.count("\n", 0, found.start()) + 1 if found else 0
    sign = f" (U+{ord(found[0]):04X})" if found else ""
    return Place(file, line), (), f"the text contains an unprintable character{sign}"


def _syntax_problem(error: yaml.MarkedYAMLError, text: str, file: str) -> tuple[Place, Loc, str]:
    mark = error.problem_mark or error.context_mark
    line = mark.line if mark else 0
    said = error.problem or ""
    lines = text.splitlines()
    source = lines[line] if line < len(lines) else ""
    above = lines[line - 1] if line else ""
    if "mapping values" in said and (found := _KEY_WITHOUT_BLANK.fullmatch(above)):
        message = f"missing space after the colon; write {found[1]}: {found[2]}"
        return Place(file, line), (), message
    if "\t" in source[: len(source) - len(source.lstrip())]:
        message = "the indentation contains a tab; YAML accepts spaces only"
    elif "cannot start any token" in said and mark:
        message = f"enclose text that starts with {source[mark.column : mark.column + 1]} in quotation marks"
    elif (found := _KEY_WITHOUT_BLANK.match(source)) and "could not find expected" in said:
        message = f"missing space after the colon; write {found[1]}: {found[2]}"
    elif "mapping values" in said and (begins := _indentation_above(lines, line)) is not None:
        own = len(source) - len(source.lstrip())
        message = f"this line begins after {own} blanks and the key above it after {begins}; begin both alike"
    else:
        message = next(
            (ours for theirs, ours in _SYNTAX if theirs in said), f"this is not valid YAML ({said})"
        )
    opened = error.context_mark
    if opened is not None and opened.line != line:
        message += f" (begun in line {opened.line + 1})"
    return Place(file, line + 1), (), message


_KEY_WITHOUT_BLANK = re.compile(r"\s*(?:- )?([A-Za-z_]+):([^\s:/].*)")
_KEY_WITH_VALUE = re.compile(r"(\s*(?:- )?)[\w-]+:\s+\S")


def _indentation_above(lines: Sequence[str], line: int) -> int | None:
    """Where the key above a *line* that is indented more than it begins; None for any other fault."""
    source = lines[line] if line < len(lines) else ""
    if not _KEY_WITH_VALUE.match(source) and not source.rstrip().endswith(":"):
        return None
    above = next(
        (one for one in reversed(lines[:line]) if one.strip() and not one.lstrip().startswith("#")), ""
    )
    found = _KEY_WITH_VALUE.match(above)
    own = len(source) - len(source.lstrip())
    return len(found[1]) if found and len(found[1]) < own else None


class _Composer:
    def __init__(self, file: str, problems: Problems) -> None:
        self._file = file
        self._problems = problems
        self._open: list[_Open] = []
        self._root: Node | None = None
        self._anchored: dict[str, _Anchored] = {}
        self._documents = 0
        self._values = 0
        self._expanded = 0

    def table(self) -> Table | None:
        """The finished study."""
        if isinstance(self._root, Table):
            return self._root
        nothing = self._root is None or (isinstance(self._root, Leaf) and self._root.value is None)
        found = "the file is empty" if nothing else "the file contains no keys"
        self._problems.add(
            Place(self._file, 1), (), f"{found}; a study must begin with format: validation-study/1"
        )
        return None

    def take(self, event: yaml.Event) -> None:
        """Go on by one event."""
        mark = event.start_mark
        place = Place(self._file, mark.line + 1 if mark else 0)
        match event:
            case yaml.DocumentStartEvent():
                self._begin_document(event, place)
            case yaml.AliasEvent():
                self._alias(event.anchor, place)
            case yaml.ScalarEvent():
                self._scalar(event, place)
            case yaml.CollectionStartEvent():
                self._begin(event, place)
            case yaml.CollectionEndEvent():
                self._end()
            case _:
                pass

    # --- events ---
    def _begin_document(self, event: yaml.DocumentStartEvent, place: Place) -> None:
        self._documents += 1
        if self._documents > 1:
            self._stop(place, "a second document starts here (---); write one study in one file")
        if event.tags:
            self._stop(place, "tag directives (%TAG) are not accepted")

    def _scalar(self, event: yaml.ScalarEvent, place: Place) -> None:
        self._count(event, place)
        if len(event.value) > (LONGEST_KEY if self._expects_key() else LONGEST_TEXT):
            self._stop(place, f"a text of {len(event.value)} characters is too long here")
        is_plain = event.style in (None, "")
        value = resolve(event.value) if is_plain else event.value
        weight = len(event.value) + 1
        if self._expects_key():
            self._key(event.value, value, place, weight)
            return
        if is_plain and self._open and self._open[-1].items is not None and _WHOLE.fullmatch(event.value):
            self._open[-1].whole.append(event)
        self._close(_Anchored(Leaf(place, value), weight, 0), event.anchor)

    def _begin(self, event: yaml.CollectionStartEvent, place: Place) -> None:
        self._count(event, place)
        if self._expects_key():
            self._stop(place, "a key must be a word, found a list or table")
        if len(self._open) >= DEEPEST:
            self._problems.add(place, (), _TOO_DEEP)  # its path would be as long as it is deep
            raise _Stop
        if event.anchor:
            self._anchored.pop(event.anchor, None)
        self._open.append(
            _Open(place, event.anchor, [] if isinstance(event, yaml.SequenceStartEvent) else None)
        )

    def _end(self) -> None:
        done = self._open.pop()
        if done.items is not None and _has_decimal_commas(done):
            self._note(
                done.place,
                "this list may contain decimal commas; write decimal points (0.51), or a space "
                "after each comma",
            )
        node: Node = (
            Table(done.place, done.entries) if done.items is None else Listing(done.place, done.items)
        )
        self._close(_Anchored(node, done.weight, done.aliases_deep), done.anchor)

    def _alias(self, name: str | None, place: Place) -> None:
        target = self._anchored.get(name or "")
        if self._expects_key():
            self._stop(place, f"a key must be a word, found the alias *{name}")
        if target is None:
            self._stop(place, f"the alias *{name} has no finished anchor &{name} above it")
        self._expanded += target.weight
        if self._expanded > LARGEST_EXPANSION:
            self._stop(place, "the aliases expand to more than 1 MB; write the values out or use a CSV file")
        if target.aliases_deep >= ALIASES_DEEP:
            self._stop(place, f"aliases are nested more than {ALIASES_DEEP} deep; write the values out")
        self._close(_Anchored(target.node, target.weight, target.aliases_deep + 1), None)

    # --- steps ---
    def _expects_key(self) -> bool:
        return bool(self._open) and self._open[-1].items is None and self._open[-1].key is None

    def _key(self, text: str, value: Scalar | str | None, place: Place, weight: int) -> None:
        if not text.isprintable():
            sign = next(sign for sign in text if not sign.isprintable())
            hint = "; type a plain blank" if sign.isspace() else ""
            self._stop(place, f"a key holds an unprintable character (U+{ord(sign):04X}){hint}")
        parent = self._open[-1]
        parent.key, parent.key_place = text, place
        parent.weight += weight
        if isinstance(value, Scalar) and isinstance(value.value, bool):
            self._note(place, f"the key {quoted(text)} is read as true or false; put it in quotation marks")
        elif text in parent.entries:
            first = parent.entries[text].key_place.line
            self._note(place, f"duplicate key (first in line {first}); keep one")

    def _close(self, done: _Anchored, anchor: str | None) -> None:
        if anchor:
            self._anchored[anchor] = done
        if not self._open:
            self._root = done.node
            return
        parent = self._open[-1]
        parent.weight += done.weight
        parent.aliases_deep = max(parent.aliases_deep, done.aliases_deep)
        if parent.items is not None:
            parent.items.append(done.node)
        elif parent.key is not None and parent.key_place is not None:
            parent.entries.setdefault(parent.key, Entry(parent.key_place, done.node))
            parent.key = parent.key_place = None

    def _count(self, event: yaml.ScalarEvent | yaml.CollectionStartEvent, place: Place) -> None:
        self._values += 1
        if self._values > MOST_VALUES:
            self._stop(place, f"the file contains more than {MOST_VALUES} values; move the data to CSV files")
        if event.tag is not None:
            tag = event.tag.replace(_CORE_TAG, "!!", 1)
            self._note(place, f"YAML tags are not accepted, found {quoted(tag)}; leave it out")

    def _note(self, place: Place, message: str) -> None:
        loc: list[str | int] = []
        for level in self._open:
            if level.items is not None:
                loc.append(len(level.items))
            elif level.key is not None:
                loc.append(level.key)
        self._problems.add(place, tuple(loc), message)

    def _stop(self, place: Place, message: str) -> NoReturn:
        self._note(place, message)
        raise _Stop


def _has_decimal_commas(done: _Open) -> bool:
    """True for a list such as [0,51, 0,52], which YAML takes for four whole numbers.

    Some commas with a blank after them and some without, or pairs that begin with the same number: what was
    meant is not certain, and one of the two readings is wrong by orders of magnitude.
    """
    if done.items is None or len(done.whole) != len(done.items) or len(done.items) < 3:
        return False
    texts = [one.value for one in done.whole]
    tight = [_is_next(one, other) for one, other in pairwise(done.whole)]
    if all(tight):
        return len(texts) > 3 and len(texts) % 2 == 0 and len(set(texts[::2])) == 1 and len(set(texts)) > 1
    return any(tight) and all(tight[::2]) and not any(tight[1::2])


def _is_next(one: yaml.ScalarEvent, other: yaml.ScalarEvent) -> bool:
    """True where only the comma stands between an item and the next."""
    end, start = one.end_mark, other.start_mark
    return end is not None and start is not None and (end.line, end.column + 1) == (start.line, start.column)
