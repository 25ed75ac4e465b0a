"""Studies for manuscripts: a rich one, a bare one, and one that is hostile in every text it holds."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import pytest

from validator import assess, evaluate, read_study
from validator.dossier.journal import journal_document
from validator.resources import examples_folder

if TYPE_CHECKING:
    from validator.dossier.document import Document
    from validator.evaluation.results import Results
    from validator.study import Study

HOSTILE = (
    r"\input{/etc/passwd} $x$ <img src=x onerror=a()> =cmd|'/c calc'!A0 | a*b_c`d` "
    r"[l](javascript:0) # ~{}& % ^"
)
"""What a study must be able to say without any of it being read as an instruction."""


@dataclass(frozen=True, slots=True)
class Written:
    """A study with its judged results and the document of its manuscript."""

    study: Study
    results: Results
    document: Document


def written(folder) -> Written:
    study = read_study(folder)
    results = assess(study, evaluate(study))
    return Written(study, results, journal_document(study, results))


def runs(slope, levels=(1.0, 2.0, 4.0, 6.0, 8.0, 10.0), **more):
    """Duplicates about a straight line, the scatter spread evenly."""
    steps = [0.004, -0.003, 0.002, -0.004, 0.003, -0.002]
    return [
        {"level": x, "signals": [slope * x + 0.01 + d, slope * x + 0.01 - d / 2], **more}
        for x, d in zip(levels, steps, strict=True)
    ]


@pytest.fixture(scope="session")
def rich() -> Written:
    """The example with two analytes, two configurations and every kind of run."""
    return written(examples_folder() / "irrigation_water_cadmium_zinc")


@pytest.fixture(scope="session")
def bare(folder_with, described) -> Written:
    """A calibration and nothing else."""
    return written(folder_with(described(calibration={"runs": runs(0.1)})))


@pytest.fixture(scope="session")
def hostile(folder_with) -> Written:
    """Every text that a study may hold, written to be misread by the three formats."""
    study = {
        "format": "validation-study/1",
        "study": {
            "title": f"Title {HOSTILE}",
            "matrix": f"matrix {HOSTILE}",
            "intended_use": f"use {HOSTILE}",
            "people": [{"name": f"Name {HOSTILE}", "role": "prepared"}],
        },
        "method": {
            "title": f"Method {HOSTILE}",
            "analytes": [
                {"id": "x", "name": f"analyte {HOSTILE}", "unit": "µg/L", "signal": "s", "signal_unit": "1"}
            ],
            "configurations": [
                {"id": "new", "name": f"new {HOSTILE}"},
                {"id": "old", "name": "=cmd|old"},
            ],
            "configuration": "new",
        },
        "criteria": [{"characteristic": "lack_of_fit", "p_min": 0.05}],
        "calibration": {"runs": [*runs(0.1, configuration="new"), *runs(0.08, configuration="old")]},
        "blanks": {
            "configuration": "new",
            "runs": [{"signals": [0.011, 0.009, 0.012, 0.008, 0.010, 0.013, 0.009, 0.010, 0.011, 0.012]}],
        },
        "recovery": {
            "configuration": "new",
            "runs": [
                {"native": 1.0, "added": 4.0, "found": found, "series": day, "matrix": f"well {HOSTILE}"}
                for day, found in enumerate((5.02, 4.93, 5.1, 4.97), start=1)
            ],
        },
        "interference": {
            "configuration": "new",
            "runs": [
                {
                    "interferent": f"salt {HOSTILE}",
                    "ratio": 10,
                    "analyte_level": 5.0,
                    "found": [4.0, 4.1],
                    "reference": [5.0, 5.1],
                }
            ],
        },
    }
    return written(folder_with(study))
