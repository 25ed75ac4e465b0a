"""The last step: a page to a PDF that carries what it was computed from."""

from __future__ import annotations

import datetime as dt
import mimetypes
from typing import TYPE_CHECKING

from validator.dossier.building import build_document
from validator.dossier.html import Paper, render_html
from validator.dossier.pdf import Attachment, write_pdf
from validator.evaluation.serialise import to_json

if TYPE_CHECKING:
    from validator.evaluation.results import Results
    from validator.study import Study

_MIME_TYPES = {".yaml": "application/yaml", ".yml": "application/yaml", ".csv": "text/csv"}
_WITHOUT_A_DATE = dt.datetime(2000, 1, 1, tzinfo=dt.UTC)
"""Date in the file's properties where the study states no period: the clock would change the bytes."""


def dossier_pdf(page: str, study: Study, results: Results) -> bytes:
    """The dossier as PDF; study, data files and results are attached, so that it can be recomputed from itself.

    Raises:
        EnvironmentProblem: the PDF engine cannot be loaded.
    """
    attachments = [
        Attachment(
            name=file.path,
            content=(study.folder / file.path).read_bytes(),
            mime_type=_mime_type(file.path),
            relationship="Source" if file.role == "study" else "Data",
            description=f"{file.role}: {file.path}",
        )
        for file in study.inputs
    ]
    attachments.append(
        Attachment(
            name="results.json",
            content=to_json(results).encode("utf-8"),
            mime_type="application/json",
            relationship="Data",
            description="results: every figure at full precision",
        )
    )
    return write_pdf(page, attachments=attachments, date=_date(study))


def render(study: Study, results: Results, *, paper: Paper = "a4") -> bytes:
    """The dossier of *study* as PDF, from judged *results* in one call."""
    return dossier_pdf(render_html(build_document(study, results), paper=paper), study, results)


def _mime_type(name: str) -> str:
    suffix = f".{name.rpartition('.')[2].lower()}"
    return _MIME_TYPES.get(suffix) or mimetypes.guess_type(name)[0] or "application/octet-stream"


def _date(study: Study) -> dt.datetime:
    period = study.study.period
    if period is None:
        return _WITHOUT_A_DATE
    return dt.datetime.combine(period.end, dt.time(), tzinfo=dt.UTC)
