"""Raw curves in files of their own: two columns, or one abscissa with many ordinates.

Instruments write their settings above a curve and sometimes more below it: the curve is the first block of
rows that hold numbers, and the row above it names the columns.
"""

from __future__ import annotations

import re
from array import array
from itertools import pairwise
from pathlib import PurePosixPath
from typing import TYPE_CHECKING, Literal

from msgspec import Struct, field
from msgspec.structs import replace

from validator.study.conversion import Inconvertible
from validator.study.files import WORKBOOK, Remark, TableFiles, Unusable
from validator.study.headings import Doubt, canonical, heading, into, normal_header, unit_of, without_unit
from validator.study.models.base import LARGEST, quoted
from validator.study.places import Scalar, resolve_cell
from validator.study.problems import nearest

if TYPE_CHECKING:
    from collections.abc import Sequence

    from validator.study.files import StudyFolder

CurveName = tuple[str, str | None]
"""File of a curve, and the header of its ordinates where the file holds several."""

FEWEST_POINTS = 10
_SEPARATORS = ("\t", ";", ",", "|", None)
"""None: blanks."""
_NUMBER = re.compile(r"[-+]?(?:[0-9]+[.,]?[0-9]*|[.,][0-9]+)(?:[eE][-+]?[0-9]+)?")
_PLAIN = re.compile(r"[-+.0-9eE]*")
_AFTER_LIST = re.compile(r"\s+(?![(\[])")


class Curve(Struct, frozen=True):
    """A recorded curve, the abscissa rising.

    Attributes:
        x, y: abscissae and ordinates.
        x_name, y_name: headers of their columns without units, empty where the file has none.
        x_unit, y_unit: units in the headers, None where there is none.
        header, header_row: header of the ordinate as written, and its row; empty and 0 where there is none.
    """

    x: array[float]
    y: array[float]
    x_name: str = ""
    y_name: str = ""
    x_unit: str | None = None
    y_unit: str | None = None
    header: str = ""
    header_row: int = 0

    def in_unit(self, wanted: str, of: Literal["height", "area", "second derivative"]) -> Curve:
        """The curve with ordinates that give what is measured in the unit *wanted*.

        What the headers do not say is not asked.

        Raises:
            Doubt: the unit in the header does not lead there.
        """
        if not self.header or self.y_unit is None:
            return self
        if of != "height":
            by = self._factor(wanted, of)
        else:
            unit, by = unit_of(self.header, [wanted], None)
            if unit is None:
                return self
        if by == 1:
            return self
        return replace(
            self, y=array("d", [by * one for one in self.y]), y_unit=wanted if of == "height" else None
        )

    def _factor(self, wanted: str, of: str) -> float:
        if self.x_unit is None or self.y_unit is None or canonical(self.x_unit) is None:
            return 1.0
        power = "" if of == "area" else "-2"
        unit = "·".join([self.y_unit, f"{self.x_unit}{power}"])
        try:
            return into(unit, wanted, None)
        except Inconvertible:
            message = f"the {of} of this curve has the unit {unit}, and signal_unit is {wanted}; declare "
            raise Doubt(f"{message}signal_unit: {unit}, or measure heights") from None


class _Export(Struct):
    """The block of numbers in a file of curves.

    Attributes:
        header: names of the columns, empty where there are none.
        header_row: the number of their row.
        numbers: number of each row of the block.
        columns: texts of the cells by column.
        decimal: decimal sign.
        left_out: number of rows above and below that were not read.
        read: columns as numbers, None for an empty cell.
    """

    header: Sequence[str]
    header_row: int
    numbers: Sequence[int]
    columns: Sequence[Sequence[str]]
    decimal: str
    left_out: int = 0
    read: dict[int, Sequence[float | None]] = field(default_factory=dict)

    def column(self, at: int) -> Sequence[float | None]:
        """The numbers in a column."""
        if at not in self.read:
            texts = self.columns[at]
            if self.decimal == "," and not any("." in text for text in texts):
                texts = [text.replace(",", ".") for text in texts]
            values: Sequence[float] | None = None
            if _PLAIN.fullmatch("".join(texts)) and all(texts):
                try:
                    values = array("d", map(float, texts))
                except ValueError:
                    values = None
            if values is None or not all(-LARGEST <= one <= LARGEST for one in values):
                self.read[at] = [self._number(row, at) for row in range(len(texts))]
            else:
                self.read[at] = values
        return self.read[at]

    def _number(self, row: int, at: int) -> float | None:
        cell = self.columns[at][row]
        if not cell:
            return None
        value = resolve_cell(cell, self.decimal)
        if isinstance(value, Scalar) and abs(value.value) <= LARGEST:
            return float(value.value)
        column = f" in the column {quoted(self.header[at])}" if self.header else f" in column {at + 1}"
        hint = "; is the decimal sign a comma? Declare recording_decimal" if "," in cell else ""
        message = f"a number is expected{column}, found {quoted(cell)}{hint}"
        raise Unusable(message, self.numbers[row])


