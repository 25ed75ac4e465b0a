"""Inputs as laboratories have them, each beside its tidy twin: the same study, number for number."""

from __future__ import annotations

from pathlib import Path

import pytest

from validator.evaluation.recordings import reduced
from validator.study import read_study
from validator.study.blocks import result_blocks

FOLDERS = sorted(one for one in (Path(__file__).parent / "messy").iterdir() if one.is_dir())
_DIGITS_OF_CURVES = 5


def runs_of(study, digits=None):
    """What every block holds, without places, in one order."""
    found = []
    for name in result_blocks():
        for run in study.runs(name) if getattr(study, name) else ():
            row = {key: value for key, value in run if value not in (None, "", ()) and key != "signal"}
            row["signals"] = (
                tuple(run.values) if digits is None else tuple(round(v, digits) for v in run.values)
            )
            found.append((name, sorted(row.items())))
    return sorted(found, key=repr)


@pytest.mark.parametrize("folder", FOLDERS, ids=lambda folder: folder.name)
def test_the_same_as_its_tidy_twin(folder):
    """Titles, mean rows, sheets, decimal commas, encodings, units, junk, names of files: nothing is lost."""
    digits = _DIGITS_OF_CURVES if folder.name.startswith("curves") else None

    messy, tidy = (reduced(read_study(folder / name)) for name in ("study.yaml", "tidy.yaml"))

    assert runs_of(messy, digits) == runs_of(tidy, digits)
    assert len(runs_of(tidy)) > 2


def test_there_are_twelve():
    """Of as many kinds."""
    assert len(FOLDERS) == 12


def test_what_was_not_read_is_said():
    """Rows left out and units converted stand beside their files."""
    said = {
        folder.name: [one.text for file in read_study(folder).inputs for one in file.remarks]
        for folder in FOLDERS
    }

    assert said["lines_above_the_headers"] == [
        "precision: 4 rows read; rows not read: 5 above the data, 1 named in ignored_rows (12)"
    ]
    assert "calibration: I converted from nA to µA (factor 0.001)" not in said["a_sheet_for_each_sensor"]
    assert (
        "calibration, bare: I [nA] converted from nA to µA (factor 0.001)" in said["a_sheet_for_each_sensor"]
    )
    assert said["several_files"] == [
        "repeated_use: 6 rows read; rows not read: 1 above the data, 1 that begin with # and "
        "hold nothing else"
    ]
    assert (
        "blanks: c [nmol/L] converted from nmol/L to µg/L (factor 0.058693)" in said["amounts_of_substance"]
    )
    assert any("2 named in ignored_rows" in one for one in said["wide_workbook"])
