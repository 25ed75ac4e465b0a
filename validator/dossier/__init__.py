"""Judged results to the document model, and the document to HTML and PDF. No statistics of its own.

``wording`` has no heavy imports; everything else loads when first used.
"""

from __future__ import annotations

import importlib
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from validator.dossier.building import build_document, dossier_pdf, render
    from validator.dossier.html import render_html

__all__ = ["build_document", "dossier_pdf", "render", "render_html"]

_HOMES = {
    "build_document": "validator.dossier.building",
    "dossier_pdf": "validator.dossier.building",
    "render": "validator.dossier.building",
    "render_html": "validator.dossier.html",
}


def __getattr__(name: str) -> object:
    if name in _HOMES:
        return getattr(importlib.import_module(_HOMES[name]), name)
    raise AttributeError(f"module 'validator.dossier' has no attribute {name!r}")
