"""Tables beside the study: dialects, layouts, headers, and what is said of a cell."""

from __future__ import annotations

import csv
import io

import pytest

CALIBRATION = "calibration: {file: cal.csv}\n"


def _values(study):
    return [(run.level, run.values) for run in study.calibration.runs]


@pytest.mark.parametrize(
    "table",
    [
        "level,signal 1,signal 2\n1,2,3\n2,4,\n",
        "level;signal 1;signal 2\n1;2;3\n2;4;\n",
        "level\tsignal 1\tsignal 2\n1\t2\t3\n2\t4\n",
        "\ufefflevel,signal 1,signal 2\r\n1,2,3\r\n2,4,\r\n",
        "# from the instrument\n\nlevel,signal 1,signal 2\n# first\n1,2,3\n,,\n\n2,4\n",
        "LEVEL , Signal_1, signal2\n 1 , 2 , 3 \n2,4\n",
        '"level","signal 1","signal 2"\n"1","2","3"\n"2","4",""\n',
        "sep=;\nlevel;signal 1;signal 2\n1;2;3\n2;4;\n",
        "level (µg/L),signal 1 (µA),signal 2 [uA]\n1,2,3\n2,4,\n",
        "signal 2,signal 1,level,,\n3,2,1,,\n,4,2,,\n",
        "level,signals 1,signals 2\n1,2,3\n2,4,\n",
    ],
)
def test_dialects_of_one_table(study_of, table):
    """Comma, semicolon and tab, a byte order mark, comments, blank lines, units in brackets: one table."""
    assert _values(study_of(CALIBRATION, {"cal.csv": table})) == [(1, (2, 3)), (2, (4,))]


@pytest.mark.parametrize(
    ("encoding", "remark"),
    [
        ("utf-8", None),
        ("utf-8-sig", None),
        ("utf-16", "read as UTF-16"),
        ("latin-1", "not UTF-8; read as Latin-1. Check these characters: ° µ"),
        ("cp1252", "not UTF-8; read as Windows-1252. Check these characters: € ° µ"),
    ],
)
def test_encodings(study_of, encoding, remark):
    """What is not UTF-8 is read all the same, and said with the characters that show whether it was right."""
    note = "4 °C" if encoding == "latin-1" else "4 °C, 3 €"
    table = f"level (µg/L);signal;note\n1;2;{note}\n"

    study = study_of(CALIBRATION, {"cal.csv": table.encode(encoding)})

    assert _values(study) == [(1, (2,))]
    assert study.calibration.runs[0].note == note
    assert tuple(one.text for one in study.inputs[1].remarks) == ((remark,) if remark else ())


def test_a_table_as_the_standard_library_writes_it(study_of):
    """What ``csv`` writes by RFC 4180 is read back, separators and quotation marks in texts included."""
    notes = ['a "quoted" word', "comma, semicolon; tab\t", "# no comment"]
    stream = io.StringIO()
    writer = csv.writer(stream)
    writer.writerow(["level", "signal", "note"])
    writer.writerows([index, 0.1 * index, note] for index, note in enumerate(notes))

    study = study_of(CALIBRATION, {"cal.csv": stream.getvalue()})

    assert [run.note for run in study.calibration.runs] == [note.strip() for note in notes]
    assert [run.signal for run in study.calibration.runs] == [0.1 * index for index in range(3)]


def test_one_row_for_each_reading(study_of):
    """In the long layout every row is a run of one reading, with a place of its own."""
    study = study_of(CALIBRATION, {"cal.csv": "level,signal\n1,2\n1,3\n"})

    assert [(run.level, run.values, run.place) for run in study.calibration.runs] == [
        (1, (2,), "cal.csv row 2"),
        (1, (3,), "cal.csv row 3"),
    ]


def test_decimal_comma(study_of):
    """A decimal comma is read where it is declared and the cells are not separated by commas."""
    study = study_of(
        "blanks: {file: b.csv, decimal: ','}\n",
        {"b.csv": "signal 1;signal 2;series\n0,5;<0,25;1,10\n1e-3;-2;a\n"},
    )

    first, second = study.blanks.runs

    assert (first.values, first.below, first.series) == ((0.5,), (0.25,), "1,10")
    assert second.values == (0.001, -2)


