"""Every caveat of the catalogue can be raised, and nothing is raised without a cause."""

from __future__ import annotations

import importlib.util
from pathlib import Path

import pytest

from validator.characteristics.order import CHARACTERISTICS
from validator.guidance import caveat_texts

HERE = Path(__file__).parent
OF_FILES = {
    "file_read_with_doubt:taken",
    "guidance_no_longer_current:expired",
    "signals_depend_on_evaluation:baseline",
    "signals_depend_on_evaluation:position",
    "file_read_with_doubt:values_missing",
    "plan_departed:declarations",
}
"""These need files: raised in ``test_file_caveats``, those of curves in ``evaluation/test_recordings``."""


def cases_of(path):
    spec = importlib.util.spec_from_file_location(path.stem, path)
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module.CASES


CASES = [case for path in sorted(HERE.glob("test_caveats_of_*.py")) for case in cases_of(path)]


def test_every_case_of_the_catalogue_is_raised_by_some_study():
    """No caveat stands in the catalogue that data cannot raise."""
    catalogue = {f"{name}:{case}" for name, text in caveat_texts().items() for case in text.cases}

    assert {which for which, *_ in CASES} == catalogue - OF_FILES
    assert len(caveat_texts()) > 50


def test_every_caveat_weighs_on_a_characteristic_it_can_weigh_on(caveats_of):
    """The characteristic is one that the catalogue names for the caveat, the analyte the one at hand."""
    for case in CASES:
        which = case[0]
        for caveat in caveats_of(case[2]):
            text = caveat_texts()[caveat.id]
            named = list(text.characteristics)
            assert caveat.characteristic in (named or ["whole study"]), which
            assert caveat.characteristic in {*CHARACTERISTICS, "whole study"}, which
            assert caveat.analyte in (None, "x"), which
            assert caveat.title in {text.title, *(one.title for one in text.cases.values())}, which


def _runs(*entries):
    return f"{{runs: [{', '.join(entries)}]}}"


def _signals(level, deviations):
    return f"{{level: {level}, signals: {[round(0.1 * level + d, 4) for d in deviations]}}}"


SCATTER = ((1, -1), (-1, 2), (2, -2), (1, 0), (-2, 1), (0, 1.5))
SERIES = ((1, 2), (-2, -1), (2, 1), (-1, -2), (1.5, 0), (-1, 0), (0, 1))
CHECKS = (1, -1, 2, 0, -1.5, 0.5)
COMPLETE = {
    "study": {"matrix": "river water"},
    "analyte": {"target_levels": "[2, 5, 9]"},
    "criteria": "[{characteristic: lack_of_fit, p_min: 0.01}, "
    "{characteristic: intermediate_precision, rsd_max: 6}, "
    "{characteristic: recovery, min: 94, max: 106}]",
    "calibration": _runs(
        *(
            _signals(level, [0.001 * d for d in deviations])
            for level, deviations in zip((1, 3, 5, 7, 9, 11), SCATTER, strict=True)
        )
    ),
    "precision": _runs(
        *(
            f"{{level: {level}, series: S{i}, operator: {'AB'[i % 2]}, instrument: I1, "
            f"concentrations: [{level * (1 + a / 100):.3f}, {level * (1 + b / 100):.3f}]}}"
            for level in (2, 5, 9)
            for i, (a, b) in enumerate(SERIES)
        )
    ),
    "recovery": _runs(
        *(
            f"{{level: {level}, series: S{i}, matrix: river water, found: [{level * (1 + e / 100):.3f}]}}"
            for level in (2, 9)
            for i, e in enumerate(CHECKS)
        )
    ),
    "matrix_calibration": _runs(*(_signals(level, (0.002, -0.001)) for level in (1, 4, 7, 10))),
}
"""Replicates, seven series, two people, an independent check, the slope in matrix, limits beforehand."""


def test_a_study_without_a_doubt_raises_none(caveats_of):
    """Where a careful laboratory left nothing open, there is nothing to say: no filler."""
    assert [(one.id, one.because) for one in caveats_of(COMPLETE)] == []


def test_an_empty_study_raises_what_it_lacks_and_nothing_else(caveats_of):
    """Without data there is nothing to doubt: only the missing particulars are told."""
    parts = {"study": {"id": "", "version": "", "period": "", "people": ""}, "method": {"procedure": ""}}

    assert [one.because for one in caveats_of(parts)] == [
        (
            "Not stated in the study: an identifier, a version, the period of the work, the people, the "
            "written procedure."
        )
    ]


@pytest.mark.parametrize("case", CASES, ids=[case[0] for case in CASES])
def test_every_case_is_raised_and_by_its_near_twin_it_is_not(sentences, case):
    """Whatever module the case stands in: raised once with its sentence, not by a study alike but one point.

    Twins differ in one entry of the study description, two where the point itself needs two.
    """
    which, because, raising, twin = case

    assert sentences(raising, which) == [because]
    assert sentences(twin, which) == []
    differing = {name for name in {*raising, *twin} if raising.get(name) != twin.get(name)}
    assert 1 <= len(differing) <= 2
