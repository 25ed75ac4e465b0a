"""What a study provides, counted as guidance counts it: the weakest part decides."""

from __future__ import annotations

import pytest

from validator.assessment.counting import provided
from validator.characteristics.order import CHARACTERISTICS
from validator.evaluation import Cell
from validator.guidance import Counter

CELL = Cell("x", "default")


@pytest.fixture
def count(study_of, described):
    """The count for a characteristic in a study of these blocks."""

    def count(characteristic, counter, **blocks):
        study = study_of(described(**{name: {"runs": runs} for name, runs in blocks.items()}))
        return provided(study, CELL, characteristic, Counter(counter))

    return count


CALIBRATION = [
    {"level": 0, "signals": [0.0, 0.1]},
    {"level": 1, "signals": [1.0, 1.1, 1.2]},
    {"level": 2, "signals": [2.0, 2.1], "preparation": "repeated_reading"},
    {"level": 2, "signal": 2.2},
    {"level": 5, "signals": [5.0] * 4},
    {"level": 9, "signals": [9.0] * 6, "excluded": "saturated"},
]


@pytest.mark.parametrize(
    ("counter", "number"),
    [
        ("levels", 4),
        ("levels_above_zero", 3),
        ("replicates_per_level", 2),
        ("replicates_at_lowest_level", 3),
        ("replicates_at_highest_level", 4),
    ],
)
def test_calibration_is_counted_by_preparations(count, counter, number):
    """Repeated readings count once, excluded runs not at all, and the level with fewest decides."""
    assert count("linearity", counter, calibration=CALIBRATION) == number


PRECISION = [
    {"level": 2, "day": "1", "date": "2026-03-02", "operator": "AB", "concentrations": [2.0, 2.1, 2.2]},
    {"level": 2, "day": "2", "date": "2026-03-03", "operator": "CD", "concentrations": [2.0, 2.1]},
    {"level": 2, "day": "3", "date": "2026-03-04", "operator": "AB", "concentrations": [2.0, 2.3]},
    {"level": 8, "day": "1", "date": "2026-03-02", "operator": "AB", "concentrations": [8.0, 8.1, 8.2, 8.3]},
    {"level": 8, "day": "2", "date": "2026-03-03", "operator": "CD", "concentrations": [8.0, 8.1, 8.4]},
]


@pytest.mark.parametrize(
    ("counter", "number"),
    [
        ("levels", 2),
        ("replicates_per_level", 7),
        ("series", 2),
        ("replicates_per_series", 2),
        ("dates", 3),
        ("operators", 2),
        ("determinations", 14),
    ],
)
def test_precision_is_counted_where_it_is_weakest(count, counter, number):
    """Series at the level with fewest, replicates in the smallest series."""
    assert count("intermediate_precision", counter, precision=PRECISION) == number


def test_precision_without_days_is_one_series(count):
    """Readings without a label are one series, not none."""
    runs = [{"level": 2, "concentrations": [2.0, 2.1, 2.2]}]

    assert count("intermediate_precision", "series", precision=runs) == 1


def test_laboratories_are_counted_at_the_level_with_fewest(count):
    """A laboratory that skipped a level counts where it measured."""
    runs = [
        {"level": 1, "laboratory": "A", "concentrations": [1.0, 1.1]},
        {"level": 1, "laboratory": "B", "concentrations": [1.0, 1.1, 1.2]},
        {"level": 5, "laboratory": "A", "concentrations": [5.0, 5.1]},
    ]

    assert count("reproducibility", "laboratories", precision=runs) == 1
    assert count("reproducibility", "replicates_per_laboratory", precision=runs) == 2


@pytest.mark.parametrize(("days", "replicates"), [(("1", "1"), None), (("1", "2"), 2)])
def test_laboratories_without_days_show_no_intermediate_precision(count, days, replicates):
    """Where each laboratory measured once, nothing was changed within it."""
    runs = [
        {"level": 1, "laboratory": laboratory, "day": day, "concentrations": [1.0, 1.1]}
        for laboratory in "AB"
        for day in days
    ]

    assert count("intermediate_precision", "replicates_per_series", precision=runs) == replicates


