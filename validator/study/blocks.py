"""The data blocks: tables read in, the blocks' defaults filled into every run."""

from __future__ import annotations

import re
from functools import cache
from pathlib import PurePosixPath
from typing import TYPE_CHECKING

from msgspec import Struct
from msgspec.structs import replace
from pydantic_core import PydanticCustomError

from validator.study.columns import TableBlock, Units
from validator.study.files import Layout, Sheet, StudyFolder, TableFiles, Unusable
from validator.study.keys import records_in, specific_first
from validator.study.models.base import cell_range, few, row_range
from validator.study.models.recordings import FROM_NAMES, name_pattern
from validator.study.models.runs import Block, Run
from validator.study.models.study import DEFAULT_CONFIGURATION, Study
from validator.study.places import Entry, Leaf, Listing, Node, Place, Scalar, Table, resolve, text_of
from validator.study.problems import Problems, unknown
from validator.study.rows import Found, runs_of

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence

_DEFAULTS = ("analyte", "configuration", "preparation", "date", "matrix")


@cache
def data_blocks() -> tuple[tuple[str, type[Block], type[Run]], ...]:
    """The names of the data blocks, their models and the models of their runs."""
    return tuple(
        (name, block, run)
        for name, field in Study.model_fields.items()
        for block in records_in(field.annotation)
        if issubclass(block, Block)
        for run in records_in(block.model_fields["runs"].annotation)
        if issubclass(run, Run)
    )


def result_blocks() -> tuple[str, ...]:
    """The names of the blocks that hold results; those of recordings stand in the others."""
    return tuple(name for name, _, _ in data_blocks() if name != "recordings")


def units_by_analyte(root: Table) -> dict[str, Units]:
    """The units of the analytes, by their ids, as far as they can be understood."""
    method = root.table("method")
    units: dict[str, Units] = {}
    for _, analyte in method.tables("analytes") if method else ():
        if (name := analyte.text("id")) is not None:
            mass = analyte.get("molar_mass")
            number = mass.value.value if isinstance(mass, Leaf) and isinstance(mass.value, Scalar) else None
            unit, signal_unit = (analyte.text(key) or "" for key in ("unit", "signal_unit"))
            units.setdefault(name, Units(unit, signal_unit, number))
    return units


def configuration_ids(root: Table) -> list[str]:
    """The ids of the configurations; that of the unnamed one where the study names none."""
    method = root.table("method")
    named = [item.text("id") for _, item in method.tables("configurations")] if method else []
    return [name for name in named if name is not None] or [DEFAULT_CONFIGURATION]


def _validated(root: Table) -> str:
    """The id of the configuration of runs that name none; an unknown one is told elsewhere, once."""
    method = root.table("method")
    named = method.text("configuration") if method else None
    known = configuration_ids(root)
    return named if named in known else known[0]


class _Filling(Struct):
    root: Table
    folder: StudyFolder
    files: TableFiles
    problems: Problems
    units: dict[str, Units]
    configurations: list[str]
    configuration: str

    @property
    def only_analyte(self) -> str | None:
        return next(iter(self.units)) if len(self.units) == 1 else None


def with_data(root: Table, folder: StudyFolder, problems: Problems) -> tuple[Table, set[str]]:
    """The study with tables read in and defaults filled in, and the names of blocks that stay incomplete."""
    filling = _Filling(
        root,
        folder,
        TableFiles(folder),
        problems,
        units_by_analyte(root),
        configuration_ids(root),
        _validated(root),
    )
    filled: dict[str, Entry] = {}
    incomplete: set[str] = set()
    for name, model, run in data_blocks():
        block = root.table(name)
        if block is None:
            if name in root.entries and root.get(name) is None:
                problems.add(root.place_of(name), (name,), "is empty; enter a value or omit the key")
            continue
        given = [key for key in _DEFAULTS if key in model.model_fields and block.get(key) is not None]
        defaults = _Defaults(name, {key: block.entries[key] for key in given}, filling)
        runs, complete = _runs(name, block, run, filling, defaults)
        if not complete:
            incomplete.add(name)
        if isinstance(runs, Listing):
            items = [defaults.told(item, index) for index, item in enumerate(runs.items)]
            block = block.with_entries({"runs": Entry(block.place_of("runs"), Listing(runs.place, items))})
        filled[name] = Entry(root.place_of(name), block)
    return root.with_entries(filled), incomplete


