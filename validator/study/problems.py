"""Collecting what is wrong: each place once, in the order in which it is read."""

from __future__ import annotations

from typing import TYPE_CHECKING

from msgspec.structs import replace

from validator.errors import Problem
from validator.study.models.base import printable
from validator.study.places import path_of
from validator.study.suggestions import LONGEST_WORD

if TYPE_CHECKING:
    from collections.abc import Iterator

    from validator.study.places import Loc, Place

_LONGEST_MESSAGE = 1000
MOST_SHOWN = 200
"""More problems than this help nobody; the rest is counted."""


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
            file=printable(place.file, LONGEST_WORD),
            line=place.line,
            field=path_of(loc),
            message=printable(message, _LONGEST_MESSAGE),
            column=printable(place.column, LONGEST_WORD),
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
