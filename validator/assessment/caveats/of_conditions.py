"""Caveats on repeated use, and on what was not studied."""

from __future__ import annotations

from validator import numbers
from validator.assessment.asked import not_measured
from validator.assessment.caveats.raising import Raised, Subject, Trigger, listed
from validator.evaluation.results import (
    DeclineRecord,
    RepeatedUseRecord,
)


def uses_beyond_test(subject: Subject) -> Trigger:
    """The number of uses that a device stands is read beyond the last use tested."""
    found = subject.record.repeated_use
    if not isinstance(found, RepeatedUseRecord) or not isinstance(found.decline, DeclineRecord):
        return
    decline = found.decline
    if decline.extrapolated and decline.uses_until_loss is not None:
        yield Raised(
            id="stability_claim_beyond_test",
            case="uses_extrapolated",
            values={
                "loss": numbers.as_given(decline.loss_percent),
                "uses": numbers.significant(decline.uses_until_loss.value, 2),
                "tested": numbers.count(found.last_use),
            },
            characteristic="repeated_use",
        )


def not_studied(subject: Subject) -> Trigger:
    """What the chosen guidance recommends for a method of this kind, and nobody studied."""
    scope = subject.study.study.scope
    documents: dict[str, list[str]] = {}
    for profile in subject.profiles:
        for one in not_measured(subject.study, subject.results, profile):
            if one.analyte != subject.cell.analyte or subject.is_limited(one.characteristic):
                continue
            if scope and one.characteristic not in scope:
                continue
            # spikes in the matrix say something of it; how little, a caveat of its own says
            if one.characteristic != "matrix_effect" or not _has_spikes(subject):
                documents.setdefault(profile.name, []).append(one.characteristic.replace("_", " "))
    for document, names in documents.items():
        yield Raised(
            id="recommended_not_studied",
            case="missing",
            values={"characteristics": listed(names), "document": document},
            characteristic=names[0].replace(" ", "_"),
        )


def _has_spikes(subject: Subject) -> bool:
    return any(record.kind == "spike" and record.n > 0 for record in subject.recovery)


TRIGGERS = (
    uses_beyond_test,
    not_studied,
)
