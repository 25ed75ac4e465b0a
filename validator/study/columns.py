"""What the columns of a table mean for a data block: headers to fields."""

from __future__ import annotations

import re
from typing import TYPE_CHECKING, get_origin

from msgspec import Struct

from validator.study.conversion import Inconvertible
from validator.study.headings import Doubt, heading, into, normal_header, same_unit, unit_of, without_unit
from validator.study.keys import parts_of, specific_first
from validator.study.models.base import quoted
from validator.study.places import Place
from validator.study.problems import meant, nearest, unknown

if TYPE_CHECKING:
    from collections.abc import Collection, Mapping, Sequence

    from pydantic.fields import FieldInfo

    from validator.study.files import Row
    from validator.study.models.runs import Run
    from validator.study.problems import Problems

_NUMBERED = re.compile(r"(.*?)[ _]*([0-9]{1,6})")
_NOT_ASCII = re.compile(r"[^\x00-\x7f]|\?")
_LONGEST_HEADER = 200


class Units(Struct, frozen=True):
    """The units that belong to an analyte, and the molar mass in g/mol that turns amounts into masses."""

    level: str
    signal: str
    molar_mass: float | None = None


class TableBlock(Struct, frozen=True, kw_only=True):
    """What the study says about the table of a data block.

    Attributes:
        block: name of the block.
        label: that, and for which configuration, device or level the table is read.
        file: name of the table file.
        run: the model of the block's runs.
        mapped: headers by field, and the place where they were written; several for a list of values.
        stated: units by field, and the place where they were written, whatever the headers say.
        ignored: headers of columns that are not read, and the place where that was written.
        decimal: the decimal sign in the file.
        analyte: id of the analyte of rows that name none.
        units: units by analyte id.
        preparation: what replicates are in rows that do not say so.
        given: fields that hold for all rows and need no column.
        only_filled: field without which a row says nothing: of a table whose columns stand side by side.
    """

    block: str
    label: str
    file: str
    run: type[Run]
    mapped: Mapping[str, tuple[Sequence[str], Place]]
    stated: Mapping[str, tuple[str, Place]]
    ignored: Mapping[str, Place]
    decimal: str
    analyte: str | None
    units: Mapping[str, Units]
    preparation: str
    given: Collection[str] = ()
    only_filled: str = ""

    @property
    def fields(self) -> list[str]:
        """The fields that a column may hold."""
        own = [name for name in self.run.model_fields if name != self.run.rows_in]
        return own if self.run.one_row is None else [*own, *self.run.one_row.model_fields]

    def field_for(self, name: str, *, numbered: bool) -> str | None:
        """The field that *name* stands for; a numbered header stands for a field of several values."""
        field = name.replace(" ", "_")
        choices = [choice for choice in (field, f"{field}s") if choice in self.fields]
        if numbered or field not in self.fields:
            choices = [choice for choice in choices if self.is_list(choice)]
        return choices[0] if choices else None

    def is_list(self, field: str) -> bool:
        """True when the field holds several values."""
        return any(get_origin(part) is tuple for part in parts_of(self.info(field).annotation))

    def is_required(self, field: str) -> bool:
        """True when no row can do without the field."""
        return self.info(field).is_required()

    def varies(self, field: str) -> bool:
        """True when the rows of one run differ in the field."""
        return self.is_list(field) if self.run.one_row is None else field in self.run.one_row.model_fields

    def info(self, field: str) -> FieldInfo:
        """What the model of the runs says of the field."""
        own, inner = self.run.model_fields, self.run.one_row
        return own[field] if field in own or inner is None else inner.model_fields[field]


class Column(Struct, frozen=True):
    """A column that is understood: where it stands, and which field (and which of its values) it holds.

    ``said`` is its header with what a row of units below it says.
    """

    index: int
    place: Place
    field: str
    number: int | None
    said: str
    is_mapped: bool
    holds_list: bool

    @property
    def unit(self) -> str | None:
        """What the header gives as a unit, of whatever dimension."""
        found = heading(self.said)
        return next(iter(found.certain), found.unit)

    @property
    def header(self) -> str:
        """The header as it stands in the file."""
        return self.place.column