def test_columns_named_by_the_study(study_of):
    """``columns`` leads from a field to the header of an instrument's export, numbered ones included."""
    study = study_of(
        "calibration:\n  file: cal.csv\n  columns: {level: Conc. nominal, "
        "signals: peak AREA, note: Comment}\n",
        {"cal.csv": "Conc. nominal (µg/L);Peak area (254 nm) 1;Peak area (254 nm) 2;comment\n1;2;3;first\n"},
    )

    assert _values(study) == [(1, (2, 3))]
    assert study.calibration.runs[0].note == "first"


def test_all_fields_of_a_run(study_of):
    """Every field that a run of the study file may have can be a column."""
    table = (
        "analyte,configuration,date,operator,instrument,series,device,order,preparation,preparation "
        "ID,matrix,note,"
        "excluded,level,signal,level uncertainty,signal sd\n"
        "zn,default,2026-03-02,no,1,01,3,4,repeated_reading,5a,water,n,spilled,1,2,0.1,0.2\n"
    )
    run = study_of(CALIBRATION, {"cal.csv": table}).calibration.runs[0]

    assert run.model_dump(mode="json", exclude_none=True) == {
        "analyte": "zn",
        "configuration": "default",
        "date": "2026-03-02",
        "operator": "no",
        "instrument": "1",
        "series": "01",
        "device": "3",
        "order": 4,
        "preparation": "repeated_reading",
        "preparation_id": "5a",
        "matrix": "water",
        "note": "n",
        "excluded": "spilled",
        "level": 1,
        "signal": 2,
        "level_uncertainty": 0.1,
        "signal_sd": 0.2,
    }


def test_rows_gathered_into_one_standard_addition(study_of):
    """The additions to one sample may stand in rows of their own."""
    study = study_of(
        "standard_addition: {file: sa.csv}\n",
        {"sa.csv": "sample,added (µg/L),signal\nA,0,1\nB,0,2\nA,5,3\nB,5,4\nA,10,5\nB,10,6\n"},
    )

    assert [(run.sample, run.added, run.signals, run.place) for run in study.standard_addition.runs] == [
        ("A", (0, 5, 10), (1, 3, 5), "sa.csv row 2"),
        ("B", (0, 5, 10), (2, 4, 6), "sa.csv row 3"),
    ]


def test_rows_gathered_into_one_carry_over_sequence(study_of):
    """Each row is an injection; rows of one series make one sequence."""
    study = study_of(
        "carry_over: {file: co.csv}\n",
        {"co.csv": "series,kind,level,signal\n1,high,50,9\n1,blank,,0.1\n2,high,50,8\n2,blank,,0.2\n"},
    )

    assert [
        (run.series, [(step.kind, step.level, step.signal) for step in run.sequence])
        for run in study.carry_over.runs
    ] == [
        ("1", [("high", 50, 9), ("blank", None, 0.1)]),
        ("2", [("high", 50, 8), ("blank", None, 0.2)]),
    ]


def test_time_unit_in_the_header(study_of):
    """The unit of time may stand in the header of the times."""
    study = study_of(
        "stability: {file: s.csv}\n",
        {"s.csv": "condition,time (d),found 1,found 2\n4 °C,0,10,11\n4 °C,7,9,<0.5\n"},
    )

    assert [(run.time, run.time_unit, run.values, run.below) for run in study.stability.runs] == [
        (0, "d", (10, 11), ()),
        (7, "d", (9,), (0.5,)),
    ]


def test_settings_and_results_in_numbered_columns(study_of):
    """A designed experiment fits into a table."""
    study = study_of(
        "robustness:\n  design: one_at_a_time\n  factors: [{name: pH, low: 3, high: 4}, "
        "{name: T, low: 20, high: 30}]\n"
        "  file: r.csv\n",
        {"r.csv": "setting 1,setting 2,result\n+,0,98\n-,0,97\n0,+,99\n0,-,96\n"},
    )

    assert [run.settings for run in study.robustness.runs] == [(1, 0), (-1, 0), (0, 1), (0, -1)]


