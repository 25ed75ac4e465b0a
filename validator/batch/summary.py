"""The summary of a batch as CSV, workbook or web page: one line a study, and the trend over versions."""

from __future__ import annotations

import csv
import io
import re
from typing import TYPE_CHECKING

from msgspec import Struct
from msgspec.structs import fields

from validator.batch.rows import StudyRow
from validator.errors import EnvironmentProblem, OutputProblem, ValidatorError
from validator.writing import check_outputs, write_atomically

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator, Sequence
    from pathlib import Path

    from validator.batch.rows import FigureRow, StudyPlace


class TrendRow(Struct, frozen=True, kw_only=True):
    """One figure of one version.

    Attributes:
        method: id of the study, or its title where it has none.
        version, path: of the study.
        analyte, configuration, figure, level, unit, value, lower, upper: as in the study.
        change_percent: change against the version before, in percent of that; None for the first, and where
            the figure before is zero.
        apart: the interval does not overlap that of the version before; None where one of them is open.
    """

    method: str
    analyte: str
    configuration: str
    figure: str
    level: float | None
    unit: str
    version: str
    path: str
    value: float
    lower: float | None
    upper: float | None
    change_percent: float | None = None
    apart: bool | None = None


def trend(rows: Iterable[StudyRow]) -> tuple[TrendRow, ...]:
    """Figures of every method of which *rows* hold two versions or more, version by version.

    Intervals that do not overlap differ; intervals that overlap may differ too.
    """
    methods: dict[str, list[StudyRow]] = {}
    for row in rows:
        if row.version and not row.problem:
            methods.setdefault(row.id or row.title, []).append(row)
    return tuple(
        line
        for method in sorted(methods)
        if len({row.version for row in methods[method]}) > 1
        for line in _of_method(method, methods[method])
    )


def natural_order(version: str) -> tuple[tuple[int, int, str], ...]:
    """A key by which version 10 comes after version 9."""
    parts = re.findall(r"\d+|[^\d.\s_-]+", version)
    return tuple((1, int(part), "") if part.isdecimal() else (0, 0, part) for part in parts)


def _of_method(method: str, rows: list[StudyRow]) -> Iterator[TrendRow]:
    series: dict[tuple[object, ...], list[tuple[StudyRow, FigureRow]]] = {}
    for row in sorted(rows, key=lambda one: (natural_order(one.version), one.path)):
        for one in row.figures:
            key = (one.analyte, one.configuration, one.figure, one.level, one.unit)
            series.setdefault(key, []).append((row, one))
    for line in series.values():
        before: FigureRow | None = None
        for row, one in line if len(line) > 1 else ():
            yield TrendRow(
                method=method,
                analyte=one.analyte,
                configuration=one.configuration,
                figure=one.figure,
                level=one.level,
                unit=one.unit,
                version=row.version,
                path=row.path,
                value=one.value,
                lower=one.lower,
                upper=one.upper,
                change_percent=_change(before, one),
                apart=_apart(before, one),
            )
            before = one


def _change(before: FigureRow | None, now: FigureRow) -> float | None:
    if before is None or before.value == 0:
        return None
    return 100 * (now.value - before.value) / abs(before.value)


def _apart(before: FigureRow | None, now: FigureRow) -> bool | None:
    if before is None or before.lower is None or before.upper is None:
        return None
    if now.lower is None or now.upper is None:
        return None
    return now.lower > before.upper or now.upper < before.lower


Cell = str | float | int | bool | None

ENDINGS = (".csv", ".xlsx", ".html")
_STEERING = ("=", "+", "-", "@", "\t", "\r", "\n")
"""A text that begins so would be computed by a spreadsheet program."""

_STUDY_COLUMNS = tuple(one.name for one in fields(StudyRow) if one.name not in ("figures", "reused"))
_TREND_COLUMNS = tuple(one.name for one in fields(TrendRow))
_NOT_OF_A_CELL = {code: "\ufffd" for code in range(32) if chr(code) not in "\t\n\r"}


