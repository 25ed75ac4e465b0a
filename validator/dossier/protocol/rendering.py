"""The page of a protocol to a PDF that carries the record of the plan."""

from __future__ import annotations

import datetime as dt
from typing import TYPE_CHECKING

from validator.dossier.pdf import Attachment, write_pdf

if TYPE_CHECKING:
    from validator.planning import Protocol

RECORD_FILE = "plan.json"
"""Name of the record of a plan, in the protocol and beside the data-entry tables."""


def protocol_pdf(page: str, protocol: Protocol) -> bytes:
    """The protocol as PDF with the record of the plan attached.

    Raises:
        EnvironmentProblem: the PDF engine cannot be loaded.
    """
    record = Attachment(
        name=RECORD_FILE,
        content=protocol.record.to_json().encode("utf-8"),
        mime_type="application/json",
        relationship="Source",
        description="record of the plan: what its hash fixes",
    )
    period = protocol.study.study.period
    date = dt.datetime.combine(period.start, dt.time(), tzinfo=dt.UTC) if period else None
    return write_pdf(page, attachments=[record], date=date)