@pytest.mark.parametrize("block", ["calibration", "blanks", "precision", "recovery", "carry_over"])
def test_a_table_that_is_not_filled_in_yet(study_of, block):
    """A header without rows is a block without runs: what is measured tomorrow is planned today."""
    headers = {
        "calibration": "level;signal 1;signal 2",
        "blanks": "signal (µA);kind",
        "precision": "level;concentration;day",
        "recovery": "native (µg/L);added;found",
        "carry_over": "kind;level;signal",
    }

    study = study_of(f"{block}: {{file: t.csv}}\n", {"t.csv": headers[block] + "\n"})

    assert getattr(study, block).runs == ()
    assert [file.path for file in study.inputs] == ["study.yaml", "t.csv"]


def test_defaults_hold_for_rows_too(study_of):
    """A block's defaults fill the rows of its table where their cells are empty."""
    study = study_of(
        "blanks: {file: b.csv, date: 2026-03-02}\n", {"b.csv": "signal,date\n1,\n2,2026-03-03\n"}
    )

    assert [run.date.isoformat() for run in study.blanks.runs] == ["2026-03-02", "2026-03-03"]
    assert [run.analyte for run in study.blanks.runs] == ["zn", "zn"]


@pytest.mark.parametrize(
    ("more", "table", "problems"),
    [
        (
            CALIBRATION,
            "level;signal\n1;2,5\nx;3\n-1;4\n;5\n6;\n",
            [
                "cal.csv:2 (column 'signal'): calibration.runs[0].signal: a number is expected here, "
                "found '2,5'; "
                'write it with a decimal point: 2.5, or declare decimal: "," beside file in the study',
                "cal.csv:3 (column 'level'): calibration.runs[1].level: a number is expected here, found 'x'",
                "cal.csv:4 (column 'level'): calibration.runs[2].level: must not be negative, found -1",
                "cal.csv:5: calibration.runs[3].level: missing in this row",
                "cal.csv:6: calibration.runs[4]: no readings; give signals",
            ],
        ),
        (
            "calibration: {file: cal.csv, decimal: ','}\n",
            "level;signal\n1,5;2.5\n",
            [
                "cal.csv:2 (column 'signal'): calibration.runs[0].signal: "
                "a decimal comma is declared for this file, found '2.5'; "
                "write a comma, or no sign at all where it separates thousands"
            ],
        ),
        (
            "calibration: {file: cal.csv, decimal: ','}\n",
            "level,signal\n1,2\n",
            [
                (
                    "study.yaml:5: calibration.decimal: the cells of cal.csv are separated by commas; "
                    "with decimal commas, separate them by semicolons or tabs"
                )
            ],
        ),
        (
            CALIBRATION,
            "level,signal\n1,2,5\n",
            [
                (
                    "cal.csv:2: calibration: 3 cells for 2 columns; a decimal comma may have been read "
                    "as a separator, or remarks stand beside the table: name its place with range, for "
                    "example range: A1:D20"
                )
            ],
        ),
        (
            CALIBRATION,
            "level (mg/kg),signal 1 (nV)\n1,2\n",
            [
                (
                    "cal.csv:1 (column 'level (mg/kg)'): calibration: 'mg/kg' cannot be "
                    "converted to µg/L; state "
                    "the unit of the values in the study, for example units: {level: µg/L}"
                ),
                (
                    "cal.csv:1 (column 'signal 1 (nV)'): calibration: 'nV' cannot be converted "
                    "to µA; state the "
                    "unit of the values in the study, for example units: {signal: µA}"
                ),
            ],
        ),
        (
            CALIBRATION,
            "level,signal,Sinal 2,lot\n1,2,3,4\n",
            [
                (
                    "cal.csv:1 (column 'Sinal 2'): calibration: unknown column; did you mean 'signals'? "
                    "Then write columns: {signals: Sinal}, or list it under ignored_columns"
                ),
                (
                    "cal.csv:1 (column 'lot'): calibration: unknown column; valid here: signals, "
                    "signal, level, level_uncertainty, signal_sd, analyte, configuration, date, "
                    "operator, instrument, series, device, order, preparation, preparation_id, matrix, "
                    "note, excluded. Map a field to it under columns, or list it under ignored_columns"
                ),
            ],
        ),
        (
            CALIBRATION,
            "level,signal,\n1,2,3\n",
            ["cal.csv:1 (column 'no. 3'): calibration: the column has values but no header"],
        ),
        (
            CALIBRATION,
            "level,signal,Signal\n1,2,3\n",
            [
                (
                    "cal.csv:1 (column 'Signal'): calibration: contains signal, as does the column "
                    "'signal'; number them: signal 1, signal 2"
                )
            ],
        ),
        (
            CALIBRATION,
            "signal\n1\n2\n",
            ["cal.csv:1: calibration: missing column 'level'"],
        ),
        (
            CALIBRATION,
            "level,operator\n1,A\n2,B\n3,C\n",
            ["cal.csv:2: calibration.runs[0]: no readings; give signals (and in 2 more rows)"],
        ),
        (
            CALIBRATION,
            "level,signal,date,analyte,series\n1,2,2026-02-30,cd,no\n",
            [
                "cal.csv:2 (column 'analyte'): calibration.runs[0].analyte: "
                "unknown analyte 'cd'; method.analytes has: zn",
                (
                    "cal.csv:2 (column 'date'): calibration.runs[0].date: '2026-02-30' is not a date of "
                    "the calendar"
                ),
            ],
        ),
        (
            (
                "calibration:\n  file: cal.csv\n  columns: {level: conc, sginals: "
                "area, note: remarks, order: conc}\n"
            ),
            "conc,area,remark\n1,2,x\n",
            [
                (
                    "cal.csv:1 (column 'remark'): calibration: unknown column; valid here: signals, "
                    "signal, level_uncertainty, signal_sd, analyte, configuration, date, operator, "
                    "instrument, series, device, preparation, preparation_id, matrix, excluded. Map a "
                    "field to it under columns, or list it under ignored_columns"
                ),
                "cal.csv:2: calibration.runs[0]: no readings; give signals",
                "study.yaml:7: calibration.columns.sginals: unknown field; did you mean 'signals'?",
                (
                    "study.yaml:7: calibration.columns.note: cal.csv has no column 'remarks'; did you "
                    "mean 'remark'?"
                ),
                "study.yaml:7: calibration.columns.order: the column 'conc' already contains another field",
            ],
        ),
        (
            "calibration: {file: cal.csv, preparation: repeated_reading}\n",
            "level,signal\n1,2\n1,3\n",
            [
                (
                    "cal.csv:1: calibration: missing column 'preparation_id', which identifies the repeated "
                    "readings of one preparation"
                )
            ],
        ),
        (
            CALIBRATION,
            "level,signal,preparation\n1,2,independent\n1,3,repeated_reading\n",
            [
                (
                    "cal.csv:1: calibration: missing column 'preparation_id', which identifies the repeated "
                    "readings of one preparation"
                )
            ],
        ),
        (
            "interference: {file: cal.csv}\n",
            "interferent,ratio,ratio kind,analyte level,found,reference (mg/kg)\nCu,1,mass,5,5,5\n",
            [
                (
                    "cal.csv:1 (column 'reference (mg/kg)'): interference: 'mg/kg' cannot be "
                    "converted to µg/L "
                    "or µA; state the unit of the values in the study, for example units: {reference: µg/L}"
                )
            ],
        ),
        (
            CALIBRATION,
            f"level,signal,{'_' * 100_000}1\n1,2,3\n",
            [
                f"cal.csv:1 (column '{'_' * 99}…'): calibration: unknown column; valid here: signals, "
                "signal, level, level_uncertainty, signal_sd, analyte, configuration, date, operator, "
                "instrument, series, device, order, preparation, preparation_id, matrix, note, excluded. "
                "Map a field to it under columns, or list it under ignored_columns"
            ],
        ),
        (
            "calibration: {file: cal.csv, runs: [{level: 1, signal: 1}]}\n",
            "level,signal\n1,2\n",
            ["study.yaml:5: calibration.file: file and runs are mutually exclusive; give only one"],
        ),
        (
            "calibration: {file: cal.csv, sheet: one}\n",
            "level,signal\n1,2\n",
            [
                (
                    "study.yaml:5: calibration.sheet: sheet applies to workbooks (.xlsx) only; cal.csv is a "
                    "text file"
                )
            ],
        ),
        (
            CALIBRATION,
            "",
            [
                (
                    "study.yaml:5: calibration.file: cal.csv: the table is empty; the first row must contain "
                    "the column headers"
                )
            ],
        ),
        (
            CALIBRATION,
            "# a\n,,\n",
            [
                (
                    "study.yaml:5: calibration.file: cal.csv: the table is empty; the first row must contain "
                    "the column headers"
                )
            ],
        ),
        (
            CALIBRATION,
            "\nlevel (nA),signal,concentration\n",
            [
                (
                    "cal.csv:2 (column 'concentration'): calibration: unknown column; did you mean 'level'? "
                    "Then write columns: {level: concentration}, or list it under ignored_columns"
                ),
                (
                    "cal.csv:2 (column 'level (nA)'): calibration: 'nA' cannot be converted to "
                    "µg/L; state the "
                    "unit of the values in the study, for example units: {level: µg/L}"
                ),
            ],
        ),
        (CALIBRATION, "signal\n", ["cal.csv:1: calibration: missing column 'level'"]),
        (
            CALIBRATION,
            'level,signal\n\n1,"2\n3,4\n',
            ["cal.csv:3: calibration: a quotation mark in this row is not closed"],
        ),
        (
            CALIBRATION,
            'level,signal\n1,"2"x\n',
            [
                (
                    "cal.csv:2: calibration: unbalanced quotation marks in this row; double any "
                    "quotation mark that is part of the text"
                )
            ],
        ),
        (
            CALIBRATION,
            b"level,signal,note\n1,2,5 \xb5L\n1,2,\x81\n",
            [
                (
                    "cal.csv:3: calibration: byte 0x81 is valid in neither UTF-8 nor Windows-1252; save the "
                    "file as UTF-8"
                )
            ],
        ),
        (
            CALIBRATION,
            b"PK\x03\x04\0\0",
            [
                "study.yaml:5: calibration.file: cal.csv: this is a workbook, not a text file; "
                "give it the ending .xlsx, or save the sheet as CSV"
            ],
        ),
        (
            CALIBRATION,
            b"MZ\0\0",
            ["cal.csv:1: calibration: not a text file (it contains a zero byte)"],
        ),
        (
            CALIBRATION,
            "level,signal\n1,2\n".encode("utf-16")[:-1],
            [
                "study.yaml:5: calibration.file: cal.csv: the text begins as UTF-16 and is cut or damaged; "
                "save the file as UTF-8"
            ],
        ),
    ],
)
def test_what_is_wrong_with_a_table(problems_of, more, table, problems):
    """File, row and column header lead to what is wrong; a fault of all rows is told once."""
    assert problems_of(more, {"cal.csv": table}) == problems


