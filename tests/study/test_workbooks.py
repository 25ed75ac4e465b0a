"""Tables in workbooks: which sheet or table, what a cell says, and what is refused with its address."""

from __future__ import annotations

import builtins
import datetime as dt
import io
import re
import zipfile

import openpyxl
import pytest
from openpyxl.styles import Font
from openpyxl.worksheet.table import Table

from validator.errors import EnvironmentProblem
from validator.study import read_study, workbook

CALIBRATION = "calibration: {file: cal.xlsx}\n"
SHEET = "xl/worksheets/sheet1.xml"


def book(*sheets, **named):
    """A workbook with the given sheets; a sheet is a list of rows."""
    made = openpyxl.Workbook()
    made.remove(made.active)
    named |= {f"Sheet{number}": rows for number, rows in enumerate(sheets, start=1)}
    for title, rows in named.items():
        sheet = made.create_sheet(title)
        for row in rows:
            sheet.append(row)
    return made


def stored(made):
    stream = io.BytesIO()
    made.save(stream)
    return stream.getvalue()


def changed(content, members):
    """The archive with members replaced or added; a member's old text is given to a function."""
    members = dict(members)
    stream = io.BytesIO()
    with (
        zipfile.ZipFile(io.BytesIO(content)) as old,
        zipfile.ZipFile(stream, "w", zipfile.ZIP_DEFLATED) as new,
    ):
        for name in old.namelist():
            change = members.pop(name, None)
            text = old.read(name)
            new.writestr(name, change(text) if change else text)
        for name, text in members.items():
            new.writestr(name, text)
    return stream.getvalue()


PLAIN = [["level (µg/L)", "signal 1", "signal 2", "note"], [1, 2.5, 3, "a"], [2, 4.25, None, None]]
VALUES = [(1, (2.5, 3)), (2, (4.25,))]


def _values(study):
    return [(run.level, run.values) for run in study.calibration.runs]


@pytest.mark.parametrize(
    "sheet",
    [
        PLAIN,
        [[], ["# from the instrument"], *PLAIN[:2], [], ["# second"], PLAIN[2], [None, None]],
        [[None, *row] for row in PLAIN],
        [[str(cell) if cell is not None else None for cell in row] for row in PLAIN],
        [["Level\n(ug/l)", " Signal_1 ", "SIGNAL2", "Note"], *PLAIN[1:]],
    ],
    ids=["plain", "comments and blank rows", "blank column", "numbers as text", "headers"],
)
def test_one_table_in_many_sheets(study_of, sheet):
    """Blank rows and columns, comments, numbers stored as text and headers in any spelling: one table."""
    study = study_of(CALIBRATION, {"cal.xlsx": stored(book(sheet))})

    assert _values(study) == VALUES
    assert study.calibration.runs[0].note == "a"
    assert all(one.is_certain for one in study.inputs[1].remarks)


def test_every_double_comes_back(study_of):
    """A number in a cell is read to its last bit, whatever the cell shows."""
    numbers = [0.1, 1 / 3, 1e-7, 123456.789, 2.0**60, 0.1 + 0.2, 5e-50]
    made = book([["level", "signal"], *([1, number] for number in numbers)])
    for row in made.active.iter_rows(min_row=2):
        row[1].number_format = "0.00"

    # the package that writes here keeps 16 digits, spreadsheet programs keep 17
    content = changed(
        stored(made), {SHEET: lambda text: text.replace(b"<v>0.3<", b"<v>0.30000000000000004<")}
    )

    study = study_of(CALIBRATION, {"cal.xlsx": content})

    assert [run.signal for run in study.calibration.runs] == numbers


def test_dates_are_dates(study_of):
    """A cell with a date is one, of either calendar of spreadsheets; labels that look like numbers stay."""
    rows = [
        ["level", "signal", "date", "series", "operator"],
        [1, 2, dt.date(2026, 3, 2), "01", 7],
        [1, 2, dt.datetime(2026, 3, 3), dt.date(2026, 3, 3), True],
        [1, 2, "2026-03-04", dt.time(9, 30), 2.5],
    ]
    made, mac = book(rows), book(rows)
    mac.epoch = openpyxl.utils.datetime.CALENDAR_MAC_1904

    for one in (made, mac):
        runs = study_of(CALIBRATION, {"cal.xlsx": stored(one)}).calibration.runs
        assert [run.date.isoformat() for run in runs] == ["2026-03-02", "2026-03-03", "2026-03-04"]
        assert [run.series for run in runs] == ["01", "2026-03-03", "09:30:00"]
        assert [run.operator for run in runs] == ["7", "TRUE", "2.5"]