def check_summary(file: Path, places: Sequence[StudyPlace] = ()) -> None:
    """Refuse a summary that could not be written, before the work is done.

    Raises:
        OutputProblem: the ending is none of .csv, .xlsx and .html, or it would overwrite a file of a study.
        EnvironmentProblem: a workbook is asked for and the package for it is missing.
    """
    if file.suffix.lower() not in ENDINGS:
        raise OutputProblem(f"{file}: unsupported summary format; use the extension {', '.join(ENDINGS)}")
    if file.suffix.lower() == ".xlsx":
        try:
            import openpyxl  # noqa: F401
        except ImportError as error:
            from validator.study.workbook import INSTALL

            raise EnvironmentProblem(f"{file}: workbooks need a package: {INSTALL}") from error
    inputs = (one for place in places for one in _inputs_around(file, place))
    check_outputs((file, _trend_beside(file)), inputs)


def _inputs_around(file: Path, place: StudyPlace) -> Iterable[Path]:
    """The files of the study in whose folder *file* lies; all of that folder if the study cannot be read."""
    from validator.evaluation.inputs import files_of
    from validator.reading import read_study

    if not file.resolve().is_relative_to(place.folder):
        return ()
    try:
        return files_of(read_study(place.folder))
    except ValidatorError:
        return place.folder.rglob("*")


def _trend_beside(file: Path) -> Path:
    return file.with_name(f"{file.stem}-trend{file.suffix}")


def write_summary(file: Path, rows: Iterable[StudyRow]) -> tuple[Path, ...]:
    """Write the summary of *rows*, sorted by path, in the format of *file*'s ending; what was written.

    A CSV file holds one table, so the trend goes to ``<name>-trend.csv`` beside it where there is one.
    """
    ordered = sorted(rows, key=lambda row: row.path.split("/"))
    changes = trend(ordered)
    match file.suffix.lower():
        case ".csv":
            write_atomically(file, _csv(_STUDY_COLUMNS, ordered))
            if not changes:
                return (file,)
            beside = _trend_beside(file)
            write_atomically(beside, _csv(_TREND_COLUMNS, changes))
            return file, beside
        case ".xlsx":
            write_atomically(file, _workbook(ordered, changes))
        case _:
            from validator.batch.page import summary_page

            write_atomically(file, summary_page(ordered, changes))
    return (file,)


def guarded(cell: Cell) -> Cell:
    """*cell*, with an apostrophe before a text that a spreadsheet program would take for a formula."""
    if isinstance(cell, bool):
        return "yes" if cell else "no"
    return f"'{cell}" if isinstance(cell, str) and cell.startswith(_STEERING) else cell


def _cells(columns: Sequence[str], row: object) -> list[Cell]:
    return [guarded(getattr(row, name)) for name in columns]


def _csv(columns: Sequence[str], rows: Iterable[object]) -> bytes:
    stream = io.StringIO()
    writer = csv.writer(stream, lineterminator="\n")
    writer.writerow(columns)
    writer.writerows(_cells(columns, row) for row in rows)
    return stream.getvalue().encode("utf-8-sig")


def _workbook(rows: Sequence[StudyRow], changes: Sequence[TrendRow]) -> bytes:
    from openpyxl import Workbook
    from openpyxl.cell.cell import TYPE_STRING

    book = Workbook()
    book.remove(book.active)
    for name, columns, lines in (("studies", _STUDY_COLUMNS, rows), ("trend", _TREND_COLUMNS, changes)):
        sheet = book.create_sheet(name)
        sheet.append(columns)
        for line in lines:
            cells = _cells(columns, line)
            sheet.append([one.translate(_NOT_OF_A_CELL) if isinstance(one, str) else one for one in cells])
        for cell in (cell for row in sheet.iter_rows() for cell in row):
            if isinstance(cell.value, str):
                cell.data_type = TYPE_STRING  # never a formula
        sheet.freeze_panes = "A2"
    stream = io.BytesIO()
    book.save(stream)
    return stream.getvalue()
