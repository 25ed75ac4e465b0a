"""Records of the judgement."""

from __future__ import annotations

from typing import ClassVar, Literal

from msgspec import field

from validator.records import Interval, Record
from validator.sources import SourceStatus, marked

Severity = Literal["stop", "condition", "caution", "note"]
Outcome = Literal["meets", "does not meet", "inconclusive", "not assessed"]
Verdict = Literal["fit", "fit under conditions", "not assessed", "not demonstrated", "not fit"]
"""From the best to the gravest."""


Informs = Literal[
    "not required", "outside the claim", "outside the scope", "beyond the expected amount", "set aside"
]
"""Why an outcome counts for no verdict."""


class Finding(Record, frozen=True, kw_only=True):
    """A criterion, the figure it is held against, and the outcome.

    Attributes:
        lower, upper: what the figure must not fall below or exceed; ``None`` leaves a side open.
        margin: how far the deciding bound lies inside the limit: 1 for the ideal method, below 0 outside.
        further, further_likely: how many more independent results or series would decide an inconclusive one
            with an even chance, and with a probability of 90 %; ``needs`` says the same in words.
        held_by: id of the stop caveat that holds back an outcome that would be *meets*.
        document, clause: those of a limit of guidance.
        binding: what gives the document its force; empty for a criterion of the study.
        remembered: the rule was not compared with its text and nobody confirmed it: missed, it fails nothing.
        decides, informs: whether the outcome counts for the verdict, and if not, why it informs only.
        guarded_outcome: by guarded acceptance, where the document judges the estimate.
        why: why the limit was chosen.
        total: the content at which a recovery was found, native and added.
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
    document: str = ""
    clause: str = ""
    rule: str = ""
    binding: str = ""
    remembered: bool = False
    decides: bool = True
    informs: Informs | None = None
    guarded_outcome: Outcome | None = None
    degrees_of_freedom: float | None = None
    one_sided: bool = False
    why: str | None = None
    total: float | None = None
    own: bool = False

    @property
    def content(self) -> float | None:
        """The content that the figure speaks of: of a recovery the total one, else its level."""
        return self.level if self.total is None else self.total

    @property
    def cited(self) -> str:
        """The source as it is printed."""
        return marked(self.source, self.source_status)


class DesignFinding(Record, frozen=True, kw_only=True):
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
    rule: str = ""
    remembered: bool = False
    informs: Informs | None = None

    @property
    def cited(self) -> str:
        """The source as it is printed."""
        return marked(self.source, self.source_status)


class CaveatSource(Record, frozen=True, kw_only=True):
    """One source of a caveat, and how far it was consulted."""

    text: str
    status: SourceStatus


class Caveat(Record, frozen=True, kw_only=True):
    """A reservation that the data themselves raise.

    Attributes:
        bars: further characteristics that a stop holds back.
        effect: size relative to what is allowed or to the uncertainty: 1 is as large as allowed.
    """

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
    bars: tuple[str, ...] = ()
    effect: float | None = None


class RangeRecord(Record, frozen=True, kw_only=True):
    """What is claimed and what the evidence covers, in the unit of the analyte.

    Attributes:
        claimed: by the study; None where it claims no range.
        calibrated, linear: of the declared calibration.
        precision, trueness: lowest and highest level, or total content, at which the criteria were met.
        validated: what all of them cover.
        not_covered: what of the claim they do not cover, in words.
        working_quantification_limit: the larger of the estimate and the lowest level taken as a standard.
    """

    always: ClassVar[tuple[str, ...]] = (
        *("claimed", "calibrated", "linear", "precision", "trueness", "validated"),
    )
    claimed: Interval | None = None
    calibrated: Interval | None = None
    linear: Interval | None = None
    precision: Interval | None = None
    trueness: Interval | None = None
    validated: Interval | None = None
    not_covered: tuple[str, ...] = ()
    working_quantification_limit: float | None = None


class AnalyteVerdict(Record, frozen=True, kw_only=True):
    """The verdict on one analyte of the validated configuration.

    ``reason`` is the sentence behind it, ``settles`` what would settle it, ``conditions`` the titles of the
    caveats that limit samples, range or operation.
    """

    always: ClassVar[tuple[str, ...]] = ("range",)
    verdict: Verdict
    reason: str
    settles: str = ""
    range: RangeRecord | None = None
    conditions: tuple[str, ...] = ()


ClauseOutcome = Literal["met", "not met", "inconclusive", "reported", "not stated", "not studied"]


class ClauseRecord(Record, frozen=True, kw_only=True):
    """What the dossier answers to one rule of a document; ``outcome`` is that of this rule only."""

    document: str
    clause: str
    requirement: str
    answer: str
    outcome: ClauseOutcome
    where: str = ""


class Assessment(Record, frozen=True, kw_only=True):
    """The judgement of the results.

    ``draft`` is true where the study still has placeholders: then there is no verdict.
    ``without_exclusions`` is the verdict with every excluded result restored, where there are any.
    """

    verdict: Verdict
    reason: str = ""
    settles: str = ""
    draft: bool = False
    purpose: str = "validation"
    analytes: dict[str, AnalyteVerdict] = field(default_factory=dict)
    without_exclusions: Verdict | None = None
    clauses: tuple[ClauseRecord, ...] = ()
    findings: tuple[Finding, ...] = ()
    design: tuple[DesignFinding, ...] = ()
    caveats: tuple[Caveat, ...] = ()