def _runs(
    name: str, block: Table, run: type[Run], filling: _Filling, defaults: _Defaults
) -> tuple[Node | None, bool]:
    """The runs of a block, from the study file or from its table; False where a table is not complete."""
    add = filling.problems.add
    runs = block.get("runs")
    found = list(_curves(block, filling)) if name == "recordings" else []
    if "curves" in block.entries and not {"runs", "file"} & set(block.entries):
        return Listing(block.place_of("curves"), found), True
    if found:
        message = "curves, runs and file are mutually exclusive; give only one"
        add(block.place_of("curves"), (name, "curves"), message)
    if "file" in block.entries and "runs" in block.entries:
        add(block.place_of("file"), (name, "file"), "file and runs are mutually exclusive; give only one")
        return runs, True
    if "file" not in block.entries:
        for key in _OF_TABLES:
            if key in block.entries:
                message = f"{key} applies to a table file, but this block names none"
                add(block.place_of(key), (name, key), message)
        if "runs" not in block.entries and name != "recordings" and filling.root.table("recordings"):
            return Listing(filling.root.place_of(name), []), True  # its readings come from curves
        if "runs" not in block.entries:
            message = "no data; give runs, or file with the name of a table (CSV or XLSX)"
            add(filling.root.place_of(name), (name,), message)
            return None, False
        if isinstance(runs, Listing) and not runs.items:
            add(block.place_of("runs"), (name, "runs"), "the list is empty; enter at least one run")
        return runs, True
    return _table_runs(name, block, run, filling, defaults)


def _curves(block: Table, filling: _Filling) -> Iterable[Table]:
    """A run for every file that a pattern of ``curves`` finds, with what its name says.

    What a later set says of the same curve, analyte and block is added to it.
    """
    found: dict[tuple[str, str | None, str | None], Table] = {}
    for index, entry in block.tables("curves"):
        for name, run in _curves_of(entry, index, filling):
            key = (name, run.text("into"), run.text("analyte"))
            found[key] = found[key].with_entries(run.entries) if key in found else run
    return found.values()


def _curves_of(entry: Table, index: int, filling: _Filling) -> Iterator[tuple[str, Table]]:
    pattern, loc = entry.text("files"), ("recordings", "curves", index)
    if pattern is None:
        return  # told by the models
    try:
        names = filling.folder.matching(pattern)
    except Unusable as error:
        filling.problems.add(entry.place_of("files"), (*loc, "files"), str(error))
        return
    shared = {key: one for key, one in entry.entries.items() if key != "files" and key not in _FROM_NAMES}
    unread: dict[str, list[str]] = {}
    for name in names:
        read = {"recording": _entry(entry.place_of("files"), name)}
        for key, field in _FROM_NAMES.items():
            if (expression := entry.text(key)) is None or not _is_name_pattern(expression):
                continue
            found = re.search(expression, PurePosixPath(name).name)
            if found is None:
                unread.setdefault(key, []).append(name)
                continue
            text = found[1].replace(",", ".") if field in ("level", "use") else found[1]
            place = entry.place_of(key)
            read[field] = Entry(place, Leaf(place, resolve(text) if field in ("level", "use") else text))
        yield name, Table(entry.place, {**shared, **read})
    for key, missed in unread.items():
        filling.problems.add(entry.place_of(key), (*loc, key), f"finds nothing in {few(missed)}")


_FROM_NAMES = {f"{field}_from": field for field in FROM_NAMES}


def _is_name_pattern(text: str) -> bool:
    try:
        name_pattern(text)
    except PydanticCustomError:
        return False
    return True


_OF_TABLES = (
    *("sheet", "columns", "ignored_columns", "decimal", "header_row", "rows", "range", "ignored_rows"),
    *("units", "wide"),
)
"""Keys that say how a table file is read."""


class _Part(Struct, frozen=True):
    """One reading of one table: its file and sheet, what holds for all its runs, and its own columns."""

    file: str
    sheet: str | None
    given: dict[str, Entry]
    columns: tuple[str, Sequence[str], Place] | None = None


def _table_runs(
    name: str, block: Table, run: type[Run], filling: _Filling, defaults: _Defaults
) -> tuple[Node | None, bool]:
    """The runs of every part of the block's tables, one after the other."""
    parts = list(_parts(name, block, run, filling.problems))
    items: list[Node | Run] = []
    is_complete = bool(parts)
    for part in parts:
        mapped = dict(_mapped(block))
        ignored = _ignored(block)
        for other in parts:
            if other.columns is not None and other is not part:
                ignored |= dict.fromkeys(other.columns[1], other.columns[2])
        if part.columns is not None:
            mapped[part.columns[0]] = part.columns[1:]
            ignored = {header: place for header, place in ignored.items() if header not in part.columns[1]}
        found = _part_runs(name, block, run, filling, defaults.with_given(part.given), part, mapped, ignored)
        is_complete &= found is not None and found.is_complete
        if found is not None:
            items += [_with(item, part.given) for item in found.runs.items]
    return (Listing(block.place_of("file"), items) if items or is_complete else None), is_complete


def _with(item: Node | Run, given: dict[str, Entry]) -> Node | Run:
    if not isinstance(item, Table):
        return item
    return item.with_entries({key: entry for key, entry in given.items() if item.get(key) is None})


