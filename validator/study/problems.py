"""Collecting what is wrong, and saying it in the words of the laboratory."""

from __future__ import annotations

import difflib
import re
from dataclasses import replace
from typing import TYPE_CHECKING

from validator.errors import Problem
from validator.study.keys import known_keys
from validator.study.models.base import PROBLEM, printable, quoted
from validator.study.places import Loc, Node, Place, find, path_of

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator, Set

    from pydantic import BaseModel, ValidationError
    from pydantic_core import ErrorDetails

_FEW = 6
_LONGEST_WORD = 100
_LONGEST_MESSAGE = 1000
MOST_TOLD = 1000
MOST_SHOWN = 200
"""More problems than this help nobody; the rest is counted."""

_MEANT = {
    "concentration": "level",
    "conc": "level",
    "amount": "level",
    "response": "signals",
    "responses": "signals",
    "replicates": "signals",
    "values": "signals",
    "readings": "signals",
    "result": "found",
    "results": "found",
}
"""What a key of everyday speech most likely stands for, where the block does not know the key itself."""

_IN_TABLES = {
    "comma": '{sentence}, or declare decimal: "," beside file in the study',
    "point": "a decimal comma is declared for this file, found {found}",
}
"""Sentences on numbers that read otherwise in a table."""

_WORKBOOK = re.compile(r"\.xlsx( \[.*\])?", re.IGNORECASE)
_IN_A_WORKBOOK = "a number is expected here, found {found}; the cell holds a text: enter it as a number"

_UNKNOWN = {
    "<<": "merge keys are not accepted; write the fields out",
}


class Problems:
    """The problems met so far.

    A cell of a table has one problem, however many readers stumble over it; rows with the same problem
    are told once and counted.
    """

    def __init__(self) -> None:
        self._found: dict[tuple[object, ...], Problem] = {}
        self._rows: dict[tuple[object, ...], dict[int, Problem]] = {}
        self.uncounted = 0

    def __bool__(self) -> bool:
        return bool(self._found or self._rows)

    def add(self, place: Place, loc: Loc, message: str) -> None:
        """Note *message* about the field at *loc*."""
        problem = Problem(
            file=printable(place.file, _LONGEST_WORD),
            line=place.line,
            field=path_of(loc),
            message=printable(message, _LONGEST_MESSAGE),
            column=printable(place.column, _LONGEST_WORD),
        )
        if place.column:
            self._found.setdefault((place.file, place.line, place.column), problem)
        elif place.in_table:
            anywhere = tuple(step for step in loc if not isinstance(step, int))
            self._rows.setdefault((place.file, anywhere, message), {})[place.line] = problem
        else:
            self._found.setdefault((place.file, place.line, problem.field, message), problem)

    def take(self, others: Problems) -> None:
        """Add all that *others* holds."""
        for key, problem in others._found.items():
            self._found.setdefault(key, problem)
        for key, rows in others._rows.items():
            self._rows.setdefault(key, {}).update(rows)
        self.uncounted += others.uncounted

    def _all(self) -> Iterator[Problem]:
        yield from self._found.values()
        for rows in self._rows.values():
            first = rows[min(rows)]
            more = "another row" if len(rows) == 2 else f"{len(rows) - 1} more rows"
            yield first if len(rows) == 1 else replace(first, message=f"{first.message} (and in {more})")

    def in_reading_order(self) -> list[Problem]:
        """All problems by file and line; beyond a number that anybody reads, the rest is counted."""
        ordered = sorted(self._all(), key=lambda problem: (problem.file, problem.line))
        rest = len(ordered) - MOST_SHOWN + self.uncounted
        if rest <= 0:
            return ordered
        last = ordered[MOST_SHOWN - 1]
        more = Problem(last.file, 0, "", f"... and {rest} more problems after these")
        return [*ordered[:MOST_SHOWN], more]


