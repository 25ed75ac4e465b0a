"""What the benchmark compares is the same: the engine against formulas of statsmodels, number by number."""

from __future__ import annotations

import runpy
from pathlib import Path

import pytest

import validator
from validator.evaluation.serialise import plain

HERE = Path(__file__).parent
SCRIPT = runpy.run_path(str(HERE / "formula_script.py"))
WRITE_STUDY = runpy.run_path(str(HERE / "studies.py"))["write_study"]


def numbers(value, path=""):
    """Every number of the results under its path."""
    if isinstance(value, dict):
        for key, item in value.items():
            yield from numbers(item, f"{path}.{key}" if path else key)
    elif isinstance(value, list):
        for index, item in enumerate(value):
            yield from numbers(item, f"{path}[{index}]")
    elif isinstance(value, int | float) and not isinstance(value, bool):
        yield path, value


def both(folder):
    """The figures of the engine and of the script."""
    results = validator.evaluate(validator.read_study(folder))
    weighting = results.analytes["a0"].configurations["default"].calibration.weighting
    record = plain(results)["analytes"]["a0"]["configurations"]["default"]
    return dict(numbers(record)), SCRIPT["figures_of"](SCRIPT["read_tables"](folder), weighting)


@pytest.mark.parametrize("seed", [20260325, 1])
@pytest.mark.parametrize("weighting", ["none", "1/x", "1/x^2"])
def test_engine_and_formulas_give_equal_numbers(tmp_path, weighting, seed):
    """Every figure of the script stands in the results, equal to nine digits, for any weights."""
    ours, theirs = both(WRITE_STUDY(tmp_path / "study", weighting=weighting, seed=seed))

    assert len(theirs) > (400 if weighting == "none" else 300)
    missing = [name for name in theirs if name not in ours]
    assert missing == []
    apart = [
        (name, ours[name], value)
        for name, value in theirs.items()
        if ours[name] != pytest.approx(value, rel=1e-9, abs=1e-13)
    ]
    assert apart == []


def test_the_script_is_no_small_part_of_the_engine(tmp_path):
    """Numbers that are results, not data or choices repeated, are mostly the script's too."""
    ours, theirs = both(WRITE_STUDY(tmp_path / "study"))

    repeated = (".inputs.", ".points[", ".values[", "contributions[", "df[", "lowest", "highest", ".n")
    results = [name for name in ours if not any(part in name for part in repeated)]
    assert sum(name in theirs for name in results) > 0.55 * len(results)
