"""Raw curves in files of their own: two columns, or one abscissa with many ordinates."""

from __future__ import annotations

from array import array
from itertools import pairwise
from typing import TYPE_CHECKING

from msgspec import Struct

from validator.study.files import Unusable
from validator.study.headings import heading, normal_header, without_unit
from validator.study.models.base import LARGEST, quoted
from validator.study.places import Scalar, resolve_cell
from validator.study.problems import nearest

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from validator.study.files import Row, Sheet, TableFiles

CurveName = tuple[str, str | None]
"""File of a curve, and the header of its ordinates where the file holds several."""

FEWEST_POINTS = 10


class Curve(Struct, frozen=True):
    """A recorded curve, the abscissa rising.

    Attributes:
        x, y: abscissae and ordinates.
        x_name, y_name: headers of their columns without units, empty where the file has none.
        x_unit, y_unit: units in the headers, None where there is none.
    """

    x: array[float]
    y: array[float]
    x_name: str = ""
    y_name: str = ""
    x_unit: str | None = None
    y_unit: str | None = None


def read_curve(files: TableFiles, name: str, x: str | None, y: str | None, decimal: str) -> Curve:
    """The curve in the file *name*: columns *x* and *y*, the first and the second where None.

    Raises:
        Unusable: the file cannot be read, a column is missing, or the points make no curve.
        EnvironmentProblem: the file is a workbook, and the package that reads these is missing.
    """
    sheet = files.sheet(name, None)
    decimal = "." if sheet.separator is None else decimal
    header = sheet.header.cells
    is_headed = not all(_is_number(cell, decimal) for cell in header if cell)
    if not is_headed and (x or y):
        raise Unusable("the columns have no headers; omit x, y and column")
    at_x, at_y = _place_of(x, 0, header), _place_of(y, 1, header)
    if at_x == at_y:
        raise Unusable("abscissa and ordinate are the same column; name them with x and y")
    xs, ys = array("d"), array("d")
    for row in _data(sheet, is_headed):
        cell_x, cell_y = (row.cells[at] if at < len(row.cells) else "" for at in (at_x, at_y))
        if cell_y:  # where curves of different length stand side by side
            xs.append(_number(cell_x, at_x, row, header if is_headed else (), decimal, is_first=not xs))
            ys.append(_number(cell_y, at_y, row, header if is_headed else (), decimal))
    _turn_and_check(xs, ys)
    names = (header[at_x], header[at_y]) if is_headed else ("", "")
    (x_name, x_unit), (y_name, y_unit) = (_name_and_unit(one) for one in names)
    return Curve(xs, ys, x_name, y_name, x_unit, y_unit)


def _name_and_unit(text: str) -> tuple[str, str | None]:
    """The heading without its unit, and that."""
    unit = heading(text).unit
    return without_unit(text), unit


def _data(sheet: Sheet, is_headed: bool) -> Iterator[Row]:
    if not is_headed:
        yield sheet.header
    yield from sheet.rows


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


def _is_number(cell: str, decimal: str) -> bool:
    return isinstance(resolve_cell(cell, decimal), Scalar)


def _number(
    cell: str, at: int, row: Row, header: Sequence[str], decimal: str, *, is_first: bool = False
) -> float:
    value = resolve_cell(cell, decimal)
    if isinstance(value, Scalar) and abs(value.value) <= LARGEST:
        return float(value.value)
    column = f" in the column {quoted(header[at])}" if header else f" in column {at + 1}"
    hint = "; begin lines above the table with #" if is_first else ""
    hint = "; is the decimal sign a comma? Declare recording_decimal" if "," in cell else hint
    raise Unusable(f"a number is expected{column}, found {quoted(cell)}{hint}", row.number)


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
