"""Proves an analytical method: from a study description to a validation dossier.

The verbs of the command line are functions here: ``read_study``, ``evaluate``, ``assess``, ``render``.
They are imported when first used, so that reading a study never loads the PDF engine.
"""

from __future__ import annotations

import importlib
from typing import TYPE_CHECKING

from validator.version import __version__

if TYPE_CHECKING:
    from validator.assessment.assess import assess
    from validator.dossier import render
    from validator.evaluation import evaluate
    from validator.reading import read_study

__all__ = ["__version__", "assess", "evaluate", "read_study", "render"]

_HOMES = {
    "assess": "validator.assessment",
    "evaluate": "validator.evaluation",
    "read_study": "validator.reading",
    "render": "validator.dossier",
}


def __getattr__(name: str) -> object:
    if name in _HOMES:
        return getattr(importlib.import_module(_HOMES[name]), name)
    raise AttributeError(f"module 'validator' has no attribute {name!r}")