def _part_runs(
    name: str,
    block: Table,
    run: type[Run],
    filling: _Filling,
    defaults: _Defaults,
    part: _Part,
    mapped: Mapping[str, tuple[Sequence[str], Place]],
    ignored: Mapping[str, Place],
) -> Found | None:
    add = filling.problems.add
    shown = f"{part.file} [{part.sheet}]" if part.sheet else part.file
    try:
        sheet = filling.files.sheet(part.file, part.sheet, _layout(block))
        _check_form(name, block, part.file, sheet, filling.problems)
        table = TableBlock(
            block=name,
            label=", ".join([name, *filter(None, (text_of(entry.node) for entry in part.given.values()))]),
            file=shown,
            run=run,
            mapped=mapped,
            stated=_stated(block),
            ignored=ignored,
            decimal="." if sheet.separator is None else block.text("decimal") or ".",
            analyte=block.text("analyte") or filling.only_analyte,
            units=filling.units,
            preparation=block.text("preparation") or "independent",
            given=part.given,
            only_filled=part.columns[0] if part.columns else "",
        )
        found = runs_of(sheet, table, defaults.complete, filling.problems)
    except Unusable as error:
        if error.line:
            add(Place(shown, error.line, in_table=True), (name,), str(error))
        else:
            said = str(error) if part.file in str(error) else f"{part.file}: {error}"
            add(block.place_of("file"), (name, "file"), said)
        return None
    filling.files.note(part.file, name, sheet.tally, found.remarks)
    return found


def _parts(name: str, block: Table, run: type[Run], problems: Problems) -> Iterator[_Part]:
    """The parts in the order in which the study names them; what cannot be understood is told."""
    files, sheets = (_sources(name, block, key, problems) for key in ("file", "sheet"))
    if len(files) > 1 and len(sheets) > 1:
        message = "file and sheet are both lists; name several files, or several sheets of one file"
        problems.add(block.place_of("sheet"), (name, "sheet"), message)
        return
    wide = list(_wide(name, block, run, problems))
    for file, of_file in files:
        for sheet, of_sheet in sheets or [("", {})]:
            path, given = PurePosixPath(file).as_posix(), {**of_file, **of_sheet}
            if not wide:
                yield _Part(path, sheet or None, given)
            for of_columns, columns in wide:
                yield _Part(path, sheet or None, {**given, **of_columns}, columns)


def _sources(name: str, block: Table, key: str, problems: Problems) -> list[tuple[str, dict[str, Entry]]]:
    """Names of files or sheets, with the configuration that each is said to hold."""
    node = block.get(key)
    found: list[tuple[str, dict[str, Entry]]] = []
    match node:
        case Table():
            for label, entry in node.entries.items():
                if (text := text_of(entry.node)) is not None:
                    of = Entry(entry.key_place, Leaf(entry.key_place, label))
                    found.append((text, {"configuration": of}))
        case Listing():
            found = [(text, {}) for item in node.items if (text := text_of(item)) is not None]
        case Leaf():
            text = text_of(node)
            found = [(text, {})] if text is not None else []
        case None:
            pass
    if not found and key == "file":
        message = "is empty; name a table file (CSV or XLSX), or give runs"
        problems.add(block.place_of(key), (name, key), message)
    return found


_READINGS = ("signals", "signal", "signal_height", "found", "concentrations", "result")
"""Fields that hold what was measured, the first that a block has being that of wide tables."""


def _wide(
    name: str, block: Table, run: type[Run], problems: Problems
) -> Iterator[tuple[dict[str, Entry], tuple[str, Sequence[str], Place]]]:
    """What each group of columns stands for, and the field, headers and place of its readings."""
    wide = block.table("wide")
    known = [*run.model_fields, *(run.one_row.model_fields if run.one_row else ())]
    for field, entry in wide.entries.items() if wide else ():
        if field not in known:
            told = unknown("field", field, specific_first(known))
            problems.add(entry.key_place, (name, "wide", field), told)
            continue
        readings = next((one for one in _READINGS if one in known), None)
        if readings is None or field in _READINGS:
            problems.add(entry.key_place, (name, "wide"), f"wide does not apply to {name}")
            continue
        node = entry.node
        groups: Iterable[tuple[str, Entry]] = node.entries.items() if isinstance(node, Table) else ()
        if isinstance(node, Listing):
            labels = [item for item in node.items if isinstance(item, Leaf)]
            groups = [(text, Entry(item.place, item)) for item in labels if (text := text_of(item))]
        for label, of in groups:
            items = of.node.items if isinstance(of.node, Listing) else [of.node]
            headers = [text for item in items if (text := text_of(item)) is not None]
            value = resolve(label)
            yield {field: Entry(of.key_place, Leaf(of.key_place, value))}, (readings, headers, of.key_place)


