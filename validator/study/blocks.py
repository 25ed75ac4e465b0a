"""The data blocks: tables read in, the blocks' defaults filled into every run."""

from __future__ import annotations

from functools import cache
from pathlib import PurePosixPath
from typing import TYPE_CHECKING

from msgspec import Struct

from validator.study.columns import TableBlock, Units
from validator.study.files import Sheet, StudyFolder, TableFiles, Unusable
from validator.study.keys import records_in
from validator.study.models.runs import Block, Run
from validator.study.models.study import DEFAULT_CONFIGURATION, Study
from validator.study.places import Entry, Leaf, Listing, Node, Place, Table, text_of
from validator.study.rows import runs_of

if TYPE_CHECKING:
    from validator.study.problems import Problems

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
            units.setdefault(name, Units(analyte.text("unit") or "", analyte.text("signal_unit") or ""))
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
        root, TableFiles(folder), problems, units_by_analyte(root), configuration_ids(root), _validated(root)
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
    if "file" in block.entries and "runs" in block.entries:
        add(block.place_of("file"), (name, "file"), "file and runs are mutually exclusive; give only one")
        return runs, True
    if "file" not in block.entries:
        for key in ("sheet", "columns", "ignored_columns", "decimal"):
            if key in block.entries:
                add(
                    block.place_of(key),
                    (name, key),
                    f"{key} applies to a table file, but this block names none",
                )
        if "runs" not in block.entries:
            message = "no data; give runs, or file with the name of a table (CSV or XLSX)"
            add(filling.root.place_of(name), (name,), message)
            return None, False
        if isinstance(runs, Listing) and not runs.items:
            add(block.place_of("runs"), (name, "runs"), "the list is empty; enter at least one run")
        return runs, True
    return _table_runs(name, block, run, filling, defaults)


def _table_runs(
    name: str, block: Table, run: type[Run], filling: _Filling, defaults: _Defaults
) -> tuple[Node | None, bool]:
    add = filling.problems.add
    file = block.text("file")
    if file is None:
        if block.get("file") is None:
            message = "is empty; name a table file (CSV or XLSX), or give runs"
            add(block.place_of("file"), (name, "file"), message)
        return None, False
    file = PurePosixPath(file).as_posix()
    part = block.text("sheet")
    shown = f"{file} [{part}]" if part else file
    try:
        sheet = filling.files.sheet(file, part)
        _check_form(name, block, file, sheet, filling.problems)
        columns = block.table("columns")
        table = TableBlock(
            block=name,
            file=shown,
            run=run,
            mapped=_mapped(columns) if columns else {},
            ignored=_ignored(block),
            decimal="." if sheet.separator is None else block.text("decimal") or ".",
            analyte=block.text("analyte") or filling.only_analyte,
            units=filling.units,
            preparation=block.text("preparation") or "independent",
        )
        return runs_of(sheet, table, defaults.complete, filling.problems)
    except Unusable as error:
        if error.line:
            add(Place(shown, error.line, in_table=True), (name,), str(error))
        else:
            said = str(error) if file in str(error) else f"{file}: {error}"
            add(block.place_of("file"), (name, "file"), said)
        return None, False


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


def _mapped(columns: Table) -> dict[str, tuple[str, Place]]:
    headers = {field: (text_of(entry.node), entry.key_place) for field, entry in columns.entries.items()}
    return {field: (header, place) for field, (header, place) in headers.items() if header is not None}


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
