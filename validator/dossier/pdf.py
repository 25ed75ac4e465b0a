"""HTML to PDF: with ``fetcher`` the only module that knows the PDF engine, imported when first used."""

from __future__ import annotations

import base64
import contextlib
import datetime as dt
import io
import logging
import re
import warnings
from typing import TYPE_CHECKING, Any, Literal, Protocol

from msgspec import Struct

from validator.dossier.table_layout import with_whole_units
from validator.errors import EnvironmentProblem, OutputProblem
from validator.resources import templates_folder

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence
    from types import ModuleType

    from validator.dossier.fetcher import ConfinedFetcher

Relationship = Literal["Source", "Data", "Alternative", "Supplement", "Unspecified"]

VARIANT = "pdf/a-3u"

_LOG = logging.getLogger(__name__)
_TEXT = re.compile(r">[^<]+")
_DAY_ZERO = dt.datetime(2000, 1, 1, tzinfo=dt.UTC)
_INSTALL = """\
the PDF engine needs the Pango libraries, which are not installed:
  Debian, Ubuntu: sudo apt-get install libpango-1.0-0 libpangoft2-1.0-0 libharfbuzz-subset0
  Fedora:         sudo dnf install pango
  macOS:          brew install pango
  conda:          conda install -c conda-forge pango"""
_INSTALL_PACKAGE = "the PDF engine is not installed: python -m pip install weasyprint"


class Attachment(Struct, frozen=True, kw_only=True):
    """A file carried inside the PDF.

    Attributes:
        name: its file name there; names are distinct.
        content: its bytes.
        mime_type: such as ``application/json``.
        relationship: what it is to the document (ISO 32000-2, 7.11.3, from memory): "Source" of it, "Data"
            behind it, ...
        description: a phrase for the reader's list of attachments.
    """

    name: str
    content: bytes
    mime_type: str
    relationship: Relationship = "Data"
    description: str = ""


def write_pdf(html: str, *, attachments: Sequence[Attachment] = (), date: dt.datetime | None = None) -> bytes:
    """Lay out *html* (medium "print") and write it as PDF/A-3 with tags; same input, same bytes.

    Args:
        html: the page; its title, language, authors and dates become the file's properties.
        attachments: files to carry along, stored in the order of their names.
        date: time stamp of the attachments; a fixed day where None, so that no clock enters the file.

    Raises:
        EnvironmentProblem: the PDF engine or its libraries are missing; the message says how to get them.
        OutputProblem: the page refers to something outside the shipped templates.
    """
    engine = _engine()
    from validator.dossier.fetcher import ConfinedFetcher

    fetcher = ConfinedFetcher(templates_folder())
    carried = [
        _engine_attachment(engine, fetcher, attachment, date or _DAY_ZERO)
        for attachment in sorted(attachments, key=lambda one: one.name)
    ]
    try:
        with _quiet_engine():
            page = engine.HTML(
                string=_with_whole_units(html),
                base_url=f"{templates_folder().as_uri()}/",
                url_fetcher=fetcher,
                media_type="print",
            )
            content: bytes = page.write_pdf(
                pdf_variant=VARIANT, pdf_tags=True, attachments=carried, finisher=_finish
            )
    except engine.urls.FatalURLFetchingError as error:
        raise _not_confined(fetcher) from error
    if fetcher.refused:  # inside pictures the engine swallows what the fetcher raises
        raise _not_confined(fetcher)
    return content


def _with_whole_units(html: str) -> str:
    """*html* with joiners in its units, which nobody sees and no reader of the file copies.

    A span that forbids breaks makes the engine break elsewhere in the line, at the first place instead of the
    last.
    """
    head, start, body = html.partition("<body")
    return head + start + _TEXT.sub(lambda text: with_whole_units(text[0]), body)


def _engine() -> ModuleType:
    try:
        with contextlib.redirect_stdout(io.StringIO()), warnings.catch_warnings():
            warnings.simplefilter("ignore", DeprecationWarning)  # about the subsetter, for developers only
            warnings.filterwarnings("ignore", message="No fonts configured")  # the dossier brings its own
            import weasyprint
    except ImportError as error:
        raise EnvironmentProblem(_INSTALL_PACKAGE) from error
    except OSError as error:
        raise EnvironmentProblem(_INSTALL) from error
    module: ModuleType = weasyprint
    return module


def _engine_attachment(
    engine: ModuleType, fetcher: ConfinedFetcher, attachment: Attachment, date: dt.datetime
) -> object:
    encoded = base64.b64encode(attachment.content).decode("ascii")
    return engine.Attachment(
        url=f"data:{attachment.mime_type};base64,{encoded}",  # the engine takes the type from the address
        url_fetcher=fetcher,
        name=attachment.name,
        description=attachment.description,
        created=date,
        modified=date,
        relationship=attachment.relationship,
    )


def _finish(_document: object, pdf: _WrittenPdf) -> None:
    # the engine enters every file twice into the catalogue's array of associated files
    if "AF" in pdf.catalog:
        pdf.catalog["AF"][:] = list(dict.fromkeys(pdf.catalog["AF"]))
    # it names the header cells of each cell, but does not say of a header what it heads
    for cell in pdf.objects:
        if isinstance(cell, dict) and cell.get("S") == "/TH":
            rows = _parent(pdf, _parent(pdf, cell))
            cell["A"]["Scope"] = "/Column" if rows["S"] == "/THead" else "/Row"


def _parent(pdf: _WrittenPdf, element: dict[str, Any]) -> dict[str, Any]:
    found: dict[str, Any] = pdf.objects[int(element["P"].split()[0])]
    return found


def _not_confined(fetcher: ConfinedFetcher) -> OutputProblem:
    return OutputProblem(
        f"the PDF was not written because it refers to external resources: {', '.join(fetcher.refused)}"
    )


class _WrittenPdf(Protocol):
    catalog: dict[str, list[object]]
    objects: list[Any]


@contextlib.contextmanager
def _quiet_engine() -> Iterator[None]:
    """Pass what the engine logs on to our own log: it would write to the terminal by itself."""
    engine_log = logging.getLogger("weasyprint")
    kept, propagated = engine_log.handlers[:], engine_log.propagate
    engine_log.handlers[:] = [_Relay()]
    engine_log.propagate = False
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore", ResourceWarning)  # it leaves its colour profile open
            yield
    finally:
        engine_log.handlers[:], engine_log.propagate = kept, propagated


class _Relay(logging.Handler):
    def emit(self, record: logging.LogRecord) -> None:
        if record.levelno >= logging.WARNING:
            _LOG.warning("%s", record.getMessage())
