"""What range the study claims for an analyte, and whether a level lies inside it."""

from __future__ import annotations

from typing import TYPE_CHECKING

from validator.evaluation.named_levels import same_level

if TYPE_CHECKING:
    from validator.study.models.method import Analyte

Span = tuple[float, float]


def claimed_range(analyte: Analyte) -> Span | None:
    """The declared range; else that of the specification or the target levels, and the legal limit.

    None where the study names no two levels.
    """
    if analyte.claimed_range is not None:
        return analyte.claimed_range.start, analyte.claimed_range.end
    specified = analyte.specification
    ends = (None, None) if specified is None else (specified.lower, specified.upper)
    levels = [end for end in ends if end is not None] or list(analyte.target_levels)
    if analyte.legal_limit is not None:
        levels.append(analyte.legal_limit)
    return (min(levels), max(levels)) if levels and min(levels) < max(levels) else None


def is_inside(level: float | None, claim: Span | None) -> bool:
    """Whether *level* lies in the *claim*; a figure without a level, and a study without a claim, do."""
    if level is None or claim is None:
        return True
    lower, upper = claim
    return lower <= level <= upper or same_level(level, lower) or same_level(level, upper)
