"""Appendix of the data: every datum with its unit, as the study gives it."""

from __future__ import annotations

import pytest

from validator.dossier import build_document
from validator.dossier.inline import plain

LINE = {"runs": [{"level": x, "signals": [0.1 * x, 0.1 * x + 0.004]} for x in (1, 2, 4, 8)]}
BLANKS = {"runs": [{"kind": "matrix", "signals": [0.011, 0.004, 0.013, 0.009, 0.002]}]}
RECOVERY = {"runs": [{"native": 0, "added": 4, "found": [3.9, 4.1, 4.2]}]}
COMPARISON = {
    "runs": [
        {"sample": f"S{i}", "this_method": [i + 0.1], "reference_method": [i + 0.02 * i]} for i in range(1, 7)
    ]
}
STABILITY = {
    "runs": [
        {"condition": "cold", "time": t, "time_unit": "h", "level": 4, "found": [4.0 - 0.01 * t, 4.1]}
        for t in (0, 2, 5, 9)
    ]
}
CARRY_OVER = {
    "runs": [
        {
            "sequence": [
                {"kind": "blank", "signal": 0.004},
                {"kind": "high", "level": 8, "signal": 0.8},
                {"kind": "blank", "signal": 0.009},
            ]
        }
    ]
}
INTERFERENCE = {
    "runs": [
        {
            "interferent": "humic acid",
            "interferent_level": 5,
            "interferent_unit": "µmol/L",
            "analyte_level": 4,
            "found": [3.9, 4.0, 4.1],
            "reference": [4.0, 4.1, 4.2],
        }
    ]
}
NOISE = {"runs": [{"level": 1, "signal_height": 0.1, "noise": 0.004, "noise_kind": "peak_to_peak"}]}
BLOCKS = {
    "calibration": LINE,
    "blanks": BLANKS,
    "recovery": RECOVERY,
    "comparison": COMPARISON,
    "stability": STABILITY,
    "carry_over": CARRY_OVER,
    "interference": INTERFERENCE,
    "noise": NOISE,
}


@pytest.fixture(scope="module")
def section(judged, described):
    document = build_document(*judged(described(**BLOCKS)))
    return next(one for one in document.sections if one.id == "data")


@pytest.fixture(scope="module")
def tables(section):
    return {one.id.removeprefix("data-"): one for one in section.blocks if hasattr(one, "columns")}


@pytest.mark.parametrize(
    ("block", "units"),
    [
        ("calibration", "Levels in mg/L, signals without a unit."),
        ("blanks", "Signals without a unit."),
        ("recovery", "Levels and results in mg/L."),
        ("comparison", "Results in mg/L."),
        ("stability", "Levels and results in mg/L."),
        ("carry-over", "Levels in mg/L, signals without a unit."),
        ("noise", "Levels in mg/L, signals without a unit."),
    ],
)
def test_units_are_those_of_what_the_block_holds(tables, block, units):
    """A table of results does not say that its readings are signals."""
    note = plain(tables[block].note)
    if note.startswith("Notes as for data-"):  # the same words are printed once
        note = plain(tables[note.removeprefix("Notes as for data-").rstrip(".")].note)
    assert f"line or row of study.yaml. {units}" in note


def test_units_of_several_analytes_are_told_apart(judged, described):
    """Where they differ, each is named."""
    analytes = [
        {"id": i, "name": name, "unit": unit, "signal": "current", "signal_unit": "µA"}
        for i, name, unit in (("a", "zinc", "mg/L"), ("b", "nickel", "µg/L"))
    ]
    runs = [{**run, "analyte": one["id"]} for one in analytes for run in LINE["runs"]]
    document = build_document(*judged(described(analytes=analytes, calibration={"runs": runs})))
    table = next(one for one in document.sections if one.id == "data").blocks[1]

    assert "zinc: levels in mg/L, signals in µA; nickel: levels in µg/L, signals in µA." in plain(table.note)


def test_a_field_with_its_own_unit_is_printed_with_it(tables):
    """Times and amounts of an interferent; the unit is no column of its own."""
    cells = [plain(cell) for row in tables["stability"].rows for cell in row.cells]
    assert {"0 h", "9 h"} <= set(cells)
    assert "h" not in cells
    assert any("5 µmol/L" in plain(cell) for row in tables["interference"].rows for cell in row.cells)


def test_words_of_the_format_are_printed_as_words(tables):
    """The kind of noise is written with underscores in the study only."""
    shown = [plain(cell) for row in tables["noise"].rows for cell in row.cells]
    assert "peak to peak" in shown


def test_strikes_are_explained_only_where_there_are_any(section, judged, described):
    """Nothing was left out of the one study, a calibration point of the other."""
    out = {"level": 4, "signals": [0.9], "excluded": "air bubble"}
    runs = [*LINE["runs"], out]
    document = build_document(*judged(described(calibration={"runs": runs})))
    other = next(one for one in document.sections if one.id == "data")

    assert "Data struck through are excluded" not in plain(section.blocks[0].content)
    assert "Data struck through are excluded" in plain(other.blocks[0].content)