def nearest(word: str, known: Iterable[str]) -> str | None:
    """The known word that *word* was probably meant to be."""
    if len(word) > _LONGEST_WORD:
        return None
    choices = {choice.lower(): choice for choice in known}
    found = difflib.get_close_matches(word.lower(), choices, n=1, cutoff=0.6)
    return choices[found[0]] if found else None


def unknown(what: str, word: str, known: Iterable[str]) -> str:
    """The sentence about an unknown *word*, with the likely one or the whole choice."""
    known = list(known)
    meant = _MEANT.get(word.lower())
    if meant not in known:
        meant = nearest(word, known)
    if meant is not None:
        return f"unknown {what}; did you mean '{meant}'?"
    return f"unknown {what}; known here: {', '.join(known)}" if known else f"unknown {what}"


def add_validation_errors(
    problems: Problems, error: ValidationError, root: Node, model: type[BaseModel], incomplete: Set[str]
) -> None:
    """Note everything that the models refused.

    What is missing from the blocks *incomplete* was told already: their table could not be read in full.
    """
    refused = [
        (find(root, details["loc"]), details)
        for details in error.errors(include_url=False)
        if not (details["type"] == "missing" and details["loc"][0] in incomplete)
    ]
    refused.sort(key=lambda found: (found[0][0].file, found[0][0].line))
    problems.uncounted += len(refused[MOST_TOLD:])
    of_blocks: set[tuple[Place, str | int, str]] = set()
    for (place, existing), details in refused[:MOST_TOLD]:
        loc: Loc = details["loc"]
        told = (place, loc[-1], details["msg"])
        if told in of_blocks:
            continue  # a block's default that every run inherits is told once
        if len(loc) == len(("block", "key")):
            of_blocks.add(told)
        if details["type"] == "missing":
            problems.add(place, loc, _missing(loc, place))
        else:
            # our own sentences may be about a key that is not there yet
            shown = loc if details["type"] == PROBLEM else existing
            problems.add(place, shown, _sentence(details, place, model))


def _missing(loc: Loc, place: Place) -> str:
    if loc == ("format",):
        return "missing; the study starts with the line format: validation-study/1"
    return "missing in this row" if place.in_table else "missing; add this key"


def _sentence(details: ErrorDetails, place: Place, model: type[BaseModel]) -> str:
    found = details["input"]
    match details["type"]:
        case str(kind) if kind == PROBLEM:
            cause = details["ctx"]["cause"]
            pattern = _IN_TABLES.get(cause) if place.in_table else None
            if pattern and cause == "comma" and _WORKBOOK.search(place.file):
                pattern = _IN_A_WORKBOOK
            return (pattern or "{sentence}").format(sentence=details["msg"], found=quoted(found))
        case "extra_forbidden":
            *above, key = details["loc"]
            return _UNKNOWN.get(str(key)) or unknown("key", str(key), known_keys(model, tuple(above)))
        case "literal_error":
            return _choice(details)
        case "model_type" | "model_attributes_type" | "dict_type":
            keys = known_keys(model, details["loc"])
            which = f" ({', '.join(keys)})" if 0 < len(keys) <= _FEW else ""
            return f"a table of keys{which} is expected here, found {quoted(found)}"
        case "tuple_type":
            return f"a list is expected here, found {quoted(found)}"
        case _:
            return f"{quoted(found)} cannot be used here"


def _choice(details: ErrorDetails) -> str:
    found = details["input"]
    if details["loc"] == ("format",):
        return f"this version reads validation-study/1, found {quoted(found)}"
    expected = re.findall(r"'([^']*)'", details["ctx"]["expected"])
    choice = f"{', '.join(expected[:-1])} or {expected[-1]}" if len(expected) > 1 else expected[0]
    meant = nearest(quoted(found).strip("'"), expected)
    if meant is None:
        return f"{choice} is expected here, found {quoted(found)}"
    if len(expected) > _FEW:
        return f"{quoted(found)} is not known here; did you mean '{meant}'?"
    return f"{choice} is expected here, found {quoted(found)}; did you mean '{meant}'?"