@pytest.mark.parametrize("characteristic", ["detection_limit", "quantification_limit"])
def test_blanks_and_low_level_samples(count, characteristic):
    """Blanks and spikes are counted in their own blocks, batches over both, the smaller number."""
    blocks = {
        "blanks": [{"signals": [0.1, 0.2], "series": "a"}, {"signals": [0.1], "series": "b"}],
        "low_level": [{"level": 1, "concentrations": [1.0, 1.1], "series": name} for name in ("a", "b", "c")],
    }

    assert count(characteristic, "blanks", **blocks) == 3
    assert count(characteristic, "low_level_samples", **blocks) == 6
    assert count(characteristic, "batches", **blocks) == 2


def test_interferents_ratios_and_replicates(count):
    """Ratios of the interferent with fewest, replicates at the poorest ratio; repeats count once."""

    def run(name, ratio, n, **more):
        return {
            "interferent": name,
            "ratio": ratio,
            "analyte_level": 5,
            "reference": [5.0, 5.1],
            "found": [5.0 + 0.1 * i for i in range(n)],
            **more,
        }

    runs = [
        run("copper", 1, 3),
        run("copper", 10, 4),
        run("iron", 1, 3, preparation="repeated_reading"),
        run("iron", 1, 2),
    ]

    assert count("interference", "interferents", interference=runs) == 2
    assert count("interference", "ratios", interference=runs) == 1
    assert count("interference", "replicates_per_ratio", interference=runs) == 3


def test_recoveries_of_several_materials(count):
    """Certified values are told apart; matrices without a name are one."""
    runs = [
        {"reference": 5, "found": [5.0, 5.1], "matrix": "river water"},
        {"reference": 9, "found": [9.0], "matrix": "river water"},
        {"native": 0, "added": 5, "found": [5.0], "matrix": "sea water"},
    ]

    assert count("trueness", "reference_materials", recovery=runs) == 2
    assert count("uncertainty", "recoveries", recovery=runs) == 3
    assert count("recovery", "matrices", recovery=runs) == 2
    assert count("recovery", "levels", recovery=runs) == 2
    assert count("recovery", "matrices", recovery=[{"level": 1, "found": 1.0}]) == 1


def test_what_carries_an_uncertainty_is_counted_where_it_stands(study_of, described):
    """Control results and levels among the precision runs, rounds of comparison in the budget."""
    one = {"result": 5.1, "assigned": 5.0, "reproducibility_sd": 0.3, "laboratories": 12}
    study = study_of(
        described(precision={"runs": PRECISION}, uncertainty={"bias": {"rounds": [one] * 4}}),
    )

    def counted(counter):
        return provided(study, CELL, "uncertainty", Counter(counter))

    assert counted("laboratory_comparisons") == 4
    assert counted("control_results") == 14
    assert counted("levels") == 2
    assert counted("recoveries") is None


@pytest.mark.parametrize("characteristic", list(CHARACTERISTICS))
def test_nothing_measured_is_nothing_counted(count, characteristic):
    """An empty study provides no count at all, whatever is asked: None, which is not zero."""
    for counter in CHARACTERISTICS[characteristic].counters:
        assert count(characteristic, counter) is None, counter


@pytest.mark.parametrize("characteristic", list(CHARACTERISTICS))
def test_every_characteristic_is_counted_in_a_block(characteristic, described, study_of):
    """The block exists in the study description."""
    assert hasattr(study_of(described()), CHARACTERISTICS[characteristic].block)


def test_the_count_belongs_to_its_analyte_and_configuration(study_of, described):
    """Runs of another configuration are not lent."""
    runs = [{"level": x, "signal": 1.0, "configuration": "bare"} for x in (1, 2, 3)]
    study = study_of(described(configurations=["film", "bare"], calibration={"runs": runs}))

    assert provided(study, Cell("x", "bare"), "linearity", Counter.LEVELS) == 3
    assert provided(study, Cell("x", "film"), "linearity", Counter.LEVELS) is None
