"""Where the shipped templates and examples are: inside the wheel, or beside the package in a checkout."""

from __future__ import annotations

from pathlib import Path

_PACKAGE = Path(__file__).resolve().parent


def _shipped(name: str) -> Path:
    inside_wheel = _PACKAGE / f"_{name}"
    return inside_wheel if inside_wheel.is_dir() else _PACKAGE.parent / name


def templates_folder() -> Path:
    """Folder of jinja2 templates, style sheets and fonts."""
    return _shipped("report_templates")


def examples_folder() -> Path:
    """Folder of the example studies."""
    return _shipped("example_studies")


def starters_folder() -> Path:
    """Folder of the starter studies that ``validator new`` copies."""
    return _PACKAGE / "starters"