def with_table(*, totals=0, headers=1):
    made = book(
        data=[["title"], [None, "level", "signal"], [None, 1, 2], [None, 2, 4], [None, "sum", 6], ["foot"]]
    )
    table = Table(
        displayName="Cal", ref="B2:C5" if totals else "B2:C4", totalsRowCount=totals, headerRowCount=headers
    )
    table._initialise_columns()
    for column, name in zip(table.tableColumns, ("level", "signal"), strict=True):
        column.name = name
    made["data"].add_table(table)
    made.create_sheet("other")
    return stored(made)


@pytest.mark.parametrize("totals", [0, 1])
def test_a_named_table(study_of, totals):
    """A table is read from its header to its last row; what stands around it, or sums it up, is not."""
    study = study_of("calibration: {file: cal.xlsx, sheet: Cal}\n", {"cal.xlsx": with_table(totals=totals)})

    assert _values(study) == [(1, (2,)), (2, (4,))]
    assert study.calibration.runs[1].place == "cal.xlsx [Cal] row 4"


def test_several_sheets_of_one_workbook(study_of, monkeypatch):
    """Blocks may share a workbook, which is opened once, hashed once and named with the sheet in places."""
    opened = []
    through = workbook.open_workbook
    monkeypatch.setattr(workbook, "open_workbook", lambda *given: opened.append(given) or through(*given))
    made = book(cal=PLAIN, blanks=[["signal"], [0.1], [0.2]])

    study = study_of(
        "calibration: {file: m.xlsx, sheet: cal}\nblanks: {file: m.xlsx, sheet: blanks}\n",
        {"m.xlsx": stored(made)},
    )

    assert len(opened) == 1
    assert [file.path for file in study.inputs] == ["study.yaml", "m.xlsx"]
    assert study.blanks.runs[1].place == "m.xlsx [blanks] row 3"
    assert _values(study) == VALUES


def test_formulas_are_read_by_their_stored_value(study_of):
    """A formula counts as its stored value; without one as an empty cell. Both are said."""
    made = book([["level", "signal 1", "signal 2"], [1, "=1+1", 3], [2, 4, "=B3+1"]])
    cached = changed(
        stored(made),
        {
            "xl/worksheets/sheet1.xml": lambda text: text.replace(
                b"<f>1+1</f><v></v>", b"<f>1+1</f><v>2</v>"
            ).replace(b"<f>1+1</f><v />", b"<f>1+1</f><v>2</v>")
        },
    )

    study = study_of(CALIBRATION, {"cal.xlsx": cached})

    assert _values(study) == [(1, (2, 3)), (2, (4,))]
    assert tuple(one.text for one in study.inputs[1].remarks) == (
        "2 cells with formulas; the stored results were read",
        "formulas without a stored value, read as empty cells: C3",
    )


def test_what_a_sheet_hides_is_said(study_of):
    """Hidden rows and struck-out cells are read, and numbers shown in percent as stored: all that is said."""
    made = book(PLAIN)
    made.active["C2"].font = Font(strike=True)
    made.active.row_dimensions[3].hidden = True
    made.active["B2"].number_format = "0.0%"

    study = study_of(CALIBRATION, {"cal.xlsx": stored(made)})

    assert _values(study) == VALUES
    assert tuple(one.text for one in study.inputs[1].remarks) == (
        "hidden rows were read: 3",
        "struck-out cells were read as the others: C2",
        "percent format, read as stored (0.95 for 95 %): B2",
    )


def test_a_merged_title_above_the_headers(study_of):
    """It is named out of the way; the sheet stays as it is."""
    made = book([["Calibration", None, "March"], *PLAIN])
    made.active.merge_cells("A1:B1")

    study = study_of("calibration: {file: cal.xlsx, header_row: 2}\n", {"cal.xlsx": stored(made)})

    assert _values(study) == VALUES


def merged(*ranges):
    made = book(PLAIN)
    for one in ranges:
        made.active.merge_cells(one)
    return made


def errors():
    made = book([["level", "signal"], [1, 2], [3, "#DIV/0!"]])
    assert made.active["B3"].data_type == "e"
    return made


