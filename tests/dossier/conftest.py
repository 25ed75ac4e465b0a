"""The sample document and its PDF, made once for all tests of this folder."""

from __future__ import annotations

import importlib.util
import logging
from pathlib import Path
from typing import TYPE_CHECKING

import pytest

from validator.dossier.html import render_html
from validator.dossier.pdf import Attachment, write_pdf

if TYPE_CHECKING:
    from types import ModuleType

HERE = Path(__file__).parent


def _module(name: str) -> ModuleType:
    spec = importlib.util.spec_from_file_location(f"dossier_{name}", HERE / f"{name}.py")
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


@pytest.fixture(scope="session")
def sample() -> ModuleType:
    return _module("sample")


@pytest.fixture(scope="session")
def drawings() -> ModuleType:
    return _module("figure_sample")


@pytest.fixture(scope="session")
def document(sample, drawings):
    """Every block kind, with three of the drawings."""
    names = ("calibration", "limits", "precision")
    figures = {figure.id: figure for figure in drawings.sample_figures(names)}
    return sample.sample_document(tuple(figures.values()))


@pytest.fixture(scope="session")
def attachments():
    return (
        Attachment(
            name="results.json",
            content=b'{"format": "validation-results/2"}',
            mime_type="application/json",
            relationship="Data",
            description="all numbers at full precision",
        ),
        Attachment(
            name="data/points.csv", content=b"level,signal\n", mime_type="text/csv", relationship="Source"
        ),
    )


class Rendering(logging.Handler):
    """The PDF of the sample, and what the engine complained of while it was made."""

    def __init__(self) -> None:
        super().__init__(logging.WARNING)
        self.content = b""
        self.complaints: list[str] = []

    def emit(self, record: logging.LogRecord) -> None:
        self.complaints.append(record.getMessage())


@pytest.fixture(scope="session")
def rendering(document, attachments) -> Rendering:
    result = Rendering()
    log = logging.getLogger("validator.dossier.pdf")
    log.addHandler(result)
    result.content = write_pdf(render_html(document), attachments=attachments)
    log.removeHandler(result)
    return result


@pytest.fixture(scope="session")
def pdf(rendering) -> bytes:
    return rendering.content
