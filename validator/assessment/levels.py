"""Levels at which something was met: what they cover of a range, and what they leave open."""

from __future__ import annotations

from typing import TYPE_CHECKING

from validator.evaluation.named_levels import same_level

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping, Sequence

    from validator.study.models.analysis import ProgramDefaults
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


Met = dict[float, bool]
"""Whether everything that was asked at a level was met there."""


def joined(outcomes: Iterable[tuple[float, bool]]) -> Met:
    """One entry for each level, by rising level: met where every outcome at it is."""
    levels: Met = {}
    for level, met in sorted(outcomes):
        known = next((one for one in levels if same_level(one, level)), level)
        levels[known] = levels.get(known, True) and met
    return levels


def pieces(levels: Mapping[float, bool], defaults: ProgramDefaults) -> list[Span]:
    """Runs of neighbouring levels that are all met, none further from the next than the factor allows."""
    found: list[Span] = []
    before: float | None = None
    for level, met in levels.items():
        if met and before is not None and level <= before * defaults.neighbour_factor:
            found[-1] = found[-1][0], level
        elif met:
            found.append((level, level))
        before = level if met else None
    return found


def towards_ends(found: Sequence[Span], claim: Span | None, defaults: ProgramDefaults) -> list[Span]:
    """The *found* pieces, drawn to an end of the *claim* that a level just inside it covers."""
    if claim is None:
        return list(found)
    start, end = claim
    width = defaults.end_covered_width_percent / 100 * (end - start)
    share = defaults.end_covered_percent / 100
    lowest, highest = start + min(share * start, width), end - min(share * end, width)
    return [
        (
            start if start <= lower <= lowest or same_level(lower, lowest) else lower,
            end if highest <= upper <= end or same_level(upper, highest) else upper,
        )
        for lower, upper in found
    ]


def common(first: Sequence[Span], second: Sequence[Span]) -> list[Span]:
    """What lies in both."""
    both = [(max(a, c), min(b, d)) for a, b in first for c, d in second]
    return [(lower, upper) for lower, upper in both if lower <= upper]


def gaps(found: Sequence[Span], claim: Span) -> list[Span]:
    """What the *found* pieces leave open of the *claim*."""
    start, end = claim
    left: list[Span] = []
    for lower, upper in sorted(found):
        if lower > start and not same_level(lower, start):
            left.append((start, min(lower, end)))
        start = max(start, upper)
        if start >= end:
            return left
    return left if same_level(start, end) else [*left, (start, end)]


def widest(found: Sequence[Span]) -> Span | None:
    """The piece that spans most."""
    return max(found, key=lambda one: one[1] - one[0], default=None)