@pytest.mark.parametrize(
    ("made", "problem"),
    [
        (
            merged("B1:C1"),
            "cal.xlsx:1: calibration: the header cell B1 is merged (B1:C1); if it is a title, "
            "name the row of "
            "the headers with header_row, else give each column its own header",
        ),
        (
            merged("A2:A3"),
            "cal.xlsx:2: calibration: the cells A2:A3 are merged, and which rows their value "
            "belongs to is not "
            "certain; name the rows of the table with rows, or map the values in the study",
        ),
        (
            errors(),
            "cal.xlsx:3 (column 'signal'): calibration: the cell holds the error #DIV/0!; "
            "correct it, or name "
            "the row in ignored_rows",
        ),
        (
            book([["level", "signal"], [1, 2, None, "x"]]),
            "cal.xlsx:2: calibration: the cell D2 has no column header; add a header, or name "
            "the place of the "
            "table with range: A1:B2",
        ),
        (
            book([["level", "signal"], [1, "2,5"]]),
            (
                "cal.xlsx:2 (column 'signal'): calibration.runs[0].signal: expected a number, found text "
                "'2,5'; enter it as a number"
            ),
        ),
        (
            book([["level", "signal"], [1, dt.date(2026, 1, 5)]]),
            (
                "cal.xlsx:2 (column 'signal'): calibration.runs[0].signal: expected a number, found a date "
                "'2026-01-05'; the spreadsheet program may have converted a number to a date"
            ),
        ),
        (
            book(PLAIN, PLAIN),
            (
                "study.yaml:5: calibration.file: cal.xlsx: the workbook has several sheets; name one with "
                "sheet: 'Sheet1', 'Sheet2'"
            ),
        ),
        (
            book([[]]),
            (
                "study.yaml:5: calibration.file: cal.xlsx: the table is empty; the first row must contain "
                "the column headers"
            ),
        ),
    ],
    ids=["header", "data", "error", "no header", "comma", "date", "sheets", "empty"],
)
def test_what_is_wrong_with_a_sheet(problems_of, made, problem):
    """What could be misread is refused with the address of the cell, the rest as in any table."""
    assert problems_of(CALIBRATION, {"cal.xlsx": stored(made)}) == [problem]


@pytest.mark.parametrize(
    ("more", "content", "problem"),
    [
        (
            "calibration: {file: cal.xlsx, sheet: Data}\n",
            with_table(),
            "study.yaml:5: calibration.file: cal.xlsx: the workbook has no sheet or table 'Data'; "
            "it has 'data', 'other', 'Cal' (table)",
        ),
        (
            "calibration: {file: cal.xlsx, sheet: Cal}\n",
            with_table(headers=0),
            "study.yaml:5: calibration.file: cal.xlsx: the table 'Cal' has no header row; "
            "its first row must name the columns",
        ),
        (
            "calibration: {file: cal.xlsx, decimal: ','}\n",
            stored(book(PLAIN)),
            (
                "study.yaml:5: calibration.decimal: decimal applies to text files (CSV) only; omit it for a "
                "workbook"
            ),
        ),
    ],
    ids=["name", "headers", "decimal"],
)
def test_what_a_study_says_of_a_workbook(problems_of, more, content, problem):
    """A sheet that is not there is told with those that are; a decimal sign belongs to text files."""
    assert problems_of(more, {"cal.xlsx": content}) == [problem]


def test_without_the_package(write, monkeypatch):
    """Where the package is missing, the command that installs it is given."""
    through = builtins.__import__

    def without(name, *given, **named):
        if name == "openpyxl":
            raise ImportError(name)
        return through(name, *given, **named)

    folder = write(CALIBRATION, {"cal.xlsx": stored(book(PLAIN))})
    monkeypatch.setattr(builtins, "__import__", without)

    with pytest.raises(EnvironmentProblem) as caught:
        read_study(folder)

    assert str(caught.value) == "cal.xlsx: reading workbooks needs openpyxl: pip install 'validator[excel]'"


def far():
    made = book(PLAIN)
    made.active["XFD1048576"] = "x"
    return stored(made)


NOT_A_PROGRAM = ", which no spreadsheet program writes"
DAMAGED = "this is not a workbook (.xlsx), or it is damaged; save it again as .xlsx"
BILLION = b'<?xml version="1.0"?><!DOCTYPE x [<!ENTITY a "lol"><!ENTITY b "&a;&a;&a;&a;">]>'


