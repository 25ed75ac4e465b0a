"""What was asked and what came of it: findings with one requirement are told together."""

from __future__ import annotations

from typing import TYPE_CHECKING

from validator.dossier.document import Finding, Findings
from validator.dossier.inline import Text, pieces
from validator.dossier.sections.context import Context, criterion_text, figure_text, observed_text, place_of

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

    from validator.dossier.document import Block
    from validator.dossier.inline import Content
    from validator.evaluation.results import Finding as FindingRecord
    from validator.evaluation.rows import Cell

WORST_FIRST = ("does not meet", "inconclusive", "not assessed", "meets")


def judged(context: Context, characteristics: Sequence[str], cell: Cell) -> tuple[Block, ...]:
    """What was asked on the *characteristics*, each requirement with its outcome; nothing where none was."""
    found = told_together(context, context.findings_on(characteristics, cell))
    return (Findings(tuple(found)),) if found else ()


def told_together(context: Context, findings: Iterable[FindingRecord]) -> list[Finding]:
    """A line for each requirement that is met throughout, and one for every finding that does not meet."""
    groups: dict[tuple[str, ...], list[FindingRecord]] = {}
    for position, one in enumerate(findings):
        shared = one.outcome == "meets" and one.observed is not None
        apart = "" if shared else str(position)
        key = (one.characteristic, requirement_of([one]), one.source, one.superseded_by or "", apart)
        groups.setdefault(key, []).append(one)
    return [_told(context, members) for members in groups.values()]


def _told(context: Context, members: Sequence[FindingRecord]) -> Finding:
    worst = governing(members)
    together = len(members) > 1
    requirement = criterion_text(context, worst)
    if together:
        name = context.characteristic(worst.characteristic)
        requirement = f"{name}: {requirement_of(members)}"
        if worst.superseded_by:
            requirement += f" ({worst.superseded_by})"
    statement: Content = observed_text(context, worst)
    if worst.observed is not None and (place := place_of(context, worst)):
        statement = (*pieces(statement), Text(f" ({place})"))
    if together:
        figure = f"{figure_text(worst)}{f' ({place})' if (place := place_of(context, worst)) else ''}"
        statement = context.say("common.all_meet", count=str(len(members)), figure=figure)
    return Finding(outcome=worst.outcome, statement=statement, requirement=requirement, source=worst.source)


def requirement_of(members: Sequence[FindingRecord]) -> str:
    """The requirement the members share, without what tells them apart."""
    return members[0].criterion.split(" in the presence of ")[0]


def governing(members: Sequence[FindingRecord]) -> FindingRecord:
    """The finding that decides for its group: worst outcome first, then the least favourable figure."""
    outcome = next(one for one in WORST_FIRST if any(member.outcome == one for member in members))
    return max((member for member in members if member.outcome == outcome), key=_strain)


def _strain(finding: FindingRecord) -> float:
    """How close the far end of the interval comes to the limit, as a share of it."""
    if finding.observed is None or finding.limit is None:
        return 0.0
    low, high = finding.interval or (finding.observed, finding.observed)
    ends = [finding.observed if end is None else end for end in (low, high)]
    if isinstance(finding.limit, tuple):
        lower, upper = finding.limit
        if lower is None or upper is None:
            return 0.0
        middle, half = (lower + upper) / 2, (upper - lower) / 2
        return max(abs(end - middle) for end in ends) / half if half else 0.0
    if finding.criterion.startswith(("p ≥", "≥", "correlation")):
        return finding.limit / finding.observed if finding.observed else 0.0
    return max(ends) / finding.limit if finding.limit else 0.0
