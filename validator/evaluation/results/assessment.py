"""Records of the judgement."""

from __future__ import annotations

from typing import ClassVar, Literal

from validator.evaluation.results.base import Interval, Record
from validator.sources import SourceStatus, marked

Severity = Literal["stop", "caution", "note"]
Outcome = Literal["meets", "does not meet", "inconclusive", "not assessed"]
Verdict = Literal["fit", "fit with reservations", "not fit", "not assessed"]


class Finding(Record):
    """A criterion, the figure it is held against, and the outcome.

    Attributes:
        lower, upper: what the figure must not fall below or exceed; ``None`` leaves a side open.
        margin: how far the deciding bound lies inside the limit: 1 for the ideal method, below 0 outside.
        further, further_likely: how many more independent results or series would decide an inconclusive one
            with an even chance, and with a probability of 90 %; ``needs`` says the same in words.
        held_by: id of the stop caveat that holds back an outcome that would be *meets*.
    """

    always: ClassVar[tuple[str, ...]] = ("observed", "lower", "upper", "interval")
    characteristic: str
    analyte: str | None = None
    configuration: str | None = None
    level: float | None = None
    criterion: str
    source: str
    source_status: SourceStatus = "seen"
    observed: float | None
    lower: float | None = None
    upper: float | None = None
    interval: Interval | None
    outcome: Outcome
    decision_rule: str
    unit: str = ""
    n: int | None = None
    what: str = ""
    reason: str | None = None
    needs: str | None = None
    further: int | None = None
    further_likely: int | None = None
    margin: float | None = None
    held_by: str | None = None
    superseded_by: str | None = None
    decides: bool = True
    own: bool = False

    @property
    def cited(self) -> str:
        """The source as it is printed."""
        return marked(self.source, self.source_status)


class DesignFinding(Record):
    """What a guidance document asks of the design, and what the study provides.

    ``counter`` is what is counted for the characteristic, ``profile`` the id of the profile that asks.
    """

    always: ClassVar[tuple[str, ...]] = ("provided",)
    requirement: str
    source: str
    source_status: SourceStatus = "seen"
    required: float | str
    provided: float | str | None
    outcome: Outcome
    characteristic: str = ""
    analyte: str | None = None
    configuration: str | None = None
    recommended: bool = False
    counter: str = ""
    profile: str = ""

    @property
    def cited(self) -> str:
        """The source as it is printed."""
        return marked(self.source, self.source_status)


class CaveatSource(Record):
    """One source of a caveat, and how far it was consulted."""

    text: str
    status: SourceStatus


class Caveat(Record):
    """A reservation that the data themselves raise."""

    id: str
    severity: Severity
    characteristic: str
    analyte: str | None = None
    configuration: str | None = None
    text: str
    because: str
    remedy: str
    sources: tuple[CaveatSource, ...]
    title: str = ""


class Assessment(Record):
    """The judgement of the results."""

    verdict: Verdict
    findings: tuple[Finding, ...] = ()
    design: tuple[DesignFinding, ...] = ()
    caveats: tuple[Caveat, ...] = ()