def columns_of(header: Row, table: TableBlock, problems: Problems) -> tuple[list[Column], bool]:
    """The columns that hold fields, by their numbers, and whether every field that a row needs has one."""
    columns: list[Column] = []
    taken: dict[tuple[str, int | None], str] = {}
    ignored = {normal_header(name) for name in table.ignored}
    for index, name in enumerate(header.cells):
        if ignored and ignored.intersection(heading(name).names):
            continue
        place = place_of_header(header, index, table)
        column = column_at(index, place, table) if 0 < len(name) <= _LONGEST_HEADER else None
        if column is None:
            if name:
                problems.add(place, (table.block,), _unknown_header(name, table))
        elif not column.field:
            continue  # mapped to a field that does not exist: told where it is mapped
        elif first := taken.get((column.field, column.number)):
            problems.add(place, (table.block,), _taken(column, first, table))
        else:
            taken[column.field, column.number] = name
            columns.append(column)
    _check_mapping(columns, header, table, problems)
    columns.sort(key=lambda column: column.number or 0)
    return columns, _check_required(columns, header, table, problems)


def place_of_header(header: Row, index: int, table: TableBlock) -> Place:
    """Where the header of a column stands; a column without one is named by its number."""
    return Place(table.file, header.number, header.cells[index] or f"no. {index + 1}", in_table=True)


def column_at(index: int, place: Place, table: TableBlock) -> Column | None:
    """What the header at *place* says of its column, None where it says nothing that is known."""
    found = heading(place.column)
    numbered = next(
        (one for name in found.names[1:] or found.names if (one := _NUMBERED.fullmatch(name))), None
    )

    def column(name: str, number: str | int | None, is_mapped: bool) -> Column | None:
        field = table.field_for(name, numbered=number is not None) or ""
        if not is_mapped and (not field or field in table.mapped):
            return None
        holds_list = bool(field) and table.is_list(field)
        number = int(number) if number else None
        return Column(index, place, field, number, place.column, is_mapped, holds_list)

    for field, (headers, _) in table.mapped.items():
        for number, wanted in enumerate(map(normal_header, headers), start=1):
            if wanted in found.names:
                return column(field, number if len(headers) > 1 else None, True)
            if numbered and wanted == numbered[1] and len(headers) == 1:
                return column(field, numbered[2], True)
    own = next(filter(None, (column(name, None, False) for name in found.names)), None)
    return column(numbered[1], numbered[2], False) if own is None and numbered else own


def _taken(column: Column, first: str, table: TableBlock) -> str:
    said = f"contains {column.field}, as does the column {quoted(first)}"
    one = column.field.removesuffix("s")
    return f"{said}; number them: {one} 1, {one} 2" if table.field_for(one, numbered=True) else said


def _unknown_header(header: str, table: TableBlock) -> str:
    known = [name for name in specific_first(table.fields) if name not in table.mapped]
    bare = without_unit(header)
    otherwise = "or list it under ignored_columns"
    likely = meant(bare, known)
    if likely is None:
        said = unknown("column", bare, known)
        return f"{said}{'' if said.endswith('?') else '.'} Map a field to it under columns, {otherwise}"
    shown, numbered = bare, _NUMBERED.fullmatch(bare)
    if numbered and numbered[1] and (several := table.field_for(likely, numbered=True)):
        likely, shown = several, numbered[1]
    return f"unknown column; did you mean '{likely}'? Then write columns: {{{likely}: {shown}}}, {otherwise}"


def _check_mapping(columns: list[Column], header: Row, table: TableBlock, problems: Problems) -> None:
    found = {column.field for column in columns if column.is_mapped}
    for field, (headers, place) in table.mapped.items():
        loc = (table.block, "columns", field)
        meant = {table.field_for(field, numbered=numbered) for numbered in (False, True)} - {None}
        if not meant:
            problems.add(place, loc, unknown("field", field, specific_first(table.fields)))
        elif len(headers) > 1 and not any(table.is_list(one) for one in meant if one):
            problems.add(place, loc, f"{field} holds a single value; name one column")
        elif len(headers) > 1 or meant.isdisjoint(found):
            there = {name for cell in header.cells for name in heading(cell).names}
            for wanted in headers:
                if len(headers) == 1 or normal_header(wanted) not in there:
                    problems.add(place, loc, _no_column(wanted, header, table))
    for field, (_, place) in table.stated.items():
        meant = {table.field_for(field, numbered=numbered) for numbered in (False, True)} - {None}
        fields = table.run.in_analyte_unit | table.run.in_signal_unit | table.run.in_either_unit
        if fields.isdisjoint(meant):
            sentence = (
                unknown("field", field, sorted(fields)) if not meant else f"{field} has no unit to state"
            )
            problems.add(place, (table.block, "units", field), sentence)


