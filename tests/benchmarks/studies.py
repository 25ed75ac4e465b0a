"""Studies of any size, drawn from a fixed seed: the same numbers on every machine.

The numbers are invented and stand for nothing; what matters is how many there are.
"""

from __future__ import annotations

import csv
from typing import TYPE_CHECKING, Any

import numpy as np
import yaml

if TYPE_CHECKING:
    from collections.abc import Iterable
    from pathlib import Path

LEVELS = (2.0, 4.0, 8.0, 12.0, 16.0, 20.0)
SEED = 20260325
STOCK = {"name": "stock", "value": 0.5, "relative": True, "kind": "standard", "source": "certificate"}


def write_study(
    folder: Path,
    *,
    analytes: int = 1,
    repeats: int = 1,
    simulated: bool = False,
    weighting: str = "none",
    title: str = "A study for a benchmark",
    seed: int = SEED,
) -> Path:
    """Write a study with all its tables into *folder*, which is made, and return that.

    Args:
        folder: of the study.
        analytes: each has 18 calibration runs, 10 blanks, 54 precision, 18 recovery and 2 interference runs.
        repeats: how often all runs are repeated, with other scatter.
        simulated: with a stated component of uncertainty, so that the budget is simulated.
        weighting: of the calibration.
        title: of the study.
        seed: of the scatter.
    """
    folder.mkdir(parents=True, exist_ok=True)
    names = [f"a{number}" for number in range(analytes)]
    rng = np.random.default_rng(seed)
    tables = {
        "calibration": (("analyte", "level", "signal", "order"), _calibration(names, repeats, rng)),
        "blanks": (("analyte", "signal"), _blanks(names, repeats, rng)),
        "precision": (("analyte", "level", "series", "concentration"), _precision(names, repeats, rng)),
        "recovery": (("analyte", "native", "added", "found"), _recovery(names, repeats, rng)),
    }
    for name, (heading, rows) in tables.items():
        with (folder / f"{name}.csv").open("w", encoding="utf-8", newline="") as stream:
            writer = csv.writer(stream)
            writer.writerow(heading)
            writer.writerows(rows)
    study = _head(names, tuple(tables), title, rng)
    study["analysis"]["calibration"] = {"weighting": weighting}
    if simulated:
        study["uncertainty"] = {"components": [STOCK]}
    (folder / "study.yaml").write_text(yaml.safe_dump(study, sort_keys=False), encoding="utf-8")
    return folder


def _head(names: list[str], tables: tuple[str, ...], title: str, rng: np.random.Generator) -> dict[str, Any]:
    return {
        "format": "validation-study/1",
        "study": {"title": title, "matrix": "water"},
        "method": {
            "analytes": [
                {
                    "id": name,
                    "name": f"analyte {name}",
                    "unit": "mg/L",
                    "signal": "height",
                    "signal_unit": "1",
                }
                for name in names
            ]
        },
        "analysis": {
            "detection_limit": {"variant": "residual_3.3"},
            "quantification_limit": {"variant": "residual_3.3"},
        },
        "criteria": [
            {"characteristic": "lack_of_fit", "p_min": 0.01},
            {"characteristic": "quantification_limit", "max": 2},
            {"characteristic": "repeatability", "rsd_max": 5},
            {"characteristic": "recovery", "min": 90, "max": 110},
        ],
        **{name: {"file": f"{name}.csv"} for name in tables},
        "interference": {
            "runs": [
                {
                    "analyte": name,
                    "interferent": interferent,
                    "ratio": 10,
                    "analyte_level": 10.0,
                    "found": _rounded(rng.normal(10.0, 0.15, 4)),
                    "reference": _rounded(rng.normal(10.0, 0.15, 4)),
                }
                for name in names
                for interferent in ("calcium", "magnesium")
            ]
        },
    }


def _rounded(values: np.ndarray) -> list[float]:
    return [round(float(value), 4) for value in values]


def _calibration(names: list[str], repeats: int, rng: np.random.Generator) -> Iterable[tuple[object, ...]]:
    for name in names:
        levels = np.tile(np.repeat(LEVELS, 3), repeats)
        order = rng.permutation(levels.size) + 1
        signals = _rounded(0.02 + 0.1 * levels + rng.normal(0.0, 0.006, levels.size))
        yield from (
            (name, level, signal, int(at)) for level, signal, at in zip(levels, signals, order, strict=True)
        )


def _blanks(names: list[str], repeats: int, rng: np.random.Generator) -> Iterable[tuple[object, ...]]:
    for name in names:
        yield from ((name, signal) for signal in _rounded(rng.normal(0.02, 0.004, 10 * repeats)))


def _precision(names: list[str], repeats: int, rng: np.random.Generator) -> Iterable[tuple[object, ...]]:
    for name in names:
        for level in (4.0, 10.0, 18.0):
            for series in range(6 * repeats):
                centre = level * (1 + rng.normal(0.0, 0.01))
                for value in _rounded(rng.normal(centre, 0.015 * level, 3)):
                    yield name, level, f"S{series + 1}", value


def _recovery(names: list[str], repeats: int, rng: np.random.Generator) -> Iterable[tuple[object, ...]]:
    for name in names:
        for added in (4.0, 10.0, 18.0):
            for value in _rounded(rng.normal(1.0 + 0.98 * added, 0.02 * added, 6 * repeats)):
                yield name, 1.0, added, value
