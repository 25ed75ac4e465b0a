"""The last step: a page to a PDF that carries what it was computed from."""

from __future__ import annotations

import datetime as dt
import hashlib
import mimetypes
from typing import TYPE_CHECKING

from validator.dossier.building import build_document
from validator.dossier.html import Paper, render_html
from validator.dossier.pdf import Attachment, Relationship, write_pdf
from validator.errors import OutputProblem
from validator.evaluation.serialise import to_json

if TYPE_CHECKING:
    from validator.evaluation.results import InputRecord, Results
    from validator.study import Study

RESULTS_FILE = "results.json"
"""Name under which a dossier carries its results."""

_MIME_TYPES = {".yaml": "application/yaml", ".yml": "application/yaml", ".csv": "text/csv"}
_RELATIONSHIPS: dict[str, Relationship] = {"study": "Source", "guidance": "Source"}
_WITHOUT_A_DATE = dt.datetime(2000, 1, 1, tzinfo=dt.UTC)
"""Date in the file's properties where the study states no period: the clock would change the bytes."""


def dossier_pdf(page: str, study: Study, results: Results) -> bytes:
    """The dossier as PDF; all that *results* were computed from is attached, so that it can be recomputed.

    Raises:
        EnvironmentProblem: the PDF engine cannot be loaded.
        OutputProblem: a file of the study has changed since it was read, or takes the name of the results.
    """
    attachments = [_attachment(study, file) for file in results.inputs]
    attachments.append(
        Attachment(
            name=RESULTS_FILE,
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


def _attachment(study: Study, file: InputRecord) -> Attachment:
    if file.path == RESULTS_FILE:
        raise OutputProblem(
            f"{file.path}: the dossier attaches its results under this name; give the study's file another"
        )
    return Attachment(
        name=file.path,
        content=_unchanged(study, file),
        mime_type=_mime_type(file.path),
        relationship=_RELATIONSHIPS.get(file.role, "Data"),
        description=f"{file.role}: {file.path}",
    )


def _unchanged(study: Study, file: InputRecord) -> bytes:
    """The bytes of *file*, which must be those that were computed from."""
    try:
        content = (study.folder / file.path).read_bytes()
    except OSError as error:
        raise OutputProblem(f"{file.path}: cannot be attached ({error.strerror or error})") from error
    if hashlib.sha256(content).hexdigest() != file.sha256:
        raise OutputProblem(
            f"{file.path}: changed while the dossier was being written; run the command again"
        )
    return content


def _mime_type(name: str) -> str:
    suffix = f".{name.rpartition('.')[2].lower()}"
    return _MIME_TYPES.get(suffix) or mimetypes.guess_type(name)[0] or "application/octet-stream"


def _date(study: Study) -> dt.datetime:
    period = study.study.period
    if period is None:
        return _WITHOUT_A_DATE
    return dt.datetime.combine(period.end, dt.time(), tzinfo=dt.UTC)
