"""What is wrong, in the words of the laboratory: each place once, in the order in which it is read."""

from __future__ import annotations

import difflib
import re
from typing import TYPE_CHECKING

from msgspec.structs import replace

from validator.errors import Problem
from validator.study.keys import known_keys
from validator.study.models.base import PROBLEM, printable, quoted
from validator.study.places import Table, find, node_at, path_of, text_of

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator, Sequence, Set

    from pydantic import BaseModel, ValidationError
    from pydantic_core import ErrorDetails

    from validator.study.places import Loc, Node, Place

LONGEST_WORD = 100
_NUMBERED = re.compile(r"(.*\D)_?\d{1,3}")
_VALUES = re.compile(r"'[^']*'|(?<=is )\S+|[-\d.]+")
_FEW_ALIKE = 3
"""Cells of one column with the same fault that are told one by one."""

_EVERYDAY = {
    ("level",): "concentration conc conc. amount content standard std nominal",
    ("signals", "concentrations", "found"): "replicate replicates rep repl value values reading readings",
    ("signals",): "response responses absorbance abs area height intensity counts current peak_area",
    ("found", "concentrations"): "result results measured recovered",
    ("detection_limit",): "lod mdl limit_of_detection",
    ("quantification_limit",): "loq lloq limit_of_quantification limit_of_quantitation",
    ("trueness", "recovery"): "accuracy bias",
    ("repeatability", "precision"): "precision within_run replicates repeatability",
    (
        "intermediate_precision",
        "precision",
    ): "within_laboratory between_run between_day intermediate_precision",
    ("reproducibility", "precision"): "reproducibility between_laboratory",
    (
        "device_to_device",
        "precision",
    ): "device_to_device device_precision sensor_to_sensor electrode_to_electrode",
    ("repeated_use",): "reuse reusability regeneration cycles",
    ("stability",): "shelf_life lifetime storage ageing aging",
    ("robustness",): "ruggedness",
    ("selectivity", "interference"): "selectivity specificity interferents interferences interferent",
    ("matrix_effect", "matrix_calibration"): "matrix_effect matrix_effects matrix_matched",
    ("recordings",): "voltammograms voltammogram chromatograms spectra curves traces",
    ("criteria",): "detection_limit quantification_limit lod loq acceptance acceptance_criteria limits",
    ("working_range",): "range linear_range",
    ("calibration",): "standards calibration_curve curve",
    ("recovery",): "spikes spiked additions samples real_samples real_sample applications",
}
_MEANT: dict[str, tuple[str, ...]] = {}
for _choices, _words in _EVERYDAY.items():
    for _word in _words.split():
        _MEANT[_word] = (*_MEANT.get(_word, ()), *_choices)
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
        by_cause: dict[tuple[str, ...], list[Problem]] = {}
        for problem in self._found.values():
            cause = (
                _VALUES.sub("", problem.message) if problem.column else f"{problem.field} {problem.message}"
            )
            key = (problem.file, problem.column, cause, "" if problem.column else str(problem.line))
            by_cause.setdefault(key, []).append(problem)
        for alike in by_cause.values():
            first, rest = alike[0], len(alike) - 1
            if rest < _FEW_ALIKE:
                yield from alike
            else:
                yield replace(first, message=f"{first.message} (and in {rest} more cells of this column)")
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


_FEW = 6
MOST_TOLD = 1000

_IN_TABLES = {
    "comma": '{sentence}, or declare decimal: "," beside file in the study',
    "point": "a decimal comma is declared for this file, found {found}; "
    "write a comma, or no sign at all where it separates thousands",
    "thousands": "a number is expected here, found {found}; leave out what separates thousands",
}
"""Sentences on numbers that read otherwise in a table."""

_IN_WORKBOOKS = {
    "comma": "expected a number, found text {found}; enter it as a number",
    "date": (
        "expected a number, found a date {found}; the spreadsheet program may have "
        "converted a number to a date"
    ),
}
_WORKBOOK = re.compile(r"\.xlsx( \[.*\])?", re.IGNORECASE)
_TABLE_FILE = re.compile(r"[^\s{}]+\.(?:csv|tsv|txt|xlsx)", re.IGNORECASE)
_DIGITS = re.compile(r"\d+(?:[eE][-+]?\d+)?")
_WHOLE = re.compile(r"[-+]?\d+")

_UNKNOWN = {
    "<<": "merge keys are not accepted; write the fields out",
}


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
    refused = _with_one_decimal_comma(refused, problems)
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
            problems.add(place, shown, _sentence(details, place, root, model))


