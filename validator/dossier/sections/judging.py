"""What was asked and what came of it: findings with one requirement are told together."""

from __future__ import annotations

import math
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
        key = (one.characteristic, one.criterion, one.source, one.informs or "", apart)
        groups.setdefault(key, []).append(one)
    return [_told(context, members) for members in groups.values()]


def _told(context: Context, members: Sequence[FindingRecord]) -> Finding:
    worst = governing(members)
    together = len(members) > 1
    requirement = criterion_text(context, worst)
    if together:
        name = context.characteristic(worst.characteristic)
        requirement = f"{name}: {worst.criterion}"
        if worst.informs:
            requirement += f" ({worst.informs})"
    statement: Content = observed_text(context, worst)
    if worst.observed is not None and (place := place_of(context, worst)):
        statement = (*pieces(statement), Text(f" ({place})"))
    if together:
        figure = f"{figure_text(worst)}{f' ({place})' if (place := place_of(context, worst)) else ''}"
        statement = context.say("common.all_meet", count=len(members), figure=figure)
    return Finding(outcome=worst.outcome, statement=statement, requirement=requirement, source=worst.cited)


def governing(members: Sequence[FindingRecord]) -> FindingRecord:
    """The finding that decides for its group: worst outcome first, then the least favourable figure."""
    outcome = next(one for one in WORST_FIRST if any(member.outcome == one for member in members))
    return min((member for member in members if member.outcome == outcome), key=_margin)


def _margin(finding: FindingRecord) -> float:
    return math.inf if finding.margin is None else finding.margin