def linked(content):
    """An archive with a member that is a symbolic link to a file of the host."""
    info = zipfile.ZipInfo("xl/link.xml")
    info.create_system = 3
    info.external_attr = 0o120777 << 16
    stream = io.BytesIO(content)
    with zipfile.ZipFile(stream, "a") as archive:
        archive.writestr(info, "/etc/passwd")
    return stream.getvalue()


HOSTILE = {
    "zip bomb": (
        lambda plain: changed(plain, {"xl/media/a.bin": b"\0" * (101 * 1024 * 1024)}),
        "the workbook expands to more than 100 MB",
    ),
    "many members": (
        lambda plain: changed(plain, {f"x/{i}.xml": "<a/>" for i in range(2100)}),
        "the workbook holds more than 2000 files",
    ),
    "many cells": (
        lambda plain: changed(
            plain, {SHEET: lambda text: text.replace(b"</row>", b"<c/>" * 600_000 + b"</row>", 1)}
        ),
        "the workbook holds more than 500000 cells; save the sheet as CSV",
    ),
    "cell far away": (
        lambda plain: far(),
        "the sheet extends to cell XFD1048576; delete content far from the table",
    ),
    "entities": (
        lambda plain: changed(plain, {"xl/workbook.xml": lambda text: BILLION + text}),
        f"the workbook declares a document type or entities{NOT_A_PROGRAM}",
    ),
    "entities in UTF-16": (
        lambda plain: changed(plain, {"xl/styles.xml": lambda text: BILLION.decode().encode("utf-16")}),
        f"the workbook declares a document type or entities{NOT_A_PROGRAM}",
    ),
    "external entity": (
        lambda plain: changed(
            plain, {SHEET: lambda text: b'<!DOCTYPE x SYSTEM "file:///etc/passwd">' + text}
        ),
        f"the workbook declares a document type or entities{NOT_A_PROGRAM}",
    ),
    "member that climbs out": (
        lambda plain: changed(plain, {"../../evil.xml": "<a/>"}),
        f"the workbook holds a file whose name leads out of it{NOT_A_PROGRAM}",
    ),
    "member with an absolute name": (
        lambda plain: changed(plain, {"/etc/evil.xml": "<a/>"}),
        f"the workbook holds a file whose name leads out of it{NOT_A_PROGRAM}",
    ),
    "symbolic link": (linked, f"the workbook holds a symbolic link{NOT_A_PROGRAM}"),
    "no archive": (lambda plain: b"PK\x03\x04 and then nothing", DAMAGED),
    "cut off": (lambda plain: plain[:2000], DAMAGED),
    "old format": (
        lambda plain: b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1" + b"\0" * 600,
        "the workbook is protected by a password or has an old format; save it as .xlsx without a password",
    ),
    "no workbook inside": (
        lambda plain: changed(plain, {"xl/workbook.xml": lambda text: b"<a/>"}),
        "the workbook has no sheet with cells",
    ),
    "broken sheet": (
        lambda plain: changed(plain, {SHEET: lambda text: text[: len(text) // 2]}),
        "the workbook is damaged; open it in a spreadsheet program and save it again",
    ),
}


@pytest.mark.parametrize("attack", HOSTILE)
def test_workbooks_made_to_harm(problems_of, tmp_path, attack):
    """Bombs, entities, members that lead out and damaged archives end in a sentence; nothing is unpacked."""
    make, sentence = HOSTILE[attack]

    assert problems_of(CALIBRATION, {"cal.xlsx": make(stored(book(PLAIN)))}) == [
        f"study.yaml:5: calibration.file: cal.xlsx: {sentence}"
    ]
    assert sorted(path.name for path in tmp_path.iterdir()) == ["cal.xlsx", "study.yaml"]


def test_links_to_other_workbooks_are_not_followed(study_of):
    """A formula that points to a file elsewhere is read by its stored value; the file is not opened."""
    made = book([["level", "signal"], [1, "=[1]Sheet1!$A$1"]])
    content = changed(
        stored(made),
        {SHEET: lambda text: re.sub(rb"</f><v ?/?>(</v>)?", b"</f><v>7</v>", text)},
    )

    assert _values(study_of(CALIBRATION, {"cal.xlsx": content})) == [(1, (7,))]