class CurveFiles:
    """The files of curves in a study folder; each is read once, however many curves it holds."""

    def __init__(self, folder: StudyFolder, decimal: str, skip: int) -> None:
        self._folder = folder
        self._tables = TableFiles(folder)
        self._decimal = decimal
        self._skip = skip
        self._exports: dict[str, _Export] = {}

    def curve(self, name: str, x: str | None, y: str | None) -> Curve:
        """The curve in the file *name*: columns *x* and *y*, the first and the second where None.

        Raises:
            Unusable: the file cannot be read, a column is missing, or the points make no curve.
            EnvironmentProblem: the file is a workbook, and the package that reads these is missing.
        """
        if name not in self._exports:
            self._exports[name] = self._export(name)
        export = self._exports[name]
        if not export.header and (x or y):
            raise Unusable("the columns have no headers; omit x, y and column")
        header = export.header or [""] * len(export.columns)
        at_x, at_y = _place_of(x, 0, header), _place_of(y, 1, header)
        if at_x == at_y:
            raise Unusable("abscissa and ordinate are the same column; name them with x and y")
        xs, ys = array("d"), array("d")
        for row, (one, other) in enumerate(zip(export.column(at_x), export.column(at_y), strict=True)):
            if other is None:
                continue  # where curves of different length stand side by side
            if one is None:
                raise Unusable("the abscissa of this point is missing", export.numbers[row])
            xs.append(one)
            ys.append(other)
        _turn_and_check(xs, ys)
        of_x, of_y = header[at_x], header[at_y]
        x_unit, y_unit = heading(of_x).unit, heading(of_y).unit
        names = (without_unit(of_x), without_unit(of_y))
        return Curve(xs, ys, *names, x_unit, y_unit, of_y, export.header_row if of_y else 0)

    def _export(self, name: str) -> _Export:
        if PurePosixPath(name).suffix.lower() == WORKBOOK:
            sheet = self._tables.sheet(name, None)
            rows = [(row.number, list(row.cells)) for row in (sheet.header, *sheet.rows)]
            export = _block([one for one in rows if one[0] > self._skip], ".")
        else:
            from validator.study.delimited import text_of_table

            text = text_of_table(self._folder.read(name, "data"))
            if text.remark:
                self._folder.remark(name, Remark(text.remark))
            lines = enumerate(text.stream.read().splitlines(), start=1)
            written = [
                (number, bare) for number, line in lines if number > self._skip and (bare := line.strip())
            ]
            separator = _separator(written, self._decimal)
            export = _block([(number, _cells(line, separator)) for number, line in written], self._decimal)
        if export.left_out:
            said = "1 row" if export.left_out == 1 else f"{export.left_out} rows"
            self._folder.remark(name, Remark(f"{said} above or below the curve not read", is_certain=True))
        return export


def _cells(line: str, separator: str | None) -> list[str]:
    if '"' in line:
        return [cell.strip().strip('"').strip() for cell in line.split(separator)]
    if separator is None:
        return line.split()
    return [cell.strip() for cell in line.split(separator)]


def _separator(lines: Sequence[tuple[int, str]], decimal: str) -> str | None:
    """The sign that first cuts ten rows in succession into numbers; else that of the table it looks like."""
    runs = dict.fromkeys(_SEPARATORS, 0)
    if decimal == ",":
        del runs[","]
    for _, line in lines:
        for sign in runs:
            runs[sign] = runs[sign] + 1 if _is_of_numbers(_cells(line, sign)) else 0
            if runs[sign] == FEWEST_POINTS:
                return sign
    best = max(runs, key=lambda sign: runs[sign])
    if runs[best]:
        return best
    from validator.study.delimited import separator_of

    found = separator_of([line for _, line in lines[: 2 * FEWEST_POINTS]])
    return None if found == " " else found