@pytest.mark.parametrize(
    ("name", "message"),
    [
        ("cal.xlsx", "this is not a workbook (.xlsx), or it is damaged; save it again as .xlsx"),
        ("cal.ods", ".ods files are not read; save the workbook as .xlsx, or the sheet as CSV (UTF-8)"),
        ("cal.XLS", ".xls files are not read; save the workbook as .xlsx, or the sheet as CSV (UTF-8)"),
        ("cal.pdf", "a table file ends in .csv, .tsv, .txt or .xlsx"),
    ],
)
def test_other_kinds_of_files(problems_of, name, message):
    """Spreadsheets and other files are refused with the way out."""
    assert problems_of(f"calibration: {{file: {name}}}\n", {name: "x"}) == [
        f"study.yaml:5: calibration.file: {name}: {message}"
    ]


def test_units_of_several_analytes(study_of):
    """Every row is converted into the unit of its own analyte, below reporting too, and that is said."""
    head = """\
format: validation-study/1
study: {title: t}
method:
  analytes:
    - {id: zn, name: zinc, unit: µg/L, signal: current, signal_unit: µA}
    - {id: cu, name: copper, unit: mg/L, signal: current, signal_unit: µA}
"""
    study = study_of(
        "blanks: {file: b.csv}\n",
        {"b.csv": "analyte,concentration (µg/L),kind\nzn,1,reagent\ncu,1.2,field\ncu,<3,field\ncu,5,field\n"},
        head=head,
    )

    assert [(run.values, run.below) for run in study.blanks.runs] == [
        ((1,), ()),
        ((0.0012,), ()),
        ((), (0.003,)),
        ((0.005,), ()),
    ]
    assert [one.text for one in study.inputs[1].remarks] == [
        "blanks: concentration (µg/L) converted from µg/L to mg/L (factor 0.001)"
    ]
