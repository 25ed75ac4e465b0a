"""YAML and tables in, a frozen ``Study`` out. No statistics, no guidance, no text for reports."""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from validator.study.models.study import Study
    from validator.study.reading import read_study

__all__ = ["Study", "read_study"]

_HOMES = {"Study": "validator.study.models.study", "read_study": "validator.study.reading"}
"""Loaded when asked for: a toolkit of this room can be had without the models of every block."""


def __getattr__(name: str) -> object:
    if name in _HOMES:
        return getattr(import_module(_HOMES[name]), name)
    raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