def check_ignored(header: Row, table: TableBlock, problems: Problems) -> None:
    """Note columns to be ignored that are not there."""
    there = {name for cell in header.cells for name in heading(cell).names}
    for wanted, place in table.ignored.items():
        if normal_header(wanted) not in there:
            problems.add(place, (table.block, "ignored_columns"), _no_column(wanted, header, table))


def _no_column(wanted: str, header: Row, table: TableBlock) -> str:
    near = nearest(wanted, header.cells)
    if near is not None and normal_header(near) == normal_header(wanted):
        return f"the column {quoted(near)} already contains another field"
    hint = f"did you mean '{near}'?" if near else f"it has: {', '.join(header.cells)}"
    return f"{table.file} has no column {quoted(wanted)}; {hint}"


def _check_required(columns: list[Column], header: Row, table: TableBlock, problems: Problems) -> bool:
    there = {column.field for column in columns}
    there |= {"time_unit"} if any(column.field == "time" and column.unit for column in columns) else set()
    there |= set(table.given)
    needed = [field for field in table.fields if table.is_required(field) and field not in there]
    place = Place(table.file, header.number, in_table=True)
    for field in needed:
        shown = field.removesuffix("s") if table.is_list(field) else field
        problems.add(place, (table.block,), f"missing column '{shown}'")
    return not needed


def check_preparations(columns: list[Column], table: TableBlock, place: Place, problems: Problems) -> None:
    """Note a table of repeated readings that does not say which of them belong together."""
    is_wide = any(column.number is not None for column in columns)
    if not is_wide and all(column.field != "preparation_id" for column in columns):
        message = "missing column 'preparation_id', which identifies the repeated readings of one preparation"
        problems.add(place, (table.block,), message)


class Scale(Struct, frozen=True):
    """The unit in which the values of a column stand, None where nothing says it, and its factor."""

    unit: str | None
    into: str
    factor: float


def scale_of(column: Column, analyte: str | None, table: TableBlock) -> Scale | None:
    """From the values of *column* to the unit declared for *analyte*; None where they have no unit to check.

    Raises:
        Doubt: what the header or the study says of the unit does not lead there; the message is whole.
    """
    units = table.units.get(analyte or "")
    expected = expected_units(column, units, table.run) if units else []
    if not units or not all(expected) or not expected:
        return None
    stated = next(
        (
            (unit, field)
            for field, (unit, _) in table.stated.items()
            if column.field in (table.field_for(field, numbered=numbered) for numbered in (False, True))
        ),
        None,
    )
    try:
        found, factor = unit_of(column.said, expected, units.molar_mass, table.units)
    except Doubt as doubt:
        if stated is None:
            raise Doubt(_asked(column, expected, str(doubt))) from None
        return _stated_scale(*stated, expected, units)
    if stated is None:
        return Scale(found, expected[0], factor)
    if found is not None and not same_unit(found, stated[0]):
        raise Doubt(f"the heading says {quoted(found)} and units {quoted(stated[0])}; correct one of them")
    return _stated_scale(*stated, expected, units)


def _stated_scale(unit: str, field: str, expected: Sequence[str], units: Units) -> Scale:
    reason = ""
    for one in expected:
        try:
            return Scale(unit, one, into(unit, one, units.molar_mass))
        except Inconvertible as error:
            reason = str(error)
    raise Doubt(f"units: {{{field}: {unit}}}: {reason}")


def _asked(column: Column, expected: Sequence[str], why: str) -> str:
    said = next(iter(heading(column.said).certain), column.said)
    if _NOT_ASCII.search(said) and any(_without_signs(said) == _without_signs(unit) for unit in expected):
        lost = "a character was lost: save the file as UTF-8"
        return f"the unit {quoted(said)} differs from '{expected[0]}'; {lost}"
    field = column.field.removesuffix("s")
    return f"{why}; state the unit of the values in the study, for example units: {{{field}: {expected[0]}}}"


def _without_signs(unit: str) -> str:
    return "".join(_NOT_ASCII.sub("", unit).split())


def expected_units(column: Column, units: Units, run: type[Run]) -> list[str]:
    """The units that the values of *column* may have, none where they have no unit to check."""
    if column.field in run.in_analyte_unit:
        return [units.level]
    if column.field in run.in_signal_unit:
        return [units.signal]
    return [units.level, units.signal] if column.field in run.in_either_unit else []