Refused = list[tuple[tuple["Place", "Loc"], "ErrorDetails"]]


def _with_one_decimal_comma(refused: Refused, problems: Problems) -> Refused:
    """Without the decimal commas of a text file after its first: one line in the study settles all."""
    rest: Refused = []
    commas: dict[str, Refused] = {}
    for found in refused:
        (place, _), details = found
        is_comma = details["type"] == PROBLEM and details["ctx"]["cause"] == "comma" and place.column
        if is_comma and not _WORKBOOK.search(place.file):
            commas.setdefault(place.file, []).append(found)
        else:
            rest.append(found)
    for ((place, loc), details), *others in commas.values():
        cells = "another cell" if len(others) == 1 else f"{len(others)} more cells"
        more = f" (and in {cells})" if others else ""
        sentence = _IN_TABLES["comma"].format(sentence=details["msg"])
        problems.add(place, loc, f"{sentence}{more}")
    return rest


def _missing(loc: Loc, place: Place) -> str:
    if loc == ("format",):
        return "missing; the study starts with the line format: validation-study/1"
    return "missing in this row" if place.in_table else "missing; add this key"


def _sentence(details: ErrorDetails, place: Place, root: Node, model: type[BaseModel]) -> str:
    found, loc = details["input"], details["loc"]
    match details["type"]:
        case str(kind) if kind == PROBLEM:
            cause = details["ctx"]["cause"]
            pattern = _IN_TABLES.get(cause) if place.in_table else None
            if place.in_table and _WORKBOOK.search(place.file):
                pattern = _IN_WORKBOOKS.get(cause, pattern)
            return (pattern or "{sentence}").format(sentence=details["msg"], found=quoted(found))
        case "extra_forbidden":
            return unknown_key(loc, root, known_keys(model, loc[:-1]))
        case "literal_error":
            return _choice(details)
        case "model_type" | "model_attributes_type" | "dict_type":
            return _no_table(found, known_keys(model, loc))
        case "tuple_type":
            return f"a list is expected here, found {quoted(found)}"
        case _:
            return f"{quoted(found)} is not valid here"


def unknown_key(loc: Loc, root: Node, known: Sequence[str]) -> str:
    """The sentence about a key at *loc* that is none of the *known* ones."""
    key = str(loc[-1])
    if key in _UNKNOWN:
        return _UNKNOWN[key]
    before, colon, after = key.partition(":")
    if colon and after and before in known:
        return f"missing space after the colon; write {before}: {after}"
    if _DIGITS.fullmatch(key) and (start := _number_before(loc, root)):
        return f"decimal comma in a number; write {start}.{key}"
    return unknown("key", key, known)


def _number_before(loc: Loc, root: Node) -> str:
    """The whole number that is the value of the key before the one at *loc*, empty where there is none."""
    node = node_at(root, loc[:-1])
    if not isinstance(node, Table):
        return ""
    keys = list(node.entries)
    place = keys.index(str(loc[-1])) if loc[-1] in node.entries else 0
    text = node.text(keys[place - 1]) if place else None
    return text if text and _WHOLE.fullmatch(text) and text_of(node.get(str(loc[-1]))) is None else ""


def _no_table(found: object, keys: Sequence[str]) -> str:
    which = f" ({', '.join(keys)})" if 0 < len(keys) <= _FEW else ""
    said = f"a table of keys{which} is expected here, found {quoted(found)}"
    if isinstance(found, list) and "runs" in keys:
        return f"{said}; place the list under runs:"
    if isinstance(found, str) and "file" in keys and _TABLE_FILE.fullmatch(found):
        return f"{said}; did you mean {{file: {found}}}?"
    return said


def _choice(details: ErrorDetails) -> str:
    found = details["input"]
    if details["loc"] == ("format",):
        return f"this version reads validation-study/1, found {quoted(found)}"
    expected = re.findall(r"'([^']*)'", details["ctx"]["expected"])
    choice = f"{', '.join(expected[:-1])} or {expected[-1]}" if len(expected) > 1 else expected[0]
    likely = meant(quoted(found).strip("'"), expected)
    if likely is None:
        return f"{choice} is expected here, found {quoted(found)}"
    if len(expected) > _FEW:
        return f"{quoted(found)} is not known here; did you mean '{likely}'?"
    return f"{choice} is expected here, found {quoted(found)}; did you mean '{likely}'?"
