"""The verdict: what the findings and the open caveats amount to."""

from __future__ import annotations

from typing import TYPE_CHECKING

from msgspec.structs import replace

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from validator.evaluation.results import Caveat, DesignFinding, Finding, Verdict


def verdict(
    findings: Sequence[Finding], design: Sequence[DesignFinding], caveats: Sequence[Caveat]
) -> Verdict:
    """One word for the whole study.

    * *not fit*: a criterion that decides is not met.
    * *not assessed*: no criterion that decides is shown to be met, and none to be missed.
    * *fit with reservations*: a criterion is met; another is inconclusive or could not be assessed, a stop
      caveat is open, or a design falls short of what the chosen guidance requires.
    * *fit*: every criterion is met and nothing of that kind is open.
    """
    deciding = [finding for finding in findings if finding.decides and finding.superseded_by is None]
    outcomes = {finding.outcome for finding in deciding}
    if "does not meet" in outcomes:
        return "not fit"
    if "meets" not in outcomes:
        return "not assessed"
    own_unassessed = any(one.outcome == "not assessed" for one in deciding if is_own(one))
    short = any(one.outcome == "does not meet" for one in design if not one.recommended)
    stopped = any(caveat.severity == "stop" for caveat in caveats)
    if "inconclusive" in outcomes or own_unassessed or short or stopped:
        return "fit with reservations"
    return "fit"


def is_own(finding: Finding) -> bool:
    """True for a criterion of the study itself, which must be answered."""
    return finding.own


def held_back(findings: Sequence[Finding], caveats: Sequence[Caveat]) -> tuple[Finding, ...]:
    """The findings, none of which *meets* while a stop caveat is open on its characteristic."""
    stops: dict[tuple[str, str | None], list[Caveat]] = {}
    for caveat in caveats:
        if caveat.severity == "stop":
            stops.setdefault((caveat.characteristic, caveat.analyte), []).append(caveat)
    return tuple(_held_back(finding, stops) for finding in findings)


def _held_back(finding: Finding, stops: Mapping[tuple[str, str | None], Sequence[Caveat]]) -> Finding:
    if finding.outcome != "meets":
        return finding
    for analyte in (finding.analyte, None):
        for caveat in stops.get((finding.characteristic, analyte), ()):
            if caveat.configuration in (None, finding.configuration):
                return replace(
                    finding,
                    outcome="inconclusive",
                    reason=f"a Stop caveat is unresolved: {caveat.title}",
                    needs=_as_clause(caveat.remedy),
                    held_by=caveat.id,
                )
    return finding


def _as_clause(sentence: str) -> str | None:
    """A sentence to stand within another."""
    words = sentence.strip().rstrip(".")
    return f"{words[:1].lower()}{words[1:]}" if words else None
