"""Which runs belong to a cell, and how many independent values they are."""

from __future__ import annotations

import pytest

from validator.evaluation import Cell
from validator.evaluation.rows import (
    excluded,
    group_label,
    independent_values,
    kept,
    labels_or_none,
    runs_of,
)

CELL = Cell("x", "default")


@pytest.fixture
def runs(study_of, described):
    """The runs of a block for the only analyte."""

    def runs(block, *written, **options):
        study = study_of(described(**{block: {"runs": list(written), **options}}))
        return runs_of(getattr(study, block), CELL)

    return runs


def values(found):
    return [value.value for value in independent_values(found)]


def test_runs_of_one_analyte_and_configuration(study_of, described):
    """A cell has the runs of its analyte and configuration, excluded ones too, in the order written."""
    analytes = [
        {"id": name, "name": name, "unit": "mg/L", "signal": "s", "signal_unit": "1"} for name in ("cd", "zn")
    ]
    written = [
        {"analyte": "cd", "configuration": "film", "level": 1, "signal": 1},
        {"analyte": "zn", "configuration": "film", "level": 2, "signal": 2},
        {"analyte": "cd", "configuration": "bare", "level": 3, "signal": 3},
        {"analyte": "cd", "configuration": "film", "level": 4, "signal": 4, "excluded": "bubble"},
        {"analyte": "cd", "level": 5, "signal": 5},
    ]
    study = study_of(
        described(analytes=analytes, configurations=["film", "bare"], calibration={"runs": written})
    )

    found = runs_of(study.calibration, Cell("cd", "film"))

    assert [run.level for run in found] == [1, 4, 5]  # the last one has the validated configuration
    assert [run.level for run in kept(found)] == [1, 5]
    assert [run.level for run in excluded(found)] == [4]
    assert runs_of(None, CELL) == ()


def test_signals_of_one_run_are_independent_unless_said_otherwise(runs):
    """By default every signal is a preparation of its own."""
    found = runs("calibration", {"level": 1, "signals": [1.0, 2.0, 4.0]}, {"level": 2, "signal": 8.0})

    assert values(found) == [1, 2, 4, 8]
    assert [value.readings for value in independent_values(found)] == [(1,), (2,), (4,), (8,)]


def test_repeated_readings_of_one_run_count_once(runs):
    """Readings of one solution are averaged: three readings are one value."""
    found = runs(
        "calibration",
        {"level": 1, "signals": [1.0, 2.0, 6.0], "preparation": "repeated_reading"},
        {"level": 1, "signals": [1.0, 3.0]},
    )

    (first, *rest) = independent_values(found)
    assert (first.value, first.readings) == (3.0, (1.0, 2.0, 6.0))
    assert [value.value for value in rest] == [1.0, 3.0]


def test_a_block_of_repeated_readings(runs):
    """The default of the block holds for every run in it."""
    found = runs("blanks", {"signals": [1.0, 3.0]}, {"signals": [5.0, 7.0]}, preparation="repeated_reading")

    assert values(found) == [2.0, 6.0]


def test_rows_that_share_a_preparation_are_one_value(runs):
    """A preparation_id joins rows, wherever they stand."""
    found = runs(
        "calibration",
        {"level": 1, "signal": 1.0, "preparation_id": "P1"},
        {"level": 1, "signal": 5.0, "preparation_id": "P2"},
        {"level": 1, "signal": 3.0, "preparation_id": "P1"},
    )

    assert sorted(values(found)) == [2.0, 5.0]


@pytest.mark.parametrize(
    ("block", "one", "other"),
    [
        ("calibration", {"level": 1, "signal": 1.0}, {"level": 2, "signal": 1.0}),
        ("calibration", {"level": 1, "signal": 1.0, "series": "a"}, {"level": 1, "signal": 1, "series": "b"}),
        (
            "calibration",
            {"level": 1, "signal": 1.0, "date": "2026-03-02"},
            {"level": 1, "signal": 1.0, "date": "2026-03-03"},
        ),
        (
            "calibration",
            {"level": 1, "signal": 1.0, "device": "S1"},
            {"level": 1, "signal": 1, "device": "S2"},
        ),
        ("precision", {"level": 1, "signal": 1.0, "day": "1"}, {"level": 1, "signal": 1.0, "day": "2"}),
        (
            "precision",
            {"level": 1, "signal": 1.0, "laboratory": "A"},
            {"level": 1, "signal": 1.0, "laboratory": "B"},
        ),
        ("blanks", {"signal": 1.0, "kind": "reagent"}, {"signal": 1.0, "kind": "matrix"}),
        ("recovery", {"native": 0, "added": 1, "found": 1.0}, {"native": 0, "added": 2, "found": 1.0}),
        (
            "recovery",
            {"level": 1, "found": 1.0, "matrix": "tap"},
            {"level": 1, "found": 1.0, "matrix": "sea"},
        ),
    ],
)
def test_the_same_label_elsewhere_is_another_preparation(runs, block, one, other):
    """Laboratories, days and levels number their preparations anew: equal labels there are not one."""
    found = runs(block, {**one, "preparation_id": "1"}, {**other, "preparation_id": "1"})

    assert values(found) == [1.0, 1.0]


def test_another_operator_reads_the_same_preparation_again(runs):
    """Who reads, and on which instrument, makes no new preparation."""
    found = runs(
        "precision",
        {"level": 1, "concentration": 1.0, "operator": "AB", "instrument": "1", "preparation_id": "P"},
        {"level": 1, "concentration": 3.0, "operator": "CD", "instrument": "2", "preparation_id": "P"},
    )

    assert values(found) == [2.0]


def test_repeated_rows_without_a_label_never_add_freedom(runs):
    """Rows of one reading marked as repeated are one preparation where level, series and device agree."""
    repeated = {"preparation": "repeated_reading"}

    found = runs(
        "calibration",
        {"level": 1, "signal": 1.0, **repeated},
        {"level": 1, "signal": 3.0, **repeated},
        {"level": 2, "signal": 4.0, **repeated},
    )

    assert values(found) == [2.0, 4.0]


def test_readings_below_a_limit_are_no_values(runs):
    """A run of censored blanks has no number to give."""
    found = runs("blanks", {"concentrations": ["<0.5", 0.7, "<0.5"]}, {"concentrations": ["<0.5"]})

    assert values(found) == [0.7]


def test_the_mean_of_large_equal_readings_is_exact(runs):
    """Averaging adds no rounding: the mean of equal readings is the reading."""
    found = runs("calibration", {"level": 1, "signals": [0.1] * 3, "preparation": "repeated_reading"})

    assert values(found) == [0.1]


@pytest.mark.parametrize(
    ("more", "label"),
    [
        ({"series": "S1", "day": "3", "date": "2026-03-02"}, "S1"),
        ({"day": "3", "date": "2026-03-02"}, "3"),
        ({"date": "2026-03-02"}, "2026-03-02"),
        ({"operator": "AB"}, None),
    ],
)
def test_what_names_a_group(runs, more, label):
    """Series before day before date; nothing else makes repeatability conditions."""
    (run,) = runs("precision", {"level": 1, "concentration": 1.0, **more})

    assert group_label(run) == label


def test_half_labelled_results_are_not_grouped():
    """One missing label spoils the grouping; no labels are no grouping."""
    assert labels_or_none(["a", "b", "a"]) == ("a", "b", "a")
    assert labels_or_none(["a", None, "a"]) is None
    assert labels_or_none([]) is None
