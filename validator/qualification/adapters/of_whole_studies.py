"""A published case the whole way: written as a study, read from its file, evaluated, picked from results."""

from __future__ import annotations

import json
import tempfile
from pathlib import Path
from typing import TYPE_CHECKING, Any

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


def _at(record: dict[str, Any], path: str) -> float:
    found: Any = record
    for key in path.split("."):
        found = found[int(key)] if isinstance(found, list) else found[key]
    return float(found)