def _layout(block: Table) -> Layout:
    """Where the table stands; what is written wrongly is told by the models."""
    rows, cells = _ranged(row_range, block.text("rows")), _ranged(cell_range, block.text("range"))
    header = block.text("header_row") or ""
    ignored = block.get("ignored_rows")
    items = ignored.items if isinstance(ignored, Listing) else [ignored]
    labels = [text for item in items if (text := text_of(item))]
    return Layout(
        header_row=int(header) if header.isdecimal() else cells[0] if cells else 0,
        first_row=rows[0] if rows else 0,
        last_row=rows[1] if rows else cells[1] if cells else 0,
        first_column=cells[2] if cells else 0,
        last_column=cells[3] if cells else 0,
        ignored_rows=frozenset(int(one) if one.isdecimal() else one.strip(" :=").lower() for one in labels),
    )


def _ranged(read: Callable[[object], tuple[int, ...]], written: str | None) -> tuple[int, ...]:
    try:
        return read(written) if written else ()
    except PydanticCustomError:
        return ()


def _check_form(name: str, block: Table, file: str, sheet: Sheet, problems: Problems) -> None:
    """Note what the block says of its file that does not fit that kind of file."""
    if "sheet" in block.entries and sheet.separator is not None:
        message = f"sheet applies to workbooks (.xlsx) only; {file} is a text file"
        problems.add(block.place_of("sheet"), (name, "sheet"), message)
    decimal = block.text("decimal") or "."
    if decimal == "," and sheet.separator == ",":
        message = (
            f"the cells of {file} are separated by commas; with decimal commas, separate "
            "them by semicolons or tabs"
        )
        problems.add(block.place_of("decimal"), (name, "decimal"), message)
    if "decimal" in block.entries and sheet.separator is None:
        message = "decimal applies to text files (CSV) only; omit it for a workbook"
        problems.add(block.place_of("decimal"), (name, "decimal"), message)


def _mapped(block: Table) -> Iterator[tuple[str, tuple[Sequence[str], Place]]]:
    columns = block.table("columns")
    for field, entry in columns.entries.items() if columns else ():
        items = entry.node.items if isinstance(entry.node, Listing) else [entry.node]
        headers = [text for item in items if (text := text_of(item)) is not None]
        if headers:
            yield field, (headers, entry.key_place)


def _stated(block: Table) -> dict[str, tuple[str, Place]]:
    units = block.table("units")
    written = units.entries.items() if units else ()
    return {
        field: (text, entry.key_place)
        for field, entry in written
        if (text := text_of(entry.node)) is not None
    }


def _ignored(block: Table) -> dict[str, Place]:
    node = block.get("ignored_columns")
    items = node.items if isinstance(node, Listing) else [] if node is None else [node]
    named = ((text_of(item), item.place) for item in items if isinstance(item, Leaf))
    return {header: place for header, place in named if header}


class _Defaults(Struct, frozen=True):
    """What holds for the runs of one block where they do not say it themselves."""

    block: str
    given: dict[str, Entry]
    filling: _Filling

    def with_given(self, added: dict[str, Entry]) -> _Defaults:
        """These, and what holds for the runs of one part of the tables."""
        return replace(self, given={**self.given, **added})

    def told(self, item: Node | Run, index: int) -> Node | Run:
        """The run with what it does not say itself, after a missing analyte was told.

        Runs that are no tables are left to the models, finished ones as they are.
        """
        if not isinstance(item, Table):
            return item
        filled = self._filled(item)
        if filled.get("analyte") is None and self.filling.units:
            message = f"missing; name one of the analytes of the study: {', '.join(self.filling.units)}"
            self.filling.problems.add(item.place, (self.block, "runs", index, "analyte"), message)
        return filled

    def complete(self, item: Table) -> Table | None:
        """The run with what it does not say itself, None where its ids are missing or lead nowhere."""
        filled = self._filled(item)
        known = filled.text("analyte") in self.filling.units
        return filled if known and filled.text("configuration") in self.filling.configurations else None

    def _filled(self, item: Table) -> Table:
        filling = self.filling
        added = {key: entry for key, entry in self.given.items() if item.get(key) is None}
        if item.get("analyte") is None and "analyte" not in added and filling.only_analyte is not None:
            added["analyte"] = _entry(item.place, filling.only_analyte)
        if item.get("configuration") is None and "configuration" not in added:
            added["configuration"] = _entry(item.place, filling.configuration)
        if self.block == "matrix_calibration" and item.get("matrix") is None and "matrix" not in added:
            study = filling.root.table("study")
            if study is not None and study.text("matrix") is not None:
                added["matrix"] = study.entries["matrix"]
        return item.with_entries(added)


def _entry(place: Place, text: str) -> Entry:
    return Entry(place, Leaf(place, text))
