"""Cases that are computed as a study: written, read, evaluated, picked from the results."""

from __future__ import annotations

import json
import math
import tempfile
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
import yaml

from validator import evaluation, study
from validator.evaluation import serialise

if TYPE_CHECKING:
    from validator.qualification.adapters.kinds import Figures, Inputs

_HEAD = {
    "format": "validation-study/1",
    "study": {"title": "A published case"},
    "method": {
        "analytes": [{"id": "x", "name": "analyte", "unit": "mg/L", "signal": "signal", "signal_unit": "1"}]
    },
}


def whole_study(inputs: Inputs) -> Figures:
    """Figures by their paths in the results file, such as ``calibration.slope.value``."""
    with tempfile.TemporaryDirectory() as folder:
        file = Path(folder) / "study.yaml"
        file.write_text(yaml.safe_dump(_HEAD | inputs["blocks"], sort_keys=False), encoding="utf-8")
        results = evaluation.evaluate(study.read_study(file))
    whole = json.loads(serialise.to_json(results))
    record = whole["analytes"]["x"]["configurations"]["default"]
    return {name: _at(record, path) for name, path in inputs["figures"].items()}


def line(inputs: Inputs) -> Figures:
    """As ``whole_study``: a calibration through x and y, of the ``model`` named or straight."""
    runs = [{"level": x, "signal": y} for x, y in zip(inputs["x"], inputs["y"], strict=True)]
    choices = {"calibration": {"model": inputs.get("model", "linear"), "weighting": "none"}}
    figures = {
        "residual standard deviation": "calibration.residual_standard_deviation",
        "R squared": "calibration.r_squared",
        "correlation": "calibration.correlation",
        "method standard deviation": "calibration.method_standard_deviation",
        "method coefficient of variation (%)": "calibration.method_standard_deviation_percent",
    }
    coefficients = ("slope", "intercept", "quadratic")
    for name in coefficients:
        figures |= {
            name: f"calibration.{name}.value",
            f"standard error of {name}": f"calibration.{name}.standard_error",
            f"lower end of {name}": f"calibration.{name}.ci.0",
            f"upper end of {name}": f"calibration.{name}.ci.1",
        }
    found = whole_study({"blocks": {"calibration": {"runs": runs}, "analysis": choices}, "figures": figures})
    return found | {
        f"half-width of {name}": (found[f"upper end of {name}"] - found[f"lower end of {name}"]) / 2
        for name in coefficients
    }


def one_way(inputs: Inputs) -> Figures:
    """One-way analysis of variance: as ``whole_study``, of a precision experiment in series."""
    level = float(np.median(np.concatenate(inputs["groups"])))
    runs = [
        {"series": f"S{i}", "level": level, "concentrations": group}
        for i, group in enumerate(inputs["groups"])
    ]
    paths = {
        "mean": "mean.value",
        "degrees of freedom between": "analysis_of_variance.df_between",
        "degrees of freedom within": "analysis_of_variance.df_within",
        "mean square between": "analysis_of_variance.ms_between",
        "mean square within": "analysis_of_variance.ms_within",
        "F": "analysis_of_variance.f",
        "residual standard deviation": "repeatability_sd.value",
        "standard deviation between": "between_sd.value",
    }
    figures = {name: f"precision.0.{path}" for name, path in paths.items()}
    found = whole_study({"blocks": {"precision": {"runs": runs}}, "figures": figures})
    return found | {"variance between": found["standard deviation between"] ** 2}


def interlaboratory(inputs: Inputs) -> Figures:
    """As ``whole_study``: every level of a precision experiment of several laboratories."""
    laboratories = inputs["laboratories"]
    runs: list[dict[str, object]] = []
    figures: dict[str, str] = {}
    for at in range(len(laboratories[0])):
        cells = [levels[at] for levels in laboratories]
        level = float(np.median(np.concatenate(cells)))
        runs += [
            {"laboratory": f"L{i}", "level": level, "concentrations": cell} for i, cell in enumerate(cells)
        ]
        figures |= {
            f"mean, level {at + 1}": f"precision.{at}.mean.value",
            f"repeatability, level {at + 1}": f"precision.{at}.repeatability_sd.value",
            f"reproducibility, level {at + 1}": f"precision.{at}.reproducibility_sd.value",
        }
    return whole_study({"blocks": {"precision": {"runs": runs}}, "figures": figures})


def two_methods(inputs: Inputs) -> Figures:
    """As ``whole_study``, of a comparison: what this method and the other found in the same samples."""
    pairs = zip(inputs["this_method"], inputs["reference_method"], strict=True)
    runs = [
        {"sample": f"S{i}", "this_method": this, "reference_method": other}
        for i, (this, other) in enumerate(pairs)
    ]
    return whole_study({"blocks": {"comparison": {"runs": runs}}, "figures": inputs["figures"]})


def _at(record: dict[str, Any], path: str) -> float:
    found: Any = record
    for key in path.split("."):
        found = found[int(key)] if isinstance(found, list) else found.get(key)
        if found is None:
            return math.nan
    return float(found)
