"""``validator new --from``: the study that it writes reads the workbook as it is."""

from __future__ import annotations

from pathlib import Path

import openpyxl
import pytest

from validator import read_study

MESSY = Path(__file__).parents[1] / "study" / "messy"


def book_of(path, **sheets):
    book = openpyxl.Workbook()
    book.remove(book.active)
    for title, rows in sheets.items():
        sheet = book.create_sheet(title.replace("_", " "))
        for row in rows:
            sheet.append(row)
    book.save(path)
    return path


def signals_of(study):
    """By level and last word of the configuration, whose names are made from headings."""
    return sorted(
        (run.level, run.configuration.rpartition("-")[2], tuple(run.values)) for run in study.calibration.runs
    )


@pytest.mark.parametrize("folder", ["wide_workbook", "a_sheet_for_each_sensor"])
def test_the_same_calibration_as_the_tidy_twin(command, tmp_path, folder):
    """Columns side by side and a sheet for each sensor, with titles, mean rows and remarks beside them."""
    workbook = MESSY / folder / "sensors.xlsx"

    done = command("new", tmp_path / "study", "--from", workbook)

    assert (done.status, done.err) == (0, "")
    study, tidy = read_study(tmp_path / "study"), read_study(MESSY / folder / "tidy.yaml")
    scale = 1000 if study.method.analytes[0].signal_unit == "nA" else 1
    expected = [
        (level, name, pytest.approx([scale * one for one in some])) for level, name, some in signals_of(tidy)
    ]
    assert signals_of(study) == expected
    assert (tmp_path / "study" / "sensors.xlsx").read_bytes() == workbook.read_bytes()
    assert command("check", tmp_path / "study").status == 0


def test_blocks_by_titles_and_headings(command, tmp_path):
    """What a sheet is called, or what its headings say, tells its block; the rest is asked for."""
    workbook = book_of(
        tmp_path / "data.xlsx",
        Standards=[["Conc. / mg L-1", "Absorbance 1", "Absorbance 2"], [1, 0.1, 0.11], [2, 0.2, 0.21]],
        Blanks=[["Absorbance"], [0.001], [0.002]],
        Spikes=[["native", "added", "found", "series"], [0, 2, 1.9, "Mon"], [0, 2, 2.1, "Tue"]],
        Lamp=[["hours", "energy"], [1, 90], [2, 88]],
    )

    command("new", tmp_path / "study", "--from", workbook)

    text = (tmp_path / "study" / "study.yaml").read_text(encoding="utf-8")
    study = read_study(tmp_path / "study")
    assert [(run.level, run.values) for run in study.calibration.runs] == [(1, (0.1, 0.11)), (2, (0.2, 0.21))]
    assert [run.values for run in study.blanks.runs] == [(0.001,), (0.002,)]
    assert [(run.added, run.found) for run in study.recovery.runs] == [(2, (1.9,)), (2, (2.1,))]
    assert "# Sheet Lamp was not recognised; its headings are: hours, energy." in text
    assert "unit: mg L-1" in text
    assert study.left_open


def test_a_block_that_cannot_be_read_as_it_stands_is_a_comment(command, tmp_path):
    """The study is readable at once; what is missing in the sheet stands above the block."""
    workbook = book_of(
        tmp_path / "data.xlsx",
        calibration=[["level (µg/L)", "signal (µA)"], [1, 0.1], [2, 0.2]],
        recovery=[["added", "result"], [2, 1.9], [2, 2.1]],
    )

    done = command("new", tmp_path / "study", "--from", workbook)

    text = (tmp_path / "study" / "study.yaml").read_text(encoding="utf-8")
    assert done.status == 0
    assert command("check", tmp_path / "study").status == 0
    assert "\n# native is missing" in text
    assert "\n# recovery:\n" in text


@pytest.mark.parametrize(
    ("content", "sentence"),
    [
        (b"level,signal\n1,2\n", "this is not a workbook (.xlsx), or it is damaged"),
        (None, "cannot be read (No such file or directory)"),
    ],
)
def test_what_is_no_workbook(command, tmp_path, content, sentence):
    """Status 2, a sentence, and no folder."""
    if content is not None:
        (tmp_path / "data.xlsx").write_bytes(content)

    done = command("new", tmp_path / "study", "--from", tmp_path / "data.xlsx")

    assert done.status == 2
    assert sentence in done.err
    assert not (tmp_path / "study").exists()


def test_a_workbook_without_numbers(command, tmp_path):
    """Nothing to read."""
    workbook = book_of(tmp_path / "data.xlsx", notes=[["remarks", "by"], ["fine", "AB"]])

    done = command("new", tmp_path / "study", "--from", workbook)

    assert (done.status, done.out) == (2, "")
    assert "no sheet holds headings with numbers below them" in done.err