def _is_of_numbers(cells: Sequence[str]) -> bool:
    filled = [cell for cell in cells if cell]
    return len(cells) > 1 and bool(cells[0]) and all(map(_NUMBER.fullmatch, filled)) and len(filled) > 1


def _block(rows: Sequence[tuple[int, list[str]]], decimal: str) -> _Export:
    """The first ten rows of numbers in succession, or as many as there are, and what follows them."""
    start = run = 0
    for index, (_, cells) in enumerate(rows):
        run = run + 1 if _is_of_numbers(cells) else 0
        start = index - run + 1
        if run == FEWEST_POINTS:
            break
    if run == 0:  # no numbers at all: the first row that is no comment is the header of what cannot be read
        start = next((at for at, (_, cells) in enumerate(rows) if not cells[0].startswith("#")), 0) + 1
    top, header, header_row = _header_above(rows, start)
    data = [one for one in rows[top:] if one[1] != rows[top - 1][1]] if header else list(rows[top:])
    end = len(data)
    while end > 1 and not any(map(_NUMBER.fullmatch, data[end - 1][1])):
        end -= 1
    left_out = sum(not cells[0].startswith("#") for _, cells in rows) - end - bool(header)
    data = data[:end]
    width = max((len(cells) for _, cells in data), default=0)
    width = max(width, len(header))
    if width < 2:
        raise Unusable("a curve needs two columns, abscissa and ordinate")
    columns = [*zip(*([*cells, *[""] * (width - len(cells))] for _, cells in data), strict=True)]
    return _Export(
        [*header, *[""] * (width - len(header))] if header else (),
        header_row,
        [number for number, _ in data],
        columns or [()] * width,
        decimal,
        max(left_out, 0),
    )


def _header_above(rows: Sequence[tuple[int, list[str]]], start: int) -> tuple[int, Sequence[str], int]:
    """Where the block begins, the names of its columns and their row; a row of units joins the row above."""
    width = len(rows[start][1]) if start < len(rows) else len(rows[start - 1][1])
    while start and len(rows[start - 1][1]) == width and any(map(_NUMBER.fullmatch, rows[start - 1][1])):
        start -= 1  # a row of the curve with something that is no number: told when it is read
    number, cells = rows[start - 1] if start else (0, [])
    cells = [cell.lstrip("# ") for cell in _split_as(cells, width)]
    if len(cells) != width:
        return start, (), 0
    units = [cell.strip("()[]- ") for cell in cells]
    if start > 1 and any(units) and all(not unit or canonical(unit) for unit in units):
        above, names = rows[start - 2]
        names = _split_as(names, width)
        if len(names) == width and not any(map(_NUMBER.fullmatch, names)):
            both = zip(names, units, strict=True)
            return start, [f"{name} ({unit})" if unit else name for name, unit in both], above
    return start, cells, number


def _split_as(cells: list[str], width: int) -> list[str]:
    """The names in a row of blanks between them, a unit in brackets with the name before it."""
    if len(cells) == width:
        return cells
    joined = _AFTER_LIST.split(" ".join(cells))
    return joined if len(joined) == width else cells


def _place_of(wanted: str | None, otherwise: int, header: Sequence[str]) -> int:
    if wanted is None:
        if otherwise >= len(header):
            raise Unusable("a curve needs two columns, abscissa and ordinate")
        return otherwise
    for index, name in enumerate(header):
        if normal_header(wanted) in heading(name).names:
            return index
    near = nearest(wanted, header)
    hint = f"did you mean '{near}'?" if near else f"it has: {', '.join(header[:20])}"
    raise Unusable(f"there is no column {quoted(wanted)}; {hint}")


def _turn_and_check(xs: array[float], ys: array[float]) -> None:
    if len(xs) < FEWEST_POINTS:
        raise Unusable(f"{len(xs)} points are too few for a curve; at least {FEWEST_POINTS} are required")
    if xs[0] > xs[-1]:
        xs.reverse()
        ys.reverse()
    for before, after in pairwise(xs):
        if after <= before:
            raise Unusable(
                f"the abscissa is not monotonic (it reverses near {after:g}); provide a single sweep"
            )
